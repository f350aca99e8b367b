"""The one place that calls the decoding library: bytes of a raw file -> its photosites and tags.

What the library prints on the standard error it also raises: of 12 000 damaged files, with
its versions 0.21 and 0.22, none was told of in print alone. While a file is decoded that stream is
turned into a temporary file; the library's own lines are dropped, all others passed on.
"""

from __future__ import annotations

import ctypes
import io
import math
import os
import sys
import tempfile
import threading
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.frame import Exposure
from stopwise.raw.bounds import MOST_BYTES, MOST_PHOTOSITES_PER_BYTE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_LEVEL_BYTES = 2  # of each photosite, as the library gives them
_STACK_LAYERS = 4
"""Planes that the library keeps of a stack, however many the file has."""

_PERIOD_CHECKED = 12
"""Photosites over which a cell's repeat is checked: twice the longest in use, 6."""

FIRST_YEAR = 1971
"""A time before is that of a clock that was never set: systems count from 1970."""

Rectangle = tuple[int, int, int, int]
"""Top, left, bottom, right, in photosites of the stored picture."""


@dataclass(frozen=True, slots=True)
class VisibleArea:
    """Where the visible area lies in the stored picture, in photosites."""

    top: int
    left: int
    height: int
    width: int
    stored_height: int
    stored_width: int

    @property
    def margins(self) -> tuple[Rectangle, ...]:
        """What of the stored picture lies above, beneath, left and right of it."""
        bottom, right = self.top + self.height, self.left + self.width
        return (
            (0, 0, self.top, self.stored_width),
            (bottom, 0, self.stored_height, self.stored_width),
            (self.top, 0, bottom, self.left),
            (self.top, right, bottom, self.stored_width),
        )


@dataclass(frozen=True, eq=False, slots=True)
class Decoded:
    """What the library gave, copied out of it.

    Attributes
    ----------
    stored
        The whole stored picture, margins and all: uint16 (H, W), or (H, W, 4) of full planes.
    mosaic
        Visible photosites, a view of it: uint16 (h, w), or (h, w, planes) of full planes.
    pattern
        uint8 colour indices of one cell from the visible origin, of size 0 where the library's
        filters don't repeat as it says; None for full planes.
    letters
        Names of the colour indices, such as "RGBG"; one letter for a monochrome sensor.
    area
        Where the visible area lies.
    black, white, white_per_channel
        Raw levels, in the order of the colour indices.
    as_shot, daylight
        White balance multipliers in that order.
    rgb_xyz, color
        Its two matrices, (4, 3) XYZ to camera and (3, 4) camera to sRGB; either may be all zeros.
    flip
        Its code of the orientation.
    exposure, lens
        As it understood them; None or empty where it found none.
    """

    stored: NDArray[np.uint16]
    mosaic: NDArray[np.uint16]
    pattern: NDArray[np.uint8] | None
    letters: str
    area: VisibleArea
    black: tuple[float, ...]
    white: float
    white_per_channel: tuple[float, ...] | None
    as_shot: tuple[float, ...]
    daylight: tuple[float, ...]
    rgb_xyz: NDArray[np.float64]
    color: NDArray[np.float64]
    flip: int
    exposure: Exposure
    lens: str


_CONDITIONS = {
    "LibRawFileUnsupportedError": "not_raw",
    "LibRawIOError": "damaged",
    "LibRawDataError": "damaged",
    "LibRawTooBigError": "too_large",
    "LibRawUnsufficientMemoryError": "too_large",
    "LibRawMemPoolOverflowError": "too_large",
    "NotImplementedError": "unsupported",
}
"""Names of the library's errors, and of the condition that each stands for."""


