"""The terminal's words of a comparison, of a run, and of powers that were dialled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from stopwise.comparison.events import FEWEST
from stopwise.comparison.rebuilding import caution
from stopwise.lamps.trial import change_words
from stopwise.lamps.unmet import is_bound, surely_short_by
from stopwise.messages import dial_headline, do, say, turn_sentence, turn_words
from stopwise.plan.floor import round_the_set
from stopwise.report.lamp_words import dialled_turn
from stopwise.report.look import STATE_MARKS
from stopwise.report.terminal import INDENT, Style, blocks, table
from stopwise.wording import lamp_name, share_text, shown, signed, title

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from stopwise.comparison.run import Series, TakeRun
    from stopwise.comparison.two_sides import Comparison
    from stopwise.findings import State, Turn
    from stopwise.lamps.dial import Dial
    from stopwise.lamps.prediction import Aim, Prediction
    from stopwise.lamps.sum_doubts import Doubt
    from stopwise.lamps.trial import LightChange
    from stopwise.plan.model import Plan

_TARGETS = {
    "left_right": "paper, left less right",
    "falloff": "paper, falloff",
    "blown": "blown, outside patches",
}
_PAPER = {"backdrop zone": "paper"}
_KINDS = {"headroom": "headroom", "clip": "under clip"}


def comparison_text(comparison: Comparison, *, style: Style | None = None) -> Text:
    """Return what changed between two sides, for a person: findings, lamps, patches.

    Parameters
    ----------
    comparison
        What was worked out.
    style
        How it is put on the screen.
    """
    style = style or Style()
    before, after = (
        shown(side.name) + (f" ({side.frames} frames)" if side.frames > 1 else "")
        for side in (comparison.before, comparison.after)
    )
    lamps = [
        (shown(name), *figures(one.stops, one.uncertainty), figure(one.said))
        for name, one in comparison.lamps.items()
    ]
    patches = [
        (
            *(shown(name), *figures(one.stops, one.uncertainty), figure(one.expected)),
            *(figure(one.red_green), figure(one.blue_green)),
        )
        for name, one in comparison.patches.items()
    ]
    told = [
        style.finding(one.state, say(one), do(one))
        for one in comparison.findings
        if one.check != "patch" or one.state != "holds"
    ]
    if not (told or lamps or patches):
        nothing = "No patch and no lamp is known on both sides: give the plan with --plan."
        told = [style.told("not seen", nothing)]
    return blocks(
        [Text(f"{before}  to  {after}", "bold")],
        told,
        table(("lamp", "stops", "+-", "said"), lamps),
        table(("patch", "stops", "+-", "expected", "R/G", "B/G"), patches),
    )


def run_text(run: TakeRun, *, style: Style | None = None) -> Text:
    """Return a take's run for a person: what happened in it, then patches and lamps.

    Parameters
    ----------
    run
        What was worked out.
    style
        How it is put on the screen.
    """
    style = style or Style()
    flags = [
        style.told(
            "fails" if flag.finding.cause == "lamp" else "on the line",
            f"{run.files[flag.event.at]}  {say(flag.finding)} {do(flag.finding)}",
        )
        for flag in run.flags
    ]
    if not flags and run.files:
        flags = [style.told("holds", _without_events(run))]
    return blocks(
        [Text(run_title(run), "bold")],
        flags,
        _series_table("lamp", run.lamps.items()),
        _series_table("patch", run.patches.items()),
        [Text(f"{INDENT}{shown(file)} not counted: {shown(why)}") for file, why in run.left_out],
    )


def run_title(run: TakeRun) -> str:
    """Return "Take 3, look in black: 12 frames count, 1 doesn't"."""
    take = "Before the first take" if run.take is None else f"Take {run.take}"
    look = "" if run.look is None else f", look {shown(run.look)}"
    count = "1 frame counts" if len(run.files) == 1 else f"{len(run.files)} frames count"
    gone = len(run.left_out)
    rest = f", {gone} {'does' if gone == 1 else 'do'} not" if gone else ""
    return f"{take}{look}: {count}{rest}"


def _without_events(run: TakeRun) -> str:
    """Return what is to be said of a run in which nothing was found, and of how sure that is."""
    if len(run.files) < FEWEST:
        return f"Too few frames to tell a step or a drift: {FEWEST} at least."
    drifts = {name: one.drift or 0.0 for name, one in (*run.patches.items(), *run.lamps.items())}
    most = max(drifts, key=lambda name: abs(drifts[name]), default="")
    if most and abs(drifts[most]) > run.limit:
        return (
            f"No step or drift stands out of the scatter; {shown(most)} slopes by "
            f"{figure(drifts[most])} over the run."
        )
    return f"Nothing steps, drifts or falls out by more than {run.limit:g} stop."


def _series_table(head: str, series: Iterable[tuple[str, Series]]) -> list[Text]:
    rows = [
        (
            shown(name),
            "-" if one.median is None else f"{round(one.median, 2) + 0.0:.2f}",
            doubt(one.spread),
            figure(one.drift),
            str(one.frames),
            str(len(one.fallen)) if one.fallen else "",
        )
        for name, one in series
    ]
    return table((head, "median", "spread", "drift", "frames", "fallen out"), rows)


def figure(stops: float | None) -> str:
    """Return signed hundredths of a stop, "-" where there is no figure."""
    if stops is None:
        return "-"
    return "0.00" if abs(stops) < 0.005 else f"{stops:+.2f}"


def doubt(stops: float | None) -> str:
    """Return an uncertainty in hundredths of a stop, "-" where there is none."""
    return "-" if stops is None else f"{stops:.2f}"


def figures(stops: float | None, uncertainty: float | None) -> tuple[str, str]:
    """Return a change and its uncertainty in hundredths of a stop."""
    return figure(stops), doubt(uncertainty)


@dataclass(frozen=True, slots=True)
class LampRow:
    """One lamp: its name, its power now, its turn if any, its new power, and what else of it.

    `is_off` where it is switched off, `is_touched` where anything is to be done to it.
    """

    name: str
    now: str
    turn: Turn | None
    new: str
    remark: str = ""
    is_off: bool = False
    is_touched: bool = False

    @property
    def words(self) -> str:
        """What to do with it: "down 0.7", "leave", "switch off"."""
        if self.is_off:
            return "switch off"
        return "leave" if self.turn is None else turn_words(self.turn)[1]


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target: what of, what it gets, what was planned, how far off, how sure, and its state.

    `place` is its place among the answer's aims.
    """

    place: int
    of: str
    gets: str
    planned: str
    off: str
    sure: str
    state: State


