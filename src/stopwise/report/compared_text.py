"""A comparison and a run in the terminal's words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from stopwise.report.look import STATE_MARKS
from stopwise.report.text import Style
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from stopwise.comparison.comparison import Comparison
    from stopwise.comparison.run import Run, Series

_INDENT = "  "


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
    blocks = [
        [Text(f"{before}  to  {after}", "bold")],
        list(_findings(comparison, style)),
        columns(_lamp_rows(comparison)),
        columns(_patch_rows(comparison)),
    ]
    return Text("\n\n").join(Text("\n").join(block) for block in blocks if block)


def _findings(comparison: Comparison, style: Style) -> Iterator[Text]:
    for finding in comparison.findings:
        if finding.check == "patch" and finding.state == "holds":
            continue
        mark = STATE_MARKS[finding.state]
        line = Text.assemble(_INDENT, style.mark(mark), f" {finding.state:<11}  ")
        line.append(shown(finding.say))
        if finding.do:
            line.append(f" {shown(finding.do)}")
        yield line


def _lamp_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    rows = [
        (shown(name), figure(one.stops), doubt(one.uncertainty), figure(one.said))
        for name, one in comparison.lamps.items()
    ]
    return [("lamp", "stops", "+-", "said"), *rows] if rows else []


def _patch_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    rows = [
        (
            shown(name),
            figure(one.stops),
            doubt(one.uncertainty),
            figure(one.expected),
            figure(one.red_green),
            figure(one.blue_green),
        )
        for name, one in comparison.patches.items()
    ]
    return [("patch", "stops", "+-", "expected", "R/G", "B/G"), *rows] if rows else []


def run_text(run: Run, *, style: Style | None = None) -> Text:
    """Return a take's run for a person: what happened in it, then patches and lamps.

    Parameters
    ----------
    run
        What was worked out.
    style
        How it is put on the screen.
    """
    style = style or Style()
    blocks = [
        [Text(run_title(run), "bold")],
        list(_flags(run, style)),
        columns(_series_rows("lamp", run.lamps.items())),
        columns(_series_rows("patch", run.patches.items())),
        [Text(f"{_INDENT}{shown(file)} not counted: {shown(why)}") for file, why in run.left_out],
    ]
    return Text("\n\n").join(Text("\n").join(block) for block in blocks if block)


def run_title(run: Run) -> str:
    """Return "Take 3, look in black: 12 frames count, 1 doesn't"."""
    take = "Before the first take" if run.take is None else f"Take {run.take}"
    look = "" if run.look is None else f", look {shown(run.look)}"
    count = "1 frame counts" if len(run.files) == 1 else f"{len(run.files)} frames count"
    gone = len(run.left_out)
    rest = f", {gone} {'does' if gone == 1 else 'do'} not" if gone else ""
    return f"{take}{look}: {count}{rest}"


def _flags(run: Run, style: Style) -> Iterator[Text]:
    if not run.flags and run.files:
        line = f"Nothing steps, drifts or falls out by more than {run.limit:g} stop."
        yield Text.assemble(_INDENT, style.mark(STATE_MARKS["holds"]), f" {line}")
    for flag in run.flags:
        mark = STATE_MARKS["fails" if flag.cause == "lamp" else "on the line"]
        line = f" {shown(run.files[flag.event.at])}  {shown(flag.say)} {shown(flag.do)}"
        yield Text.assemble(_INDENT, style.mark(mark), line)


def _series_rows(head: str, series: Iterable[tuple[str, Series]]) -> list[tuple[str, ...]]:
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
    return [(head, "median", "spread", "drift", "frames", "fallen out"), *rows] if rows else []


def figure(stops: float | None) -> str:
    """Return signed hundredths of a stop, "-" where there is no figure."""
    if stops is None:
        return "-"
    return "0.00" if abs(stops) < 0.005 else f"{stops:+.2f}"


def doubt(stops: float | None) -> str:
    """Return an uncertainty in hundredths of a stop, "-" where there is none."""
    return "-" if stops is None else f"{stops:.2f}"


def columns(rows: Sequence[tuple[str, ...]]) -> list[Text]:
    """Return rows with the first column to the left and figures to the right, the head dim."""
    widths = [max(cell_len(cell) for cell in column) for column in zip(*rows, strict=True)]
    lines = []
    for place, (name, *cells) in enumerate(rows):
        told = "".join(f"  {cell:>{width}}" for cell, width in zip(cells, widths[1:], strict=True))
        line = _INDENT + set_cell_size(name, widths[0]) + told
        lines.append(Text(line, "" if place else "dim"))
    return lines
