"""The terminal's words of a comparison, of a run, and of powers that were dialled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from stopwise.messages import do, say
from stopwise.report.lamp_words import NO_TURN_STOPS
from stopwise.report.look import STATE_MARKS
from stopwise.report.text import INDENT, Style, blocks, table
from stopwise.wording import lamp_name, shown, signed, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from stopwise.comparison.run import Series, TakeRun
    from stopwise.comparison.two_sides import Comparison
    from stopwise.findings import State
    from stopwise.lamps.dial import Dial
    from stopwise.lamps.prediction import Aim, Prediction
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
        steady = f"Nothing steps, drifts or falls out by more than {run.limit:g} stop."
        flags = [style.told("holds", steady)]
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
    """One lamp: its name, its power now, the turn, its new power, and what else is to be said."""

    name: str
    now: str
    turn: str
    new: str
    remark: str
    is_turned: bool


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target: what of, what it gets, what was planned, how far off, and the state of it."""

    of: str
    gets: str
    planned: str
    off: str
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
        now = "-" if light is None or light.power is None else light.power_shown(light.power)
        new = "-" if light is None or lamp.power is None else light.power_shown(lamp.power)
        is_turned = abs(lamp.turn) >= NO_TURN_STOPS
        way = f"{'up' if lamp.turn > 0 else 'down'} {stops_text(lamp.turn)}"
        turn = way if is_turned else "leave"
        remark = "at its end" if lamp.at_limit else ""
        rows.append(LampRow(shown(name), now, turn, new, remark, is_turned))
    return rows


def target_rows(answer: Dial) -> list[TargetRow]:
    """Return a row for each target that was weighed.

    Limits (headroom, clipping) that are met are left out: they would only say that nothing is
    wrong.
    """
    unmet = {(one.of, one.kind) for one in answer.unmet}
    return [
        _target_row(aim, answer.predicted)
        for aim in answer.aims
        if aim.kind not in ("headroom", "clip", "blown") or (aim.of, aim.kind) in unmet
    ]


def _target_row(aim: Aim, predicted: Prediction) -> TargetRow:
    name = _TARGETS.get(aim.kind) or _PAPER.get(aim.of) or shown(aim.of)
    if aim.kind in _KINDS:
        name = f"{name}, {_KINDS[aim.kind]}"
    planned = _target_figure(aim.planned, aim.kind)
    value, off = aim.value(predicted), aim.short_by(predicted)
    if value is None:
        return TargetRow(name, "-", planned, "", "not seen")
    least = math.isinf(aim.over)
    return TargetRow(
        name,
        _target_figure(value, aim.kind),
        f"{planned} or more" if least else planned,
        "" if least and not off else signed(value - aim.planned),
        "fails" if off else "holds",
    )


def _target_figure(value: float, kind: str) -> str:
    if kind == "zone":
        return f"Zone {value:.1f}"
    return signed(value) if kind == "left_right" else f"{value:.1f}".replace("-0.0", "0.0")


def dial_headline(answer: Dial, plan: Plan) -> tuple[str, str]:
    """Return in two short lines what to turn, and whether the targets are met then."""
    turned = [row for row in lamp_rows(answer, plan) if row.is_turned]
    if not turned:
        say = "Leave every lamp as it is."
    elif len(turned) == 1:
        to = "" if turned[0].new == "-" else f", to {turned[0].new}"
        say = f"{title(lamp_name(turned[0].name))} {turned[0].turn}{to}."
    else:
        say = f"Turn {len(turned)} lamps."
    unmet = len({target.of for target in answer.unmet})
    if not unmet:
        return say, "Every target is met then."
    return say, "One target stays unmet." if unmet == 1 else f"{unmet} targets stay unmet."


def alike_sentences(answer: Dial) -> list[str]:
    """Return a sentence for each pair of lamps that can't be told apart."""
    return [
        f"{title(shown(one))} and {shown(other)} light the same places alike: what one is turned, "
        "the other can take over."
        for one, other in answer.alike
    ]


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
        [Text(line, "bold") for line in dial_headline(answer, plan)],
        table(
            ("lamp", "now", "turn", "new", ""),
            [(row.name, row.now, row.turn, row.new, row.remark) for row in lamps],
            left=(0, 2, 4),
            strong=[place for place, row in enumerate(lamps) if row.is_turned],
        ),
        table(
            ("target", "then", "planned", "off"),
            [(row.of, row.gets, row.planned, row.off) for row in targets],
            left=range(4),
            marks=[style.mark(STATE_MARKS[row.state]) for row in targets],
        ),
        [style.told("fails", target.say) for target in answer.unmet],
        [Text(f"{INDENT}{shown(said)}") for said in (*alike_sentences(answer), *sentences)],
    )
