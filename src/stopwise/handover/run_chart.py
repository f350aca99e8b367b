"""How patches and lamps ran over a shoot's frames, drawn for paper."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from stopwise.report.look import LIGHT, OKABE_ITO
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from stopwise.record import Record

    Runs = Mapping[str, Sequence[float | None]]

_SIZE_IN, _DPI = (10.0, 2.7), 150
"""Inches of one chart, so that two stand on a page of A4 with their words, and dots an inch."""

_COLOURS = tuple(
    OKABE_ITO[name]
    for name in ("blue", "vermillion", "bluish green", "reddish purple", "orange", "sky blue")
)
_STYLES = ("-", "--", ":")
"""Eighteen lines that differ in print without colour too, six by six."""

_APART = 0.075
"""Least share of a chart's height between two names at its right edge: a line of its type."""


def lamp_runs(records: Sequence[Record]) -> dict[str, list[float | None]]:
    """Return each lamp's stops against its solo over frames, None where it wasn't seen."""
    tables = [record.lamps or {} for record in records]
    names = dict.fromkeys(name for table in tables for name in table)
    return {
        name: [None if name not in table else table[name].fired_stops for table in tables]
        for name in names
    }


def patch_runs(records: Sequence[Record]) -> dict[str, list[float | None]]:
    """Return each patch's zone over frames, None where it wasn't seen."""
    tables = [record.patches for record in records]
    names = dict.fromkeys(name for table in tables for name in table)
    return {
        name: [None if name not in table else table[name].zone for table in tables]
        for name in names
    }


def draw_runs(runs: Runs, records: Sequence[Record], *, unit: str) -> bytes | None:
    """Return a chart of runs as a PNG; None where fewer than two frames show any.

    Parameters
    ----------
    runs
        A figure a frame for each name, None where it wasn't seen.
    records
        The frames, for where takes begin.
    unit
        What stands along the figures.
    """
    seen = {
        name: values
        for name, values in runs.items()
        if sum(value is not None for value in values) > 1
    }
    if not seen:
        return None
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.06, 0.15, 0.80, 0.81))
    _draw(axes, seen)
    _mark_takes(axes, records)
    axes.set_ylabel(unit, fontsize=9, color=LIGHT.quiet)
    drawn = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        figure.savefig(drawn, format="png", dpi=_DPI)
    return drawn.getvalue()


def _draw(axes: Axes, runs: Runs) -> None:
    for place, (name, values) in enumerate(runs.items()):
        colour = _COLOURS[place % len(_COLOURS)]
        style = _STYLES[place // len(_COLOURS) % len(_STYLES)]
        heights = [float("nan") if value is None else value for value in values]
        axes.plot(
            heights, style, color=colour, linewidth=1.2, marker="o", markersize=2.4, label=name
        )
    low, high = axes.get_ylim()
    high = max(high, low + 1.0)  # a run without a change stays a level line
    axes.set_ylim(low, high)
    last = {
        name: next(value for value in reversed(values) if value is not None)
        for name, values in runs.items()
    }
    count = max(len(values) for values in runs.values())
    axes.set_xlim(-0.5, count - 0.5)
    foot = low
    for name in sorted(last, key=lambda one: last[one]):
        foot = max(foot, last[name])
        place = list(runs).index(name)
        axes.annotate(
            shown(name),
            (count - 0.5, foot),
            (5, 0),
            textcoords="offset points",
            annotation_clip=False,
            color=_COLOURS[place % len(_COLOURS)],
            fontsize=8,
            va="center",
        ).set_parse_math(False)
        foot += _APART * (high - low)
    axes.grid(axis="y", color=LIGHT.hair, linewidth=0.6)
    axes.tick_params(labelsize=8, colors=LIGHT.quiet, length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _mark_takes(axes: Axes, records: Sequence[Record]) -> None:
    """Name the frames along the foot, and part the takes by a line with their number."""
    count = len(records)
    step = max(1, -(-count // 12))  # a dozen names, so that none runs into the next
    places = range(0, count, step)
    axes.set_xticks(list(places), [shown(records[place].file)[-12:] for place in places])
    for label in axes.get_xticklabels():
        label.set_parse_math(False)
        label.set_fontsize(7)
    for place in range(1, count):
        if records[place].take != records[place - 1].take:
            axes.axvline(place - 0.5, color=LIGHT.rule, linewidth=0.8, linestyle=(0, (3, 3)))
            axes.annotate(
                f"take {records[place].take}",
                (place - 0.5, 1.0),
                (3, -8),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                fontsize=7,
                color=LIGHT.quiet,
            )
