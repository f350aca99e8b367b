"""The kinds of value a plan holds, the materials of patches, and how much there may be of all.

How much is all our own choice: far above what a shoot needs, and so low that any file is read or
refused within a second on a slow machine (`tests/plan/test_bounds.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, WrapValidator
from pydantic_core import PydanticCustomError

from stopwise.errors import WrongUse
from stopwise.plan import readings

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

OPEN = "open"
"""What stands for a target zone that is still to be adopted."""


@dataclass(frozen=True, slots=True)
class TwoFrames:
    """Two frames whose difference is a lamp's own light: with it lit, and as before it came on."""

    frame: str
    less: str


def refused(text: str, *, tells_right: bool = False) -> PydanticCustomError:
    """Return the refusal of a value: what a person reads, and whether it says what is right."""
    return PydanticCustomError("plain", "{text}", {"text": text, "tells_right": tells_right})


def _number(value: object) -> float:
    """Let numbers pass, and neither true, nor text, nor NaN, nor infinity."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refused(f"{'Text' if isinstance(value, str) else 'This'} isn't a number.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        text = "A plan holds finite numbers only."
        raise refused(text)
    return number


def _said(
    read: Callable[..., float], *, beside: tuple[str, ...] = (), is_text: bool = False
) -> BeforeValidator:
    """Read values with one of the parsers of readings: numbers and text alike, or only text.

    Keys `beside` it, above it in the model, are handed to the parser by their names.
    """

    def check(value: object, info: ValidationInfo) -> float:
        said = value if isinstance(value, str) else _number(value)
        if is_text and not isinstance(said, str):
            return said
        try:
            return read(said, **{key: (info.data or {}).get(key) for key in beside})
        except WrongUse as wrong:
            raise refused(str(wrong), tells_right=True) from None

    return BeforeValidator(check)


def _holds(is_right: Callable[[Any], bool], text: str) -> AfterValidator:
    """Refuse a value for which a test doesn't hold, with what would be right."""

    def check(value: Any) -> Any:
        if not is_right(value):
            raise refused(text)
        return value

    return AfterValidator(check)


def _switch(value: object) -> object:
    if not isinstance(value, bool):
        text = "It is either true or false, in small letters and without quotes."
        raise refused(text)
    return value


def _box(value: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = value
    if x0 < x1 and y0 < y1:
        return value
    sides = [f"{a} {low:g} isn't below {b} {high:g}" for a, low, b, high in
             (("x0", x0, "x1", x1), ("y0", y0, "y1", y1)) if low >= high]  # fmt: skip
    right = [min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)]
    ends = f" Write {right}, left to right and top to bottom." if x0 != x1 and y0 != y1 else ""
    raise refused(f"The box is inside out: {' and '.join(sides)}.{ends}", tells_right=bool(ends))


def _zone_or_open(value: object, read: Callable[[object], float]) -> object:
    return OPEN if value == OPEN else read(value)


def _file_or_difference(value: object, read: Callable[[object], str]) -> str | TwoFrames:
    if not isinstance(value, dict):
        return read(value)
    if set(value) != {"frame", "less"}:
        text = (
            "A lamp's own light out of two frames is what one shows over the other: write "
            '{frame = "F0005.dng", less = "F0004.dng"}.'
        )
        raise refused(text, tells_right=True)
    frame, less = read(value["frame"]), read(value["less"])
    if frame == less:
        text = "A frame less itself shows no lamp: less is the frame before the lamp came on."
        raise refused(text, tells_right=True)
    return TwoFrames(frame, less)


def _balance(value: Any) -> Any:
    if value in ("daylight", "as shot"):
        return value
    numbers = tuple(map(_number, value)) if isinstance(value, list | tuple) else ()
    if len(numbers) != 3 or min(numbers) <= 0.0:
        text = 'It is "daylight", "as shot", or three multipliers above 0 for R, G and B.'
        raise refused(text)
    return numbers


# Ranges are wider than any studio needs: what lies outside is a slip of the pen or another unit.
Number = BeforeValidator(_number)
_Stops = _said(readings.read_stops, is_text=True)
Fraction = Annotated[float, Number, Field(ge=0.0, le=1.0)]
Stops = Annotated[float, _Stops, Field(ge=-20.0, le=20.0)]
ThreeStops = tuple[Stops, Stops, Stops]
Tolerance = Annotated[float, _Stops, Field(ge=0.0, le=20.0)]
Positive = Annotated[float, Number, Field(gt=0.0, le=1e9)]
Scatter = Annotated[float, Number, Field(ge=0.0, le=1e9)]
ZoneTarget = Annotated[float, _Stops, Field(ge=-5.0, le=12.0)]
if TYPE_CHECKING:
    ZoneOrOpen = float | Literal["open"]
else:
    ZoneOrOpen = Annotated[ZoneTarget, WrapValidator(_zone_or_open)]
