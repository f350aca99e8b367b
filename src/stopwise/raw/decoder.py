"""The one place that calls the decoding library: bytes of a raw file -> its photosites and tags."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.raw.voice import hushed

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

AT_MOST_BYTES = 1 << 30
"""Greatest decoded picture, 512 million photosites; a header that claims more is refused."""

_MOST_PHOTOSITES_PER_BYTE = 1032
"""No packing of raw files beats deflate's bound (RFC 1951: 258 bytes from 2 bits)."""

_BYTES_PER_PHOTOSITE = 2
_STACK_LAYERS = 4
_PERIOD_CHECKED = 12
_FIRST_YEAR = 1971

Numbers = tuple[float, ...]
Rectangle = tuple[int, int, int, int]
"""Top, left, bottom, right, in photosites of the stored picture."""


@dataclass(frozen=True, slots=True)
class Area:
    """Where the visible area lies in the stored picture, in photosites."""

    top: int
    left: int
    height: int
    width: int
    stored_height: int
    stored_width: int


@dataclass(frozen=True, eq=False, slots=True)
class Part:
    """A part of the stored picture outside the visible area; its place counts from there."""

    top: int
    left: int
    levels: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Settings:
    """Camera settings as the decoder understood them; 0 or empty where it found none."""

    iso: float
    f_number: float
    shutter_s: float
    taken: str | None
    lens: str


@dataclass(frozen=True, eq=False, slots=True)
class Decoded:
    """What the decoder gave, copied out of it.

    Attributes
    ----------
    stored
        The whole stored picture, margins and all.
    mosaic
        Visible photosites, uint16 (H, W), or (H, W, planes) of full planes.
    pattern
        uint8 colour indices of one cell from the visible origin, of size 0 where the decoder's
        filters don't repeat as it says; None for full planes.
    letters
        Names of the colour indices, such as "RGBG"; one letter for a monochrome sensor.
    area
        Where the visible area lies.
    outside
        The parts of the stored picture that were asked for, or its margins.
    black, white, white_per_channel
        Raw levels, in the order of the colour indices.
    as_shot, daylight
        White balance multipliers in that order.
    rgb_xyz, color
        Its two matrices, (4, 3) XYZ to camera and (3, 4) camera to sRGB; either may be all zeros.
    flip
        Its code of the orientation.
    settings
        Exposure and lens.
    """

    stored: NDArray[np.uint16]
    mosaic: NDArray[np.uint16]
    pattern: NDArray[np.uint8] | None
    letters: str
    area: Area
    outside: tuple[Part, ...]
    black: Numbers
    white: float
    white_per_channel: Numbers | None
    as_shot: Numbers
    daylight: Numbers
    rgb_xyz: NDArray[np.float64]
    color: NDArray[np.float64]
    flip: int
    settings: Settings


def decode_bytes(
    data: bytes,
    path: Path,
    *,
    planes: int = 1,
    keep: Sequence[Rectangle] = (),
    at_most_bytes: int = AT_MOST_BYTES,
) -> Decoded:
    """Decode a raw file that lies in memory.

    Parameters
    ----------
    data
        The whole file.
    path
        Its name, for errors only.
    planes
        How many full planes the file's directory names, 1 where it doesn't say.
    keep
        Parts of the stored picture to keep in `outside`; its margins where none are named.
    at_most_bytes
        Greatest size of the decoded picture.

    Raises
    ------
    Unreadable
        If the decoder refuses the file, finds it damaged, or it claims too large a picture.
    """
    import rawpy

    fault: Exception | None = None
    opened = False
    with hushed() as heard:
        try:
            with rawpy.RawPy() as raw:
                raw.open_buffer(io.BytesIO(data))
                opened = True
                _check_claim(raw.sizes, planes, len(data), path, at_most_bytes)
                raw.unpack()
                decoded = _copy_out(raw, keep)
        except (rawpy.LibRawError, MemoryError, OSError, NotImplementedError) as error:
            fault = error
    if fault is not None:
        _refuse(fault, path, opened=opened)
    if heard:
        raise Unreadable(path, condition("damaged"), "; ".join(dict.fromkeys(heard)).lower())
    return decoded


def _check_claim(sizes: Any, planes: int, size: int, path: Path, at_most_bytes: int) -> None:
    photosites = sizes.raw_height * sizes.raw_width
    layers = 1 if planes == 1 else _STACK_LAYERS
    claim = f"{sizes.raw_width} x {sizes.raw_height} photosites"
    if photosites == 0 or sizes.height == 0 or sizes.width == 0:
        raise Unreadable(path, condition("damaged"), "its header names no photosites")
    if photosites * layers * _BYTES_PER_PHOTOSITE > at_most_bytes:
        detail = f"{claim} need more than {at_most_bytes >> 20} MB"
        raise Unreadable(path, condition("too_large"), detail)
    if photosites * planes > size * _MOST_PHOTOSITES_PER_BYTE:
        raise Unreadable(path, condition("too_large"), f"{claim} in {size} bytes")


