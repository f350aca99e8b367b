"""A sheet of paper in pixels: text, lines, marks and pictures drawn where they are asked for."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate
from typing import TYPE_CHECKING, Any, Literal

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.patheffects import Stroke

from stopwise.report.look import DARK, STATE_MARKS, colour_of
from stopwise.wording import CUT, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import numpy as np
    from matplotlib.artist import Artist
    from numpy.typing import NDArray

    from stopwise.findings import State
    from stopwise.frame import Box
    from stopwise.report.look import Mark

FAMILY = "DejaVu Sans"
"""Comes with matplotlib, so that a slip looks the same everywhere."""

WIDTH, HEIGHT = 1600, 1200
"""Pixels of a slip."""

MARGIN = 48
"""Pixels left free round a slip, 3 % of its width."""

BODY_TOP = 232
"""Pixel row under the headline."""

HEADLINE_SIZE = 0.047 * WIDTH
"""Height of the headline's type: 4.7 % of the width, as on the page."""

TALL = 1.05
"""Pictures narrower than this many times their height stand beside all else."""

INK = "#0B0C0E"
"""Behind writing on a picture, and round lines on it."""

_DPI = 100  # pixels an inch: any number
_POINTS = 72.0 / _DPI
"""Points a pixel: matplotlib counts type in them."""

_COMPRESSION = 3
"""zlib's level: a third of the time of the default for a tenth more bytes."""

_FONTS_TRIED = 200
"""Fonts of a machine that are asked for a letter that ours lacks; chosen."""

_MISSING = "□"
_GLUED = "\0"
"""Stands for the space before a percent sign while lines are broken."""


