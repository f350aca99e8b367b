"""A sheet of paper in pixels: text, lines and marks drawn where they are asked for."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from stopwise.report.look import DARK, colour_of
from stopwise.wording import CUT, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.artist import Artist

    from stopwise.report.look import Mark

FAMILY = "DejaVu Sans"
"""Comes with matplotlib, so that a slip looks the same everywhere."""

_DPI = 100
_POINTS = 72.0 / _DPI
_COMPRESSION = 3
"""zlib's level: a third of the time of the default for a tenth more bytes."""

_FONTS_TRIED = 200
_MISSING = "□"
_GLUED = "\0"
"""Stands for the space before a percent sign while lines are broken."""


_MARKERS: dict[str, dict[str, Any]] = {
    "disc": {"marker": "o"},
    "half disc": {"marker": "o", "fillstyle": "left"},
    "diamond": {"marker": "D"},
    "ring": {"marker": "o", "fillstyle": "none"},
    "square": {"marker": "s", "fillstyle": "none"},
    "cross": {"marker": "x"},
}
"""How each mark's shape is drawn."""


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of the sheet in pixels, y downwards."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """Pixels across."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Pixels down."""
        return self.bottom - self.top

    def meets(self, other: Area) -> bool:
        """Tell whether the two share any place."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def holds(self, other: Area) -> bool:
        """Tell whether `other` lies wholly inside."""
        return (
            self.left <= other.left
            and self.top <= other.top
            and other.right <= self.right
            and other.bottom <= self.bottom
        )


class Sheet:
    """A figure with one set of axes that covers it, in pixels from the top left corner.

    Parameters
    ----------
    width, height
        Pixels.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=DARK.ground)
        self.canvas = FigureCanvasAgg(self.figure)
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_axis_off()
        self.axes.set_xlim(0.0, width)
        self.axes.set_ylim(height, 0.0)
        self.axes.set_autoscale_on(False)
        self._widths: dict[tuple[str, float, str], float] = {}
        self._renderer: Any = self.canvas.get_renderer()  # type: ignore[no-untyped-call]

    def png(self) -> bytes:
        """Return the sheet as a PNG file, without the time it was made."""
        target = io.BytesIO()
        self.figure.savefig(
            target,
            format="png",
            dpi=_DPI,
            metadata={"Software": "stopwise"},
            pil_kwargs={"compress_level": _COMPRESSION},
        )
        return target.getvalue()

    def text(self, at: tuple[float, float], words: str, size: float, **style: Any) -> Artist:
        """Write `words` as they are, never as markup, with the baseline's left end at `at`.

        Parameters
        ----------
        at
            x and y in pixels.
        words
            Anything; what can't be printed is spelled out.
        size
            Height of the type in pixels.
        style
            Further properties of a text: color, ha, va, weight, gid.
        """
        words = shown(words)
        families, words = _families(words)
        text = self.axes.text(
            *at,
            words,
            fontsize=size * _POINTS,
            fontfamily=list(families),
            **{"color": DARK.text, "va": "baseline", **style},
        )
        text.set_parse_math(False)
        return text

    def text_width(self, words: str, size: float, *, weight: str = "normal") -> float:
        """Return how many pixels `words` take."""
        key = (words, size, weight)
        if key not in self._widths:
            families, words = _families(shown(words))
            font = FontProperties(family=list(families), size=size * _POINTS, weight=weight)
            measure = self._renderer.get_text_width_height_descent
            self._widths[key] = float(measure(words, font, ismath=False)[0])
        return self._widths[key]

    def cut(self, words: str, size: float, room: float, *, weight: str = "normal") -> str:
        """Return `words`, cut behind with an ellipsis until they fit into `room` pixels."""
        words = shown(words)
        if self.text_width(words, size, weight=weight) <= room:
            return words
        low, high = 0, len(words)
        while high - low > 1:
            kept = (low + high) // 2
            fits = self.text_width(words[:kept].rstrip() + CUT, size, weight=weight) <= room
            low, high = (kept, high) if fits else (low, kept)
        return words[:low].rstrip() + CUT

    def wrapped(self, words: str, size: float, room: float, *, lines: int = 2) -> list[str]:
        """Return `words` broken between words into at most `lines` lines of `room` pixels."""
        rows: list[str] = []
        rest = shown(words).replace(" %", _GLUED).split(" ")
        rest = [word.replace(_GLUED, " %") for word in rest]
        space = self.text_width(" ", size)
        while rest and len(rows) < lines - 1:
            ends = accumulate(self.text_width(word, size) + space for word in rest)
            taken = max(1, sum(end - space <= room for end in ends))
            rows.append(self.cut(" ".join(rest[:taken]), size, room))
            rest = rest[taken:]
        return [*rows, self.cut(" ".join(rest), size, room)] if rest else rows

    def line(
        self, points: Sequence[tuple[float, float]], colour: str, width: float, **style: Any
    ) -> Line2D:
        """Draw a line through points in pixels, `width` pixels wide."""
        x, y = zip(*points, strict=True)
        style = {"solid_capstyle": "butt", "solid_joinstyle": "miter", **style}
        line = Line2D(x, y, color=colour, linewidth=width * _POINTS, **style)
        self.axes.add_line(line)
        return line

    def fill(self, area: Area, colour: str, **style: Any) -> Rectangle:
        """Fill a rectangle."""
        patch = Rectangle((area.left, area.top), area.width, area.height, **style)
        patch.set(facecolor=colour, linewidth=style.get("linewidth", 0.0))
        self.axes.add_patch(patch)
        return patch

    def mark(self, at: tuple[float, float], mark: Mark, size: float, **style: Any) -> Line2D:
        """Draw a state's mark about `size` pixels high around `at`."""
        colour = colour_of(mark, DARK)
        scale = 0.78 if mark.shape == "diamond" else 0.9
        line = Line2D(
            [at[0]],
            [at[1]],
            linestyle="none",
            markersize=size * scale * _POINTS,
            markeredgewidth=max(size * 0.13, 1.5) * _POINTS,
            markerfacecoloralt=DARK.ground,
            color=colour,
            **_MARKERS[mark.shape],
            **style,
        )
        self.axes.add_line(line)
        return line


@lru_cache(maxsize=512)
def _families(words: str) -> tuple[tuple[str, ...], str]:
    """Return the families that write `words`, and the words with what no font has replaced."""
    families, written = [FAMILY], []
    for sign in words:
        family = FAMILY if _has(findfont(FAMILY), sign) else _family_with(sign)
        written.append(sign if family else _MISSING)
        if family and family not in families:
            families.append(family)
    return tuple(families), "".join(written)


@lru_cache(maxsize=4096)
def _has(path: str, sign: str) -> bool:
    return bool(get_font(path).get_char_index(ord(sign)))


@lru_cache(maxsize=1024)
def _family_with(sign: str) -> str | None:
    """Return an installed family that has a sign, or None."""
    return next((name for name, path in _installed() if _has(path, sign)), None)


def _installed() -> Iterator[tuple[str, str]]:
    for entry in fontManager.ttflist[:_FONTS_TRIED]:
        if "LastResort" not in entry.fname and "Last Resort" not in entry.name:
            yield entry.name, entry.fname