MidGrey = Annotated[float, Number, Field(gt=0.0, lt=1.0)]
Millimetres = Annotated[float, Number, Field(ge=1.0, le=3000.0)]
TopFigure = Annotated[float, Number, Field(ge=1.0, le=100.0)]
WattSeconds = Annotated[float, Number, Field(gt=0.0, le=100000.0)]
ExposureValue = Annotated[float, Number, Field(ge=-10.0, le=25.0)]
FNumber = Annotated[float, _said(readings.read_f_number)]
Shutter = Annotated[float, _said(readings.read_shutter)]
Iso = Annotated[float, _said(readings.read_iso)]
Length = Annotated[float, _said(readings.read_length)]
OffAxis = Annotated[float, _said(readings.read_angle)]
Elevation = Annotated[float, _said(readings.read_elevation)]
Step = Annotated[float, _said(readings.read_stops), Field(gt=0.0, le=2.0)]
Power = Annotated[float, _said(readings.read_power, beside=("full_ws",))]
PowerRange = Annotated[
    tuple[Power, Power],
    _holds(lambda ends: ends[0] < ends[1], "The least power comes first, the greatest second."),
]
Switch = Annotated[bool, BeforeValidator(_switch)]
Name = Annotated[
    str,
    Field(min_length=1, max_length=80),
    _holds(
        lambda name: name == name.strip() and name.isprintable() and not set(name) & set(",="),
        "A name has no comma, no equals sign, no line break and no space at its ends.",
    ),
]
Note = Annotated[
    str, Field(max_length=500), _holds(lambda text: "\0" not in text, "Text has no NUL sign.")
]
FileName = Annotated[
    str,
    Field(max_length=1000),
    _holds(
        lambda name: bool(name.strip()) and name.isprintable(),
        "A file's name is one line of text that isn't empty.",
    ),
]
if TYPE_CHECKING:
    SoloFrames = str | TwoFrames
else:
    SoloFrames = Annotated[FileName, WrapValidator(_file_or_difference)]
Box = Annotated[tuple[Fraction, Fraction, Fraction, Fraction], AfterValidator(_box)]
Balance = Annotated[
    Literal["daylight", "as shot"] | tuple[float, float, float], BeforeValidator(_balance)
]
Role = Literal["key", "fill", "hair", "rim", "kicker", "edge", "background", "other"]


MOST_BYTES = 1 << 17
"""In the file: twenty looks of ten patches, each with every key and a comment, have 100 KB."""

MOST_DEPTH = 8
"""Of names with dots between them, and of brackets in brackets; a plan's own go three deep."""

MOST_LAMPS = 60
"""And so solos and white cards, and lamps that light one patch; a large set has twenty."""

MOST_PATCHES = 60
"""In the plan, and in each look; also ratios, separations, panels and places that may clip. With as
many that are followed, each the whole frame, and five lamps, a frame took 6 to 28 s of a processor;
200 took more than the 30 s that a file has. A look of twenty is a large one (common practice)."""

MOST_LOOKS = 100
"""A day of clothes has twenty."""

MOST_BOXES = 100
"""Of the backdrop; it needs two."""

MOST_TOLD = 20
"""Mistakes that are told at once: whoever has more, mends these first."""


@dataclass(frozen=True, slots=True)
class Material:
    """One row of the table: defaults in stops and fractions (common practice, from memory).

    Attributes
    ----------
    over, under
        Stops above and below the target zone that still hold; None where it isn't judged.
    headroom
        Stops that the fullest colour's 99th percentile must stay under clip; None where not judged.
    may_clip
        Greatest share of the patch in blown areas.
    zone
        Default target, None where it must be stated (skin has none, ever).
    blocked
        Greatest blocked share; None where not judged.
    snr
        Least signal to noise ratio; None where not judged.
    read_at
        Percentile of Y that its zone is read at.
    must_see
        Whether there is no verdict without it: a picture of a person is about the skin.
    shine
        Stops that its 99th percentile may lie above its median before it counts as shine.
    """

    over: float | None = 0.3
    under: float | None = 0.3
    headroom: float | None = None
    may_clip: float = 0.0
    zone: float | None = None
    blocked: float | None = None
    snr: float | None = None
    read_at: float = 50.0
    shine: float | None = None
    must_see: bool = False


MATERIALS: Mapping[str, Material] = MappingProxyType(
    {
        "skin": Material(
            over=0.2, under=0.3, headroom=0.5, may_clip=0.0005, shine=1.0, must_see=True
        ),
        "white cloth": Material(over=0.15, under=0.4, headroom=0.3, may_clip=0.001, zone=7.0),
        "hair": Material(over=0.3, under=0.5, headroom=0.0, may_clip=0.01, read_at=90.0),
        "black cloth": Material(over=0.5, under=0.5, zone=2.2, blocked=0.3, snr=10.0),
        "metal": Material(over=None, under=None, may_clip=1.0),
        "paper": Material(over=0.2, under=0.2),
    }
)
"""The table, by the name that a plan uses."""

PLAIN = Material()
"""What holds for a patch without a material, and where a row leaves a tolerance open."""
