"""A dialled answer as a person reads it: lamps and what to turn, targets and what they get."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from stopwise.report.look import STATE_MARKS
from stopwise.report.text import Style
from stopwise.wording import lamp_name, shown, signed, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from stopwise.lamps.dial import Dial, Dialled, Granted
    from stopwise.plan.model import Plan

_NO_TURN_STOPS = 0.005
_NAMES = {
    "left_right": "paper, left less right",
    "falloff": "paper, falloff",
    "blown": "blown, outside patches",
}
_PAPER = {"backdrop zone": "paper"}
_KINDS = {"separation": "separation", "headroom": "headroom", "clip": "under clip"}


@dataclass(frozen=True, slots=True)
class LampRow:
    """One lamp: its name, its power now, the turn, its new power, and what else is to be said."""

    name: str
    now: str
    turn: str
    new: str
    remark: str

    @property
    def is_turned(self) -> bool:
        """Whether something is to be done at it."""
        return self.turn != "leave"


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target: what of, what it gets, what was planned, how far off, and the state of it."""

    of: str
    gets: str
    planned: str
    off: str
    state: str


def lamp_rows(answer: Dial, plan: Plan) -> list[LampRow]:
    """Return a row for each lamp that was dialled, powers as its pack shows them.

    Parameters
    ----------
    answer
        What was dialled.
    plan
        The plan, each lamp at the power that it has now.
    """
    return [_lamp_row(name, lamp, plan) for name, lamp in answer.lamps.items()]


def _lamp_row(name: str, lamp: Dialled, plan: Plan) -> LampRow:
    light = plan.light(name)
    now = "-" if light is None or light.power is None else light.power_shown(light.power)
    new = "-" if light is None or lamp.power is None else light.power_shown(lamp.power)
    turn = "leave"
    if abs(lamp.turn) >= _NO_TURN_STOPS:
        turn = f"{'up' if lamp.turn > 0 else 'down'} {stops_text(lamp.turn)}"
    return LampRow(shown(name), now, turn, new, "at its end" if lamp.at_limit else "")


def target_rows(answer: Dial) -> list[TargetRow]:
    """Return a row for each target that was weighed.

    Limits (headroom, clipping) that are met are left out: they would only say that nothing is
    wrong.
    """
    return [
        _target_row(target)
        for target in answer.predicted.targets
        if target.kind not in ("headroom", "clip", "blown") or _fails(target, answer)
    ]


def _fails(target: Granted, answer: Dial) -> bool:
    return bool(target.short_by) and any(
        one.of == target.of and math.isclose(one.short_by, abs(target.short_by), abs_tol=1e-9)
        for one in answer.unmet
    )


def _target_row(target: Granted) -> TargetRow:
    name = _NAMES.get(target.kind) or _PAPER.get(target.of) or shown(target.of)
    if target.kind in _KINDS:
        name = f"{name}, {_KINDS[target.kind]}"
    if target.value is None:
        return TargetRow(name, "-", _figure(target.target, target.kind), "", "not seen")
    least = math.isinf(target.over)
    return TargetRow(
        name,
        _figure(target.value, target.kind),
        f"{_figure(target.target, target.kind)}{' or more' if least else ''}",
        "" if least and not target.short_by else signed(target.value - target.target),
        "fails" if target.short_by else "holds",
    )


def _figure(value: float, kind: str) -> str:
    if kind == "zone":
        return f"Zone {value:.1f}"
    return signed(value) if kind == "left_right" else f"{value:.1f}".replace("-0.0", "0.0")


def headline(answer: Dial, plan: Plan) -> tuple[str, str]:
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
    blocks = [
        [Text(line, "bold") for line in headline(answer, plan)],
        list(_lamp_lines(lamp_rows(answer, plan))),
        list(_target_lines(target_rows(answer), style)),
        [_marked(target.say, style) for target in answer.unmet],
        [Text(f"  {shown(said)}") for said in (*alike_sentences(answer), *sentences)],
    ]
    return Text("\n\n").join(Text("\n").join(block) for block in blocks if block)


def _marked(words: str, style: Style) -> Text:
    return Text.assemble("  ", style.mark(STATE_MARKS["fails"]), f" {shown(words)}")


def _lamp_lines(rows: Sequence[LampRow]) -> Iterator[Text]:
    cells = [("lamp", "now", "turn", "new", "")]
    cells += [(row.name, row.now, row.turn, row.new, row.remark) for row in rows]
    widths = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    for place, (name, now, turn, new, remark) in enumerate(cells):
        bold = "bold" if place and rows[place - 1].is_turned else ""
        line = f"  {set_cell_size(name, widths[0])}  {now:>{widths[1]}}  {turn:<{widths[2]}}"
        yield Text(f"{line}  {new:>{widths[3]}}  {remark}".rstrip(), bold if place else "dim")


def _target_lines(rows: Sequence[TargetRow], style: Style) -> Iterator[Text]:
    cells = [
        ("target", "then", "planned", "off"),
        *((r.of, r.gets, r.planned, r.off) for r in rows),
    ]
    widths = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    for place, (of, gets, planned, off) in enumerate(cells):
        line = (
            f" {set_cell_size(of, widths[0])}  {gets:<{widths[1]}}  {planned:<{widths[2]}}  {off}"
        )
        mark = style.mark(STATE_MARKS[rows[place - 1].state]) if place else Text(" ")
        yield Text.assemble("  ", mark, (line.rstrip(), "" if place else "dim"))