def lamp_rows(answer: Dial, plan: Plan) -> list[LampRow]:
    """Return a row for each lamp that was dialled, powers as its pack shows them.

    Parameters
    ----------
    answer
        What was dialled.
    plan
        The plan, each lamp at the power that it has now.
    """
    rows = []
    for name, lamp in answer.lamps.items():
        light = plan.light(name)
        now, new = (
            "-" if light is None or power is None else light.power_shown(power)
            for power in (None if light is None else light.power, lamp.power)
        )
        turn = dialled_turn(name, light, lamp.turn or 0.0, lamp.power)
        changes = [change_words(one) for one in _changes(answer) if one.of == name]
        rows.append(
            LampRow(
                shown(name),
                now,
                turn,
                "off" if lamp.turn is None else new,
                remark=shown(", ".join([*(["at its end"] if lamp.at_limit else []), *changes])),
                is_off=lamp.turn is None,
                is_touched=bool(turn or changes or lamp.turn is None),
            )
        )
    return rows


def _changes(answer: Dial) -> list[LightChange]:
    return [] if answer.trial is None else list(answer.trial.changes)


def walk_sentences(answer: Dial, plan: Plan) -> list[str]:
    """Return what is to be done, as a walk round the set does it, each lamp with its cautions.

    It begins at the camera and goes round by its right; lamps that the plan doesn't place are last.
    Cautions are common practice; makers' instructions and local rules come first.
    """
    camera = ", ".join(change_words(one) for one in _changes(answer) if not one.of)
    told = [f"Camera to {camera}."] if camera else []
    downs = gelled = False
    for light in round_the_set(plan, answer.lamps):
        turned, who = answer.lamps[light.name], shown(title(lamp_name(light.name)))
        turn = dialled_turn(light.name, light, turned.turn or 0.0, turned.power)
        steps = [turn_sentence(turn)] if turn is not None else []
        steps += [f"{who} off."] if turned.turn is None else []
        for one in _changes(answer):
            if one.of == light.name and one.sets == "metres":
                steps.append(f"{who} to {change_words(one)} from the sitter.")
            elif one.of == light.name:
                steps.append(shown(f"{title(change_words(one))} on {lamp_name(light.name)}."))
        if steps and (warning := caution(light)):
            steps.append(warning)
        told += [" ".join(steps)] if steps else []
        downs |= turn is not None and turn.stops < 0.0 and light.kind == "flash"
        gelled |= any(one.of == light.name and one.sets == "gels" for one in _changes(answer))
    told += ["Dump what was turned down, as its maker directs."] if downs else []
    return [*told, "Let a lamp cool before a gel goes on or off."] if gelled else told


