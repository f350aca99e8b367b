"""How patches and lamps ran over a shoot's frames, drawn for paper."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from stopwise.report.look import LIGHT, OKABE_ITO
from stopwise.report.ruler import spread
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from stopwise.comparison.run import Series

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


def draw_series(
    series: Mapping[str, Series], takes: Sequence[int | None], files: Sequence[str], *, unit: str
) -> bytes | None:
    """Return a chart of how things ran as a PNG; None where none is seen in two frames.

    Parameters
    ----------
    series
        Each thing's figures by its name, one a frame.
    takes, files
        Of each frame: for where takes begin, and for its name.
    unit
        What stands along the figures.
    """
    seen = {name: one.values for name, one in series.items() if one.frames > 1}
    if not seen:
        return None
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.06, 0.15, 0.80, 0.81))
    _draw(axes, seen)
    _mark_takes(axes, takes, files)
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
    heights = spread(list(last.values()), _APART * (high - low), low, high)
    for place, (name, height) in enumerate(zip(last, heights, strict=True)):
        axes.annotate(
            shown(name),
            (count - 0.5, height),
            (5, 0),
            textcoords="offset points",
            annotation_clip=False,
            color=_COLOURS[place % len(_COLOURS)],
            fontsize=8,
            va="center",
        ).set_parse_math(False)
    axes.grid(axis="y", color=LIGHT.hair, linewidth=0.6)
    axes.tick_params(labelsize=8, colors=LIGHT.quiet, length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _mark_takes(axes: Axes, takes: Sequence[int | None], files: Sequence[str]) -> None:
    """Name the frames along the foot, and part the takes by a line with their number."""
    count = len(files)
    step = max(1, -(-count // 12))  # a dozen names, so that none runs into the next
    places = range(0, count, step)
    axes.set_xticks(list(places), [shown(files[place])[-12:] for place in places])
    for label in axes.get_xticklabels():
        label.set_parse_math(False)
        label.set_fontsize(7)
    for place in range(1, count):
        if takes[place] != takes[place - 1]:
            axes.axvline(place - 0.5, color=LIGHT.rule, linewidth=0.8, linestyle=(0, (3, 3)))
            axes.annotate(
                f"take {takes[place]}",
                (place - 0.5, 1.0),
                (3, -8),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                fontsize=7,
                color=LIGHT.quiet,
            )
