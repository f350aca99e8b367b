"""The terminal's words: one line a frame, a summary that stays, a file's figures in full."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from stopwise.messages import do, place_name, say
from stopwise.report.facts import facts, share
from stopwise.report.look import DARK, STATE_MARKS, VERDICT_MARKS, colour_of
from stopwise.report.ruler import ROMAN
from stopwise.wording import CUT, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from stopwise.findings import Finding
    from stopwise.record import Record
    from stopwise.report.look import Mark

NAME_WIDTH = 24
"""Columns that a file's name may take on a frame's line."""

_VERDICT_WIDTH = max(len(verdict) for verdict in VERDICT_MARKS)
_MOST_NAMED = 3
_INDENT = "  "


@dataclass(frozen=True, slots=True)
class Style:
    """How words are put on a screen.

    Attributes
    ----------
    glyphs
        Whether marks may be signs outside ASCII.
    width
        Columns that a line may take; None for as many as it needs.
    """

    glyphs: bool = True
    width: int | None = None

    def mark(self, mark: Mark) -> Text:
        """Return a mark in its colour."""
        return Text(mark.glyph if self.glyphs else mark.plain, style=colour_of(mark, DARK))


@dataclass(slots=True)
class Tally:
    """What a run of frames came to.

    Attributes
    ----------
    verdicts
        Frames by verdict.
    called
        How often each patch, lamp or setting was the worst.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    called: Counter[str] = field(default_factory=Counter)

    def add(self, record: Record) -> None:
        """Count one frame in."""
        self.verdicts[record.verdict] += 1
        if record.verdict == "off plan" and record.findings:
            self.called[place_name(record.findings[0])] += 1

    @property
    def frames(self) -> int:
        """Frames counted."""
        return self.verdicts.total()


def frame_line(record: Record, *, style: Style | None = None) -> Text:
    """Return one frame in one line: mark and verdict, file, what, and what to do.

    Parameters
    ----------
    record
        The frame's record.
    style
        How it is put on the screen; by default with glyphs and as wide as it needs.

    Returns
    -------
    Text
        One line, free of control characters whatever the file is called.
    """
    style = style or Style()
    what, advice = record.headline
    mark = VERDICT_MARKS[record.verdict]
    line = Text.assemble(
        style.mark(mark),
        (f" {record.verdict:<{_VERDICT_WIDTH}}  ", f"bold {colour_of(mark, DARK)}"),
        set_cell_size(_fitting_name(record.file), NAME_WIDTH),
        (f"  {what}", "bold" if record.verdict == "off plan" else ""),
        f" {advice}",
        no_wrap=True,
    )
    if style.width is not None:
        line.truncate(style.width, overflow="ellipsis" if style.glyphs else "crop")
    return line


def _fitting_name(file: str) -> str:
    """Return a file's name in few columns: its end is kept, since its number is there."""
    name = shown(file)
    while cell_len(name) > NAME_WIDTH:
        name = CUT + name.removeprefix(CUT)[1:]
    return name


def summary_line(tally: Tally) -> Text:
    """Return what a run of frames came to, in one line."""
    if not tally.frames:
        return Text("No frame yet.", no_wrap=True)
    frames = "1 frame" if tally.frames == 1 else f"{tally.frames} frames"
    parts = [f"{tally.verdicts[name]} {name}" for name in VERDICT_MARKS if tally.verdicts[name]]
    line = f"{frames}: {', '.join(parts)}."
    worst = [f"{shown(name)} ({count})" for name, count in tally.called.most_common(_MOST_NAMED)]
    if worst:
        line += f" Called most: {', '.join(worst)}."
    return Text(line, no_wrap=True)


def frame_text(record: Record, *, style: Style | None = None) -> Text:
    """Return all that a file's record holds, for a person who asked for this file.

    Parameters
    ----------
    record
        The frame's record.
    style
        How it is put on the screen.
    """
    style = style or Style()
    row = record.to_json()
    mark = VERDICT_MARKS[record.verdict]
    head = Text.assemble(
        style.mark(mark), " ", (record.verdict, f"bold {colour_of(mark, DARK)}"), "  "
    )
    head.append(shown(record.file))
    calls = [Text(_INDENT + line, "bold") for line in record.headline]
    blocks = [
        [head, *calls],
        list(_finding_lines(record.findings, style)),
        _columns(_patch_rows(row["patches"])),
        list(_fact_lines(row)),
    ]
    return Text("\n\n").join(Text("\n").join(block) for block in blocks if block)


def _finding_lines(findings: Iterable[Finding], style: Style) -> Iterator[Text]:
    for finding in findings:
        line = Text.assemble(
            _INDENT, style.mark(STATE_MARKS[finding.state]), f" {finding.state:<11}  "
        )
        line.append(say(finding))
        advice = do(finding)
        if advice:
            line.append(f" {advice}")
        yield line


def _patch_rows(patches: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, ...]]:
    rows = [
        (
            shown(name),
            _figure(patch["zone"], ".2f"),
            _figure(patch["uncertainty"], ".2f"),
            _figure(patch["top"], ".2f"),
            _figure(patch["headroom"], ".2f"),
            share(patch["clipped"] or 0.0),
            share(patch["blocked"] or 0.0),
            _figure(patch["snr"], ".0f"),
        )
        for name, patch in patches.items()
    ]
    head = ("patch", "zone", "+-", "top", "headroom", "blown", "blocked", "SNR")
    return [head, *rows] if rows else []


def _figure(value: float | None, form: str) -> str:
    return "-" if value is None else f"{value:{form}}"


def _columns(rows: Sequence[tuple[str, ...]]) -> list[Text]:
    """Return rows with the first column to the left and figures to the right."""
    widths = [max(cell_len(cell) for cell in column) for column in zip(*rows, strict=True)]
    lines = []
    for place, (name, *cells) in enumerate(rows):
        figures = "".join(
            f"  {cell:>{width}}" for cell, width in zip(cells, widths[1:], strict=True)
        )
        line = _INDENT + set_cell_size(name, widths[0]) + figures
        lines.append(Text(line, "" if place else "dim"))
    return lines


def _fact_lines(record: Mapping[str, Any]) -> Iterator[Text]:
    told = [(label, words) for label, words in facts(record) if label not in ("File", "Reason")]
    zones = record.get("zones") or {}
    if zones.get("share"):
        spread = "  ".join(
            f"{roman} {share(part)}"
            for roman, part in zip(ROMAN, zones["share"], strict=True)
            if part
        )
        told.append(("Zones", spread))
    width = max((len(label) for label, _ in told), default=0)
    for label, words in told:
        yield Text.assemble((f"{_INDENT}{label:<{width}}  ", "dim"), words)