def target_rows(answer: Dial) -> list[TargetRow]:
    """Return a row for each target that was weighed.

    Limits (headroom, clipping) that are met are left out: they would only say that nothing is
    wrong.
    """
    unmet = {(one.of, one.kind) for one in answer.unmet}
    return [
        _target_row(place, aim, answer.predicted)
        for place, aim in enumerate(answer.aims)
        if aim.kind not in ("headroom", "clip", "blown") or (aim.of, aim.kind) in unmet
    ]


def _target_row(place: int, aim: Aim, predicted: Prediction) -> TargetRow:
    name = _TARGETS.get(aim.kind) or _PAPER.get(aim.of) or shown(aim.of)
    if aim.kind in _KINDS:
        name = f"{name}, {_KINDS[aim.kind]}"
    planned = _target_figure(aim.planned, aim.kind)
    value, off = aim.value(predicted), surely_short_by(aim, predicted)
    if value is None or (is_bound(aim, predicted) and not off):
        return TargetRow(place, name, "-", planned, "", "-", "not seen")
    least = math.isinf(aim.over)
    return TargetRow(
        place,
        name,
        _target_figure(value, aim.kind),
        f"{planned} or more" if least else planned,
        "" if least and not off else signed(value - aim.planned),
        doubt(aim.uncertainty(predicted) or None),
        "fails" if off else "holds",
    )


def _target_figure(value: float, kind: str) -> str:
    if kind == "zone":
        return f"Zone {value:.1f}"
    return signed(value) if kind == "left_right" else f"{value:.1f}".replace("-0.0", "0.0")


def dial_call(answer: Dial, plan: Plan) -> tuple[str, str]:
    """Return the headline of an answer: what to turn, and whether the targets are met then."""
    rows = lamp_rows(answer, plan)
    turns = [row.turn for row in rows if row.turn is not None]
    others = sum(row.is_off for row in rows) + len(_changes(answer))
    return dial_headline(turns, others, unmet=len({target.of for target in answer.unmet}))


def alike_sentences(answer: Dial) -> list[str]:
    """Return a sentence for each pair of lamps that can't be told apart."""
    return [
        f"{title(shown(one))} and {shown(other)} light the same places alike: what one is turned, "
        "the other can take over."
        for one, other in answer.alike
    ]


_DOUBTS: dict[Doubt, str] = {
    "clipped": "a solo is clipped, it is brighter there",
    "elsewhere": "the sitter stood elsewhere in a solo",
    "noisy": "noise hides the light",
    "differs": "the frame under all lamps differs from the solos",
}


def doubt_words(doubts: Mapping[Doubt, NDArray[np.bool_]]) -> tuple[str, ...]:
    """Return why light that is added up isn't to be trusted in places, with their share.

    Each doubt has its blocks, bool (rows, columns).
    """
    return tuple(
        f"{_DOUBTS[doubt]} ({share_text(float(blocks.mean()))} of the picture)"
        for doubt, blocks in doubts.items()
        if blocks.any()
    )


def dial_text(
    answer: Dial, plan: Plan, sentences: Sequence[str] = (), *, style: Style | None = None
) -> Text:
    """Return the whole answer for a terminal.

    Parameters
    ----------
    answer, plan
        What was dialled, and the plan with each lamp at the power that it has now.
    sentences
        What else is to be said, of solos and lamps.
    style
        How it is put on the screen.
    """
    style = style or Style()
    lamps, targets = lamp_rows(answer, plan), target_rows(answer)
    return blocks(
        [Text(line, "bold") for line in dial_call(answer, plan)],
        table(
            ("lamp", "now", "turn", "new", ""),
            [(row.name, row.now, row.words, row.new, row.remark) for row in lamps],
            left=(0, 2, 4),
            strong=[place for place, row in enumerate(lamps) if row.is_touched],
        ),
        table(
            ("target", "then", "planned", "off", "±"),
            [(row.of, row.gets, row.planned, row.off, row.sure) for row in targets],
            left=range(5),
            marks=[style.mark(STATE_MARKS[row.state]) for row in targets],
        ),
        [style.told("fails", target.say) for target in answer.unmet],
        [style.told("on the line", target.say) for target in answer.unsure],
        [Text(f"{INDENT}{shown(said)}") for said in (*alike_sentences(answer), *sentences)],
        [] if answer.trial is None else [Text(one) for one in walk_sentences(answer, plan)],
    )
