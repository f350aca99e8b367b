"""decode: path -> Frame, or Unreadable with the reason."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.frame import Frame
from stopwise.raw.decoder import AT_MOST_BYTES, Decoded, decode_bytes
from stopwise.raw.dng_tags import masked_areas
from stopwise.raw.files import open_to_read, read_all
from stopwise.raw.filled import holds_one_value, unfilled
from stopwise.raw.kind import refuse_by_picture, refuse_by_tags
from stopwise.raw.lossless import disagreement
from stopwise.raw.masked import masked_of
from stopwise.raw.metadata import camera_of, exposure_of, orientation_of_flip
from stopwise.raw.sensor import Sensor, sensor_by_decoder, sensor_by_tags
from stopwise.raw.tiff import BadTiffError, Source, Tiff
from stopwise.raw.unproven import Check, Unproven
from stopwise.raw.whole import SAMPLES, Promise, promise_of, raw_directories

if TYPE_CHECKING:
    import os

_MOST = 65535.0
"""Greatest level that 16 bits hold."""


def decode(path: str | os.PathLike[str], *, at_most_bytes: int = AT_MOST_BYTES) -> Frame:
    """Decode a camera raw file to its untouched mosaic and what is needed to read it as light.

    Parameters
    ----------
    path
        The file; it is opened for reading only, once.
    at_most_bytes
        Greatest size in bytes of the file, and of the decoded picture.

    Returns
    -------
    Frame
        Levels as the sensor gave them, in sensor orientation.

    Raises
    ------
    PathMissing
        If nothing is there, or something that isn't a file.
    Unreadable
        If the file gives no pixels that can be trusted; its condition says why.
    """
    return decode_unproven(path, at_most_bytes=at_most_bytes).proven()


def decode_unproven(
    path: str | os.PathLike[str], *, at_most_bytes: int = AT_MOST_BYTES
) -> Unproven:
    """Decode as :func:`decode` does, but let the last check for damage go on meanwhile.

    Parameters
    ----------
    path, at_most_bytes
        As there.

    Returns
    -------
    Unproven
        Ask it for the proven frame before telling anybody anything.

    Raises
    ------
    PathMissing, Unreadable
        As there.
    """
    path = Path(path)
    data = _whole_file(path, at_most_bytes)
    promise = promise_of(Source(io.BytesIO(data), len(data)))
    _check_promise(promise, len(data), path)
    tiff = promise.tiff
    try:
        decoded = _decode(data, path, tiff, at_most_bytes)
        check = _checked_beside(decoded, data, tiff)
        sensor = _sensor(decoded, tiff, path)
        _check_picture(decoded, sensor, path)
        return Unproven(_frame(path, data, decoded, sensor, tiff), check)
    except BadTiffError as error:
        raise Unreadable(path, condition("damaged"), str(error)) from error


def _whole_file(path: Path, at_most_bytes: int) -> bytes:
    """Return the file's bytes, once its directories show that they are all there."""
    stream, size = open_to_read(path)
    with stream:
        if size > at_most_bytes:
            raise Unreadable(path, condition("too_large"), f"the file has {size >> 20} MB")
        try:
            promise = promise_of(Source(stream, size))
        except OSError as error:
            raise Unreadable(path, condition("no_access"), str(error).lower()) from error
        _check_promise(promise, size, path)
        return read_all(stream, path)


def _check_promise(promise: Promise, size: int, path: Path) -> None:
    if promise.fault is not None:
        raise Unreadable(path, condition("damaged"), promise.fault)
    if promise.end is not None and promise.end > size:
        detail = f"{size} bytes of at least {promise.end}"
        raise Unreadable(path, condition("cut_short"), detail)


def _decode(data: bytes, path: Path, tiff: Tiff | None, at_most_bytes: int) -> Decoded:
    """Decode, with what the directories say about the picture known beforehand."""
    if tiff is None:
        return decode_bytes(data, path, at_most_bytes=at_most_bytes)
    refuse_by_tags(tiff, path)
    raws = raw_directories(tiff)
    planes = int(tiff.number(raws[0], SAMPLES) or 1) if raws else 1
    keep = masked_areas(tiff)
    try:
        decoded = decode_bytes(data, path, planes=planes, keep=keep, at_most_bytes=at_most_bytes)
    except Unreadable as error:
        if error.condition.name == "not_raw" and raws:
            raise Unreadable(path, condition("unsupported")) from error
        raise
    refuse_by_picture(tiff, decoded, path)
    return decoded


def _checked_beside(decoded: Decoded, data: bytes, tiff: Tiff | None) -> Check | None:
    """Begin to hold the picture against its code, which takes about as long as decoding it."""
    if tiff is None or not (raws := raw_directories(tiff)):
        return None

    def look() -> str | None:
        try:
            return disagreement(decoded.stored, data, tiff, raws[0])
        except BadTiffError as error:
            return str(error)

    return Check(look)


def _sensor(decoded: Decoded, tiff: Tiff | None, path: Path) -> Sensor:
    try:
        by_tags = sensor_by_tags(tiff, decoded) if tiff is not None and tiff.is_dng else None
        return by_tags or sensor_by_decoder(decoded)
    except ValueError as error:
        raise Unreadable(path, condition("unsupported"), str(error)) from error


def _check_picture(decoded: Decoded, sensor: Sensor, path: Path) -> None:
    """Refuse a picture that wasn't filled, or that its levels can't turn to light."""
    if holds_one_value(decoded.mosaic):
        raise Unreadable(path, condition("one_value"))
    levels = sensor.levels
    low, high = min(levels.black), min(levels.anchor)
    if any(white <= black for black, white in zip(levels.black, levels.anchor, strict=True)):
        detail = f"it names white {high:g} at or under black {max(levels.black):g}"
        raise Unreadable(path, condition("damaged"), detail)
    if levels.white > _MOST:
        raise Unreadable(path, condition("damaged"), f"it names white {levels.white:.0f}")
    period = sensor.cell.pattern.shape[0]
    missing = unfilled(decoded.mosaic, period=period, black=low, white=high)
    if missing is not None:
        raise Unreadable(path, condition("damaged"), missing)


def _frame(path: Path, data: bytes, decoded: Decoded, sensor: Sensor, tiff: Tiff | None) -> Frame:
    named = tiff is not None and bool(masked_areas(tiff))
    levels = sensor.levels
    return Frame(
        path=path,
        mosaic=decoded.mosaic,
        pattern=sensor.cell.pattern,
        colours=sensor.cell.colours,
        levels=levels,
        orientation=orientation_of_flip(decoded.flip),
        black_offset=sensor.black_offset,
        daylight=sensor.daylight,
        as_shot=sensor.as_shot,
        xyz_to_camera=sensor.xyz_to_camera,
        camera=camera_of(tiff, data, decoded.settings),
        exposure=exposure_of(tiff, decoded.settings),
        bits=sensor.bits,
        masked=masked_of(decoded.outside, sensor.cell, levels.black, levels.white, named=named),
    )