_CONDITIONS = (
    ("LibRawFileUnsupportedError", "not_raw"),
    ("LibRawIOError", "damaged"),
    ("LibRawDataError", "damaged"),
    ("LibRawTooBigError", "too_large"),
    ("LibRawUnsufficientMemoryError", "too_large"),
    ("LibRawMemPoolOverflowError", "too_large"),
    ("MemoryError", "too_large"),
    ("NotImplementedError", "unsupported"),
)
"""Names of the decoder's errors, and of the condition that each stands for."""


def _refuse(error: Exception, path: Path, *, opened: bool) -> NoReturn:
    name = dict(_CONDITIONS).get(type(error).__name__, "decoder_failed")
    if name == "damaged" and not opened:  # too short for the decoder to tell what it is
        name = "not_raw"
    text = error.args[0] if error.args else ""
    detail = text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)
    raise Unreadable(path, condition(name), "" if name == "not_raw" else detail.lower()) from error


# --- copying out ----------------------------------------------------------------------------------


def _copy_out(raw: Any, keep: Sequence[Rectangle]) -> Decoded:
    sizes, stored = raw.sizes, np.array(raw.raw_image, order="C")
    stored.flags.writeable = False
    area = Area(
        top=sizes.top_margin,
        left=sizes.left_margin,
        height=sizes.height,
        width=sizes.width,
        stored_height=stored.shape[0],
        stored_width=stored.shape[1],
    )
    letters = raw.color_desc.decode("ascii", "replace")
    per_channel = raw.camera_white_level_per_channel
    return Decoded(
        stored=stored,
        mosaic=_visible(stored, area, raw.num_colors),
        pattern=_pattern(raw, area) if stored.ndim == 2 else None,
        letters="M" if raw.num_colors == 1 else letters,
        area=area,
        outside=tuple(_parts(stored, area, keep)),
        black=tuple(map(float, raw.black_level_per_channel)),
        white=float(raw.white_level),
        white_per_channel=tuple(map(float, per_channel)) if per_channel else None,
        as_shot=tuple(raw.camera_whitebalance),
        daylight=tuple(raw.daylight_whitebalance),
        rgb_xyz=np.asarray(raw.rgb_xyz_matrix, dtype=np.float64),
        color=np.asarray(raw.color_matrix, dtype=np.float64),
        flip=sizes.flip,
        settings=_settings(raw),
    )


def _visible(stored: NDArray[np.uint16], area: Area, colours: int) -> NDArray[np.uint16]:
    rows = slice(area.top, area.top + area.height)
    columns = slice(area.left, area.left + area.width)
    visible = stored[rows, columns]
    if stored.ndim == 3:
        visible = visible[..., : max(colours, 3)]
    mosaic = np.ascontiguousarray(visible)
    mosaic.flags.writeable = False
    return mosaic


def _pattern(raw: Any, area: Area) -> NDArray[np.uint8]:
    """Return one cell from the visible origin, its repeat checked over some cells."""
    if raw.num_colors == 1:
        return np.zeros((1, 1), dtype=np.uint8)
    try:
        period = raw.raw_pattern.shape[0]
    except NotImplementedError:  # a filter array that the binding has no shape for
        return np.zeros((0, 0), dtype=np.uint8)
    side = max(2 * period, _PERIOD_CHECKED)
    indices = [
        [raw.raw_color(area.top + row, area.left + column) for column in range(side)]
        for row in range(side)
    ]
    colours = np.array(indices, dtype=np.uint8)
    cell = colours[:period, :period]
    repeats = np.pad(cell, (0, side - period), mode="wrap")
    return cell.copy() if np.array_equal(repeats, colours) else cell[:0, :0]


def _parts(stored: NDArray[np.uint16], area: Area, keep: Sequence[Rectangle]) -> list[Part]:
    bottom, right = area.top + area.height, area.left + area.width
    margins = (
        (0, 0, area.top, area.stored_width),
        (bottom, 0, area.stored_height, area.stored_width),
        (area.top, 0, bottom, area.left),
        (area.top, right, bottom, area.stored_width),
    )
    parts = []
    for top, left, end, side in keep or margins:
        levels = stored[max(top, 0) : max(end, 0), max(left, 0) : max(side, 0)]
        if levels.size and stored.ndim == 2:
            parts.append(Part(top - area.top, left - area.left, levels.copy()))
    return parts


def _settings(raw: Any) -> Settings:
    try:
        other = raw.other
    except (OverflowError, OSError, ValueError):  # a time that the system's calendar doesn't hold
        return Settings(0.0, 0.0, 0.0, None, raw.lens.model)
    taken = other.timestamp.isoformat() if other.timestamp.year >= _FIRST_YEAR else None
    numbers = (_six_digits(other.iso_speed), _six_digits(other.aperture))
    return Settings(*numbers, _six_digits(other.shutter_speed), taken, raw.lens.model)


def _six_digits(value: float) -> float:
    """Return a 32-bit float as the short decimal that it stands for; 0 where it isn't finite."""
    return float(f"{value:.6g}") if math.isfinite(value) else 0.0
