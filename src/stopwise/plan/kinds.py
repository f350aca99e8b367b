"""The kinds of value a plan holds: each with its range, and text read as a person writes it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo
from pydantic_core import PydanticCustomError

from stopwise.errors import WrongUse
from stopwise.plan import readings
from stopwise.plan.materials import MATERIALS

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.spoken import Said


def _refuse(text: str) -> PydanticCustomError:
    return PydanticCustomError("plain", "{text}", {"text": text})


def _number(value: object) -> float:
    """Let numbers pass, and neither true, nor text, nor NaN, nor infinity."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        text = "Text isn't a number" if isinstance(value, str) else "This isn't a number"
        raise _refuse(f"{text}.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        text = "A plan holds finite numbers only."
        raise _refuse(text)
    return number


def _switch(value: object) -> bool:
    if isinstance(value, bool):
        return value
    text = "It is either true or false, in small letters and without quotes."
    raise _refuse(text)


def _said(read: Callable[[Said], float]) -> BeforeValidator:
    """Read numbers and text alike with one of the parsers of readings."""

    def check(value: object) -> float:
        try:
            return read(value if isinstance(value, str) else _number(value))
        except WrongUse as wrong:
            raise _refuse(str(wrong)) from None

    return BeforeValidator(check)


def _power(value: object, info: ValidationInfo) -> float:
    said = value if isinstance(value, str) else _number(value)
    try:
        return readings.read_power(said, full_ws=(info.data or {}).get("full_ws"))
    except WrongUse as wrong:
        raise _refuse(str(wrong)) from None


def _name(value: str) -> str:
    if value != value.strip() or not value.isprintable() or set(value) & set(",="):
        text = "A name has no comma, no equals sign, no line break and no space at its ends."
        raise _refuse(text)
    return value


def _note(value: str) -> str:
    if "\0" in value:
        text = "Text has no NUL sign."
        raise _refuse(text)
    return value


def _file(value: str) -> str:
    if not value.strip() or not value.isprintable():
        text = "A file's name is one line of text that isn't empty."
        raise _refuse(text)
    return value


def _material(value: str) -> str:
    if value not in MATERIALS:
        text = f"The materials are {', '.join(MATERIALS)}."
        raise PydanticCustomError(
            "literal_error", "{text}", {"text": text, "expected": tuple(MATERIALS)}
        )
    return value


def _box(value: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = value
    if x0 < x1 and y0 < y1:
        return value
    sides = [f"{a} {low:g} isn't below {b} {high:g}" for a, low, b, high in
             (("x0", x0, "x1", x1), ("y0", y0, "y1", y1)) if low >= high]  # fmt: skip
    right = [min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)]
    ends = f" Write {right}, left to right and top to bottom." if x0 != x1 and y0 != y1 else ""
    text = f"The box is inside out: {' and '.join(sides)}.{ends}"
    raise _refuse(text)


def _range(value: tuple[float, float]) -> tuple[float, float]:
    if value[0] < value[1]:
        return value
    text = "The least power comes first, the greatest second."
    raise _refuse(text)


def _balance(value: Any) -> Any:
    if value in ("daylight", "as shot"):
        return value
    if not isinstance(value, str) and isinstance(value, list | tuple) and len(value) == 3:
        numbers = tuple(_number(part) for part in value)
        if all(number > 0.0 for number in numbers):
            return numbers
    text = 'It is "daylight", "as shot", or three multipliers above 0 for R, G and B.'
    raise _refuse(text)


Number = BeforeValidator(_number)
Fraction = Annotated[float, Number, Field(ge=0.0, le=1.0)]
Stops = Annotated[float, Number, Field(ge=-20.0, le=20.0)]
Tolerance = Annotated[float, Number, Field(ge=0.0, le=20.0)]
Positive = Annotated[float, Number, Field(gt=0.0, le=1e9)]
ZoneTarget = Annotated[float, Number, Field(ge=-5.0, le=12.0)]
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
Power = Annotated[float, BeforeValidator(_power)]
PowerRange = Annotated[tuple[Power, Power], AfterValidator(_range)]
Switch = Annotated[bool, BeforeValidator(_switch)]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_name)]
Note = Annotated[str, Field(max_length=500), AfterValidator(_note)]
FileName = Annotated[str, Field(max_length=1000), AfterValidator(_file)]
MaterialName = Annotated[str, AfterValidator(_material)]
Box = Annotated[tuple[Fraction, Fraction, Fraction, Fraction], AfterValidator(_box)]
Balance = Annotated[
    Literal["daylight", "as shot"] | tuple[float, float, float], BeforeValidator(_balance)
]
Role = Literal["key", "fill", "hair", "rim", "kicker", "edge", "background", "other"]