def decode_bytes(
    data: bytes, path: Path, *, planes: int = 1, at_most_bytes: int = MOST_BYTES
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
    at_most_bytes
        Greatest size of the decoded picture.

    Raises
    ------
    Unreadable
        If the library refuses the file, finds it damaged, or it claims too large a picture.
    """
    import rawpy

    opened = False
    with quiet():
        try:
            with rawpy.RawPy() as raw:
                raw.open_buffer(io.BytesIO(data))
                opened = True
                _check_claim(raw.sizes, planes, len(data), path, at_most_bytes)
                with _zeroed_memory():
                    raw.unpack()
                return _copied(raw)
        except (rawpy.LibRawError, MemoryError, OSError, NotImplementedError) as error:
            if isinstance(error, MemoryError):
                detail = "memory doesn't hold the picture"
                raise Unreadable(path, condition("too_large"), detail) from error
            name = _CONDITIONS.get(type(error).__name__, "decoder_failed")
            if name == "not_raw" or (name == "damaged" and not opened):
                raise Unreadable(path, condition("not_raw")) from error  # or too short to tell
            text = error.args[0] if error.args else ""
            detail = text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)
            raise Unreadable(path, condition(name), detail.lower()) from error


_PERTURB, _ZEROS = -6, 0xFF
"""Of glibc's mallopt (malloc.h): M_PERTURB, and the byte whose complement new memory holds."""


@contextmanager
def _zeroed_memory() -> Iterator[None]:
    """Have all memory that is taken while the block runs hold zeros, where the system can.

    Of photosites that no part of a file holds the library gives what its memory held before, which
    may be another frame: with zeros there they are refused as never filled, each time.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is None:
        yield
        return
    mallopt(_PERTURB, _ZEROS)
    try:
        yield
    finally:
        mallopt(_PERTURB, 0)


def _check_claim(sizes: Any, planes: int, size: int, path: Path, at_most_bytes: int) -> None:
    photosites = sizes.raw_height * sizes.raw_width
    layers = 1 if planes == 1 else _STACK_LAYERS
    claim = f"{sizes.raw_width} x {sizes.raw_height} photosites"
    if photosites == 0 or sizes.height == 0 or sizes.width == 0:
        raise Unreadable(path, condition("damaged"), "its header names no photosites")
    if photosites * layers * _LEVEL_BYTES > at_most_bytes:
        detail = f"{claim} need more than {at_most_bytes >> 20} MB"
        raise Unreadable(path, condition("too_large"), detail)
    if photosites * planes > size * MOST_PHOTOSITES_PER_BYTE:
        raise Unreadable(path, condition("too_large"), f"{claim} in {size} bytes")


def _copied(raw: Any) -> Decoded:
    sizes, stored = raw.sizes, np.array(raw.raw_image, order="C")
    area = VisibleArea(
        sizes.top_margin, sizes.left_margin, sizes.height, sizes.width, *stored.shape[:2]
    )
    rows = slice(area.top, area.top + area.height)
    mosaic = stored[rows, area.left : area.left + area.width]
    if stored.ndim == 3:
        mosaic = mosaic[..., : max(raw.num_colors, 3)]
    stored.flags.writeable = mosaic.flags.writeable = False
    per_channel = raw.camera_white_level_per_channel
    return Decoded(
        stored=stored,
        mosaic=mosaic,
        pattern=_pattern(raw, area) if stored.ndim == 2 else None,
        letters="M" if raw.num_colors == 1 else raw.color_desc.decode("ascii", "replace"),
        area=area,
        black=tuple(map(float, raw.black_level_per_channel)),
        white=float(raw.white_level),
        white_per_channel=tuple(map(float, per_channel)) if per_channel else None,
        as_shot=tuple(raw.camera_whitebalance),
        daylight=tuple(raw.daylight_whitebalance),
        rgb_xyz=np.asarray(raw.rgb_xyz_matrix, dtype=np.float64),
        color=np.asarray(raw.color_matrix, dtype=np.float64),
        flip=sizes.flip,
        exposure=_exposure(raw),
        lens=raw.lens.model,
    )


def _pattern(raw: Any, area: VisibleArea) -> NDArray[np.uint8]:
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


def _exposure(raw: Any) -> Exposure:
    """Return the settings, each 32-bit float as the short decimal that it stands for."""
    try:
        other = raw.other
    except (OverflowError, OSError, ValueError):  # a time that the system's calendar doesn't hold
        return Exposure()
    taken = other.timestamp.isoformat() if other.timestamp.year >= FIRST_YEAR else None
    iso, f_number, shutter_s = (
        float(f"{value:.6g}") if math.isfinite(value) else None
        for value in (other.iso_speed, other.aperture, other.shutter_speed)
    )
    return Exposure(iso, f_number, shutter_s, taken)


# --- what the library prints ----------------------------------------------------------------------

_STDERR = 2  # the file descriptor that POSIX gives to standard error
_ONE_AT_A_TIME = threading.Lock()
_LIBRARY_SAYS = (b"unknown file:", b"unknown:")
_turned_away: list[int] = []  # where standard error leads to, while a file is decoded


@contextmanager
def quiet() -> Iterator[None]:
    """Drop the library's lines on standard error while the block runs, one thread at a time."""
    with _ONE_AT_A_TIME, ExitStack() as undone:
        try:
            if sys.stderr is not None:
                sys.stderr.flush()
            kept = os.dup(_STDERR)
            undone.callback(os.close, kept)
            store = undone.enter_context(tempfile.TemporaryFile())
            _turned_away.append(kept)
            undone.callback(_turned_away.clear)
            os.dup2(store.fileno(), _STDERR)
            undone.callback(_pass_on, kept, store)
        except (OSError, ValueError):  # no standard error, or no room: the library may be heard
            undone.pop_all().close()
        yield


def give_back_stderr() -> None:
    """Give standard error back while a file is decoded, by a thread that was left behind with it.

    No other file may be decoded in this process from then on.
    """
    for kept in _turned_away:
        os.dup2(kept, _STDERR)


def _pass_on(kept: int, store: IO[bytes]) -> None:
    """Give standard error back, and to it all that others wrote meanwhile."""
    os.dup2(kept, _STDERR)
    store.seek(0)
    for line in store:
        if not line.startswith(_LIBRARY_SAYS):
            os.write(_STDERR, line)