_MARKERS: dict[str, tuple[str, Literal["full", "left", "none"]]] = {
    "disc": ("o", "full"),
    "half disc": ("o", "left"),
    "diamond": ("D", "full"),
    "ring": ("o", "none"),
    "square": ("s", "none"),
    "cross": ("x", "full"),
}
"""How each mark's shape is drawn: the outline, and what of it is filled."""


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

    def shared(self, other: Area) -> float:
        """Return how many square pixels lie in both."""
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(across, 0.0) * max(down, 0.0)

    def fitted(self, aspect: float) -> Area:
        """Return the largest area of that aspect that fits, at the top left."""
        width = min(self.width, self.height * aspect)
        height = min(self.height, width / aspect)
        return Area(self.left, self.top, self.left + width, self.top + height)

    def part(self, box: Box) -> Area:
        """Return the part that a box of fractions takes."""
        x0, y0, x1, y1 = box
        x = [self.left + side * self.width for side in (x0, x1)]
        y = [self.top + side * self.height for side in (y0, y1)]
        return Area(x[0], y[0], x[1], y[1])

    def pixels(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points of fractions, x and y, shape (n, 2), in pixels of the sheet."""
        placed: NDArray[np.float64] = points * (self.width, self.height) + (self.left, self.top)
        return placed

    def holds(self, other: Area) -> bool:
        """Tell whether `other` lies wholly inside."""
        return (
            self.left <= other.left
            and self.top <= other.top
            and other.right <= self.right
            and other.bottom <= self.bottom
        )


MOST_LABELS = 14
"""Lines that are labelled: more would hide the picture."""

_NEAR = 3.0
"""Pixels between two labels under which they read as one."""

_AWAY = (8.0, 30.0, 60.0, 100.0, 150.0)
"""Pixels from what a label names, tried in turn."""

_ALONG = (0.5, 0.3, 0.7, 0.15, 0.85)
"""Parts of a line's length at which its label is tried."""


@dataclass(slots=True)
class Labels:
    """A picture's area, and what of it no label may lie over."""

    area: Area
    taken: list[Area] = field(default_factory=list)

    def label(self, beside: Area, width: float, height: float) -> Area:
        """Take and return a place for a label of that size beside something.

        Right, left, above and below are tried in turn, then the same further away; where all is
        taken, the place inside serves that covers least.
        """
        tried = list(_places(beside, width, height))
        inside = [place for place in tried if self.area.holds(place)]
        free = (place for place in inside if self._is_free(place, _NEAR))
        chosen = next(free, None) or min(inside or [self._pushed(tried[0])], key=self._covered)
        self.taken.append(chosen)
        return chosen

    def on_line(self, line: NDArray[np.float64], width: float, height: float) -> Area | None:
        """Take and return a place on a line (n, 2) in pixels; None where none is free."""
        for part in _ALONG:
            x, y = line[int(part * (len(line) - 1))]
            place = Area(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if self.area.holds(place) and self._is_free(place, 0.0):
                self.taken.append(place)
                return place
        return None

    def _is_free(self, place: Area, gap: float) -> bool:
        wide = Area(place.left - gap, place.top - gap, place.right + gap, place.bottom + gap)
        return not any(wide.meets(area) for area in self.taken)

    def _covered(self, place: Area) -> float:
        """Return how many square pixels of what is taken a place would cover."""
        return sum(place.shared(area) for area in self.taken)

    def _pushed(self, place: Area) -> Area:
        """Return a place moved into the area, its top left corner first."""
        left = max(min(place.left, self.area.right - place.width), self.area.left)
        top = max(min(place.top, self.area.bottom - place.height), self.area.top)
        return Area(left, top, left + place.width, top + place.height)


def _places(beside: Area, width: float, height: float) -> Iterator[Area]:
    middle = (beside.top + beside.bottom - height) / 2
    centre = (beside.left + beside.right - width) / 2
    for away in _AWAY:
        right, left = beside.right + away, beside.left - away - width
        above, below = beside.top - away - height, beside.bottom + away
        for x, y in (
            *((right, middle), (left, middle), (centre, above), (centre, below)),
            *((right, above), (right, below), (left, above), (left, below)),
        ):
            yield Area(x, y, x + width, y + height)


class Sheet:
    """A figure of 1600 x 1200 pixels with one set of axes, in pixels from the top left corner."""

    def __init__(self) -> None:
        width, height = WIDTH, HEIGHT
        self.figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=DARK.ground)
        self.canvas = FigureCanvasAgg(self.figure)
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_axis_off()
        self.axes.set_xlim(0.0, width)
        self.axes.set_ylim(height, 0.0)
        self.axes.set_autoscale_on(False)
        self._widths: dict[tuple[str, float, str], float] = {}
        self._renderer: Any = self.canvas.get_renderer()  # type: ignore[no-untyped-call]

    def png(self, texts: Mapping[str, str] | None = None) -> bytes:
        """Return the sheet as a PNG file that holds these texts, without the time it was made."""
        target = io.BytesIO()
        self.figure.savefig(
            target,
            format="png",
            dpi=_DPI,
            metadata={"Software": "stopwise", **(texts or {})},
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
        families, words = _families(shown(words))
        text = self.axes.text(
            *at,
            left_to_right(words),
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

    def cut(
        self, words: str, size: float, room: float, *, weight: str = "normal", head: bool = False
    ) -> str:
        """Return `words`, cut behind with an ellipsis until `room` pixels hold them.

        With `head` they are cut in front, where their end says most.
        """
        words = shown(words)
        if head:
            return self.cut(words[::-1], size, room, weight=weight)[::-1]
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
        marker, filled = _MARKERS[mark.shape]
        scale = 0.78 if mark.shape == "diamond" else 0.9
        line = Line2D(
            [at[0]],
            [at[1]],
            linestyle="none",
            markersize=size * scale * _POINTS,
            markeredgewidth=max(size * 0.13, 1.5) * _POINTS,
            markerfacecoloralt=DARK.ground,
            color=colour,
            marker=marker,
            fillstyle=filled,
            **style,
        )
        self.axes.add_line(line)
        return line

    def picture(self, image: NDArray[np.uint8], area: Area) -> None:
        """Draw an sRGB picture (h, w, 3) over an area, under all else."""
        extent = (area.left, area.right, area.bottom, area.top)
        self.axes.imshow(image, extent=extent, aspect="auto", zorder=0).set_gid("picture")
        self.axes.set_xlim(0.0, WIDTH)
        self.axes.set_ylim(HEIGHT, 0.0)

    def lines(self, lines: Sequence[NDArray[np.float64]], *, gid: str, **style: Any) -> None:
        """Draw many lines, each (n, 2) in pixels, as one artist."""
        drawn = LineCollection(list(lines), **style)
        drawn.set_gid(gid)
        self.axes.add_collection(drawn, autolim=False)

    def labelled(
        self,
        room: Labels,
        lines: Sequence[tuple[NDArray[np.float64], str]],
        size: float,
        *,
        ground: tuple[str, float],
        ink: str = "#FFFFFF",
        **style: Any,
    ) -> None:
        """Draw lines, and write on the longest of them what each stands for, where there is room.

        Parameters
        ----------
        room
            The picture's; labels take their places in it.
        lines
            Points (n, 2) in pixels, and the words.
        size
            Height of the type.
        ground, ink
            Colour and opacity behind the words, and the words' colour.
        style
            Further properties of the lines, with their gid.
        """
        self.lines([line for line, _ in lines], **style)
        above = style["zorder"] + 1
        for line, words in sorted(lines, key=lambda one: -len(one[0]))[:MOST_LABELS]:
            place = room.on_line(line, self.text_width(words, size) + 7, size + 4)
            if place is not None:
                self.fill(place, ground[0], alpha=ground[1], zorder=above)
                at = ((place.left + place.right) / 2, place.bottom - 5)
                self.text(at, words, size, color=ink, ha="center", zorder=above + 1)

    def dots(self, points: NDArray[np.float64], size: float, colour: str, **style: Any) -> None:
        """Draw dots at points (n, 2) in pixels."""
        style = {"linestyle": "none", "marker": "o", "markeredgewidth": 0.0, **style}
        self.axes.plot(*points.T, markersize=size, color=colour, **style)

    def headline(self, lines: tuple[str, str], mark: Mark | None = None) -> None:
        """Write two lines over the sheet's head, smaller where one would not fit."""
        start = MARGIN + (HEADLINE_SIZE * 0.98 if mark else 0.0)
        if mark:
            self.mark(
                (MARGIN + HEADLINE_SIZE * 0.36, 78), mark, HEADLINE_SIZE * 0.68, gid="verdict"
            )
        colours = (DARK.text, DARK.quiet)
        for line, baseline, colour in zip(lines, (104, 190), colours, strict=True):
            room = WIDTH - MARGIN - start
            size = HEADLINE_SIZE * min(1.0, room / max(self.text_width(line, HEADLINE_SIZE), 1.0))
            self.text((start, baseline), line, size, color=colour, gid="headline")

    def told(
        self, area: Area, told: Sequence[ListEntry], size: float, *, columns: int = 1, rest: str
    ) -> None:
        """List what is said, each with the mark of its state, column by column.

        Parameters
        ----------
        area
            Where it stands.
        told
            What is said, in order.
        size
            Height of the type.
        columns
            How many columns it may fill.
        rest
            Written last where not all has room.
        """
        width, step = area.width / columns, int(1.5 * size)
        deep = max(1, int(area.height // step))
        entries = [list(self._wrapped(said, size, width - 50))[:deep] for said in told]
        place, most = 0, columns * deep
        for left, rows in zip(range(len(entries) - 1, -1, -1), entries, strict=True):
            # what is said of one thing stands in one column, and the last row is kept for the rest
            start = place if place % deep + len(rows) <= deep else place + deep - place % deep
            has_room = start + len(rows) <= most - (left > 0)
            told_now = rows if has_room else [(None, rest, DARK.quiet)]
            for at, (state, words, colour) in enumerate(told_now, start if has_room else place):
                x, y = area.left + (at // deep) * width, area.top + step * (1 + at % deep)
                if state:
                    self.mark((x + 8, y - 6), STATE_MARKS[state], 14)
                self.text((x + 26, y), words, size, color=colour, gid="finding")
            if not has_room:
                return
            place = start + len(rows)

    def _wrapped(
        self, said: ListEntry, size: float, room: float
    ) -> Iterator[tuple[State | None, str, str]]:
        colour = DARK.text if said.state == "fails" else DARK.quiet
        told = [words for words in said.words if words]
        lines = [line for words in told for line in self.wrapped(words, size, room, lines=4)]
        for place, line in enumerate(lines):
            yield (None if place else said.state), line, colour


@dataclass(frozen=True, slots=True)
class ListEntry:
    """Sentences that stand together in a list, with the state they tell of; empty ones go."""

    state: State | None
    words: tuple[str, ...]


_LETTERS = r"[\u0590-\u08FF\uFB1D-\uFDFF\uFE70-\uFEFC\U00010800-\U00010FFF\U0001E800-\U0001EFFF]+"
_RIGHT_TO_LEFT = re.compile(rf"{_LETTERS}(?:\s+{_LETTERS})*")
"""Words of the blocks that Unicode sets aside for scripts from right to left (UAX #9, from memory
of its default classes)."""

_LEFT_TO_RIGHT = "\u200e"


def left_to_right(words: str) -> str:
    """Return a line that runs from left to right though names in it run the other way.

    Without marks of ours a name in Hebrew or Arabic would draw the figures behind it to its other
    side and turn the whole line (UAX #9, rules P2, W2 and N1).
    """
    if not _RIGHT_TO_LEFT.search(words):
        return words
    return _LEFT_TO_RIGHT + _RIGHT_TO_LEFT.sub(rf"\g<0>{_LEFT_TO_RIGHT}", words)


def haloed(width: float) -> list[Any]:
    """Return what lets a line of some points' width stand off any picture."""
    return [Stroke(linewidth=width + 1.4, foreground=INK, alpha=0.5), Stroke()]


@lru_cache(maxsize=512)
def _families(words: str) -> tuple[tuple[str, ...], str]:
    """Return the families that write `words`, and the words with what no font has replaced."""
    families, written = [FAMILY], []
    for sign in words:
        family = FAMILY if _has(findfont(FAMILY), sign) else _installed_with(sign)[0]
        written.append(sign if family else _MISSING)
        if family and family not in families:
            families.append(family)
    return tuple(families), "".join(written)


@lru_cache(maxsize=4096)
def _has(path: str, sign: str) -> bool:
    return bool(get_font(path).get_char_index(ord(sign)))


def font_with(sign: str) -> str | None:
    """Return the file of a font that has a sign, our own before any other; None where none has."""
    own = findfont(FAMILY)
    return own if _has(own, sign) else _installed_with(sign)[1]


@lru_cache(maxsize=1024)
def _installed_with(sign: str) -> tuple[str, str] | tuple[None, None]:
    """Return family and file of an installed font that has a sign, None twice without one."""
    return next((font for font in _installed() if _has(font[1], sign)), (None, None))


def _installed() -> Iterator[tuple[str, str]]:
    for entry in fontManager.ttflist[:_FONTS_TRIED]:
        if "LastResort" not in entry.fname and "Last Resort" not in entry.name:
            yield entry.name, entry.fname
