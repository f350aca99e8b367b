"""The lists on a slip: what was found, and the frame's plain figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.report.facts import facts
from stopwise.report.look import DARK, STATE_MARKS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.report.slip.sheet import Area, Sheet

_SIZE = 17
_ROW = 25
_COLUMN = 400
"""Least width of a column of findings."""

_LABELS = 108


def draw_findings(sheet: Sheet, area: Area, record: dict[str, Any]) -> None:
    """List the findings, worst first, each with the mark of its state."""
    findings = record.get("findings") or []
    top = _draw_counts(sheet, area, record, findings)
    columns = max(1, int(area.width // _COLUMN))
    width = area.width / columns
    rows = list(_rows(sheet, findings, width - 50))
    deep = max(1, int((area.bottom - top) // _ROW))
    if len(rows) > columns * deep:
        rows = [*rows[: columns * deep - 1], (None, "and more, in the record", DARK.quiet)]
    for place, (state, words, colour) in enumerate(rows):
        x = area.left + (place // deep) * width
        y = top + _ROW + (place % deep) * _ROW
        if state:
            sheet.mark((x + 8, y - 6), STATE_MARKS[state], 14)
        sheet.text((x + 26, y), words, _SIZE, color=colour, gid="finding")


def _rows(
    sheet: Sheet, findings: list[dict[str, Any]], room: float
) -> Iterator[tuple[str | None, str, str]]:
    """Yield state, words and colour of each line; what to do stands under what failed."""
    for finding in findings:
        failed = finding["state"] == "fails"
        colour = DARK.text if failed else DARK.quiet
        state: str | None = finding["state"]
        for line in sheet.wrapped(finding["say"], _SIZE, room):
            yield state, line, colour
            state = None
        if failed and finding["do"]:
            yield from ((None, line, colour) for line in sheet.wrapped(finding["do"], _SIZE, room))


def _draw_counts(
    sheet: Sheet, area: Area, record: dict[str, Any], findings: list[dict[str, Any]]
) -> float:
    """Write how many findings are in each state; return where the list may begin."""
    x, y = area.left, area.top + 8
    if not findings:
        words = _NOT_JUDGED.get(record["verdict"], "No findings.")
        sheet.text((x, y), words, _SIZE, color=DARK.quiet)
        return y
    for state, forms in _COUNTED.items():
        count = sum(finding["state"] == state for finding in findings)
        text = f"{count} {forms[count != 1]}"
        width = 26 + sheet.text_width(text, _SIZE, weight="bold")
        if count:
            if x + width > area.right:
                x, y = area.left, y + _ROW
            sheet.mark((x + 8, y - 6), STATE_MARKS[state], 16)
            sheet.text((x + 26, y), text, _SIZE, weight="bold")
            x += width + 28
    return y + 12


def draw_facts(sheet: Sheet, area: Area, record: dict[str, Any]) -> None:
    """List the plain figures: a word at the left, what it is at the right."""
    size = _SIZE - 1
    room = area.width - _LABELS
    rows = [
        (label if not place else "", line)
        for label, words in facts(record)
        for place, line in enumerate(sheet.wrapped(words, size, room))
    ]
    step = min(_ROW, area.height / max(len(rows), 1))
    for place, (label, words) in enumerate(rows):
        y = area.top + 8 + place * step
        sheet.text((area.left, y), label, size, color=DARK.quiet)
        sheet.text((area.left + _LABELS, y), words, size, gid="fact")


_NOT_JUDGED = {
    "measured": "Measured only: the plan has no target, so nothing was judged.",
    "unreadable": "Not judged.",
}
_COUNTED = {
    "fails": ("fails", "fail"),
    "on the line": ("on the line", "on the line"),
    "not seen": ("not seen", "not seen"),
    "holds": ("holds", "hold"),
}
