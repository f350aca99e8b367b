"""decode: path -> Frame, or Unreadable with the reason.

Camera and exposure are taken from the file's own tags first, then as the decoder says: tags of Exif
(CIPA DC-008) hold rationals where the decoder keeps 32-bit floats. A value that can't be true (ISO
0, the year 1970, an aperture of 0) is no value.
"""

from __future__ import annotations

import _thread
import hashlib
import os
import re
import stat
import threading
from contextlib import contextmanager, suppress
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.errors import PathMissing, Unreadable, refusal
from stopwise.frame import Camera, Exposure, Frame
from stopwise.raw import tags
from stopwise.raw.bounds import MOST_BYTES, BeyondBoundsError, FileBytes
from stopwise.raw.directories import Directory, Tiff, read_tiff
from stopwise.raw.dng import masked_areas, raw_directory, sensor_by_tags
from stopwise.raw.libraw import FIRST_YEAR, Decoded, decode_bytes
from stopwise.raw.lossless import disagreement, tiling_of
from stopwise.raw.refusals import refuse_by_levels, refuse_by_shape, refuse_by_tags
from stopwise.raw.sensor import UnknownFiltersError, masked_of, sensor_by_decoder
from stopwise.raw.whole import promise_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_ISO_FULL = 65535
"""The tag's greatest value; it means 'look elsewhere'."""

_ISO_RANGE, _F_RANGE, _SHUTTER_RANGE = (1.0, 1e8), (0.1, 1e3), (1e-7, 1e6)
"""Index, f-number and seconds beyond which no camera exposes: our own choice, a factor of ten and
more outside what is made. A figure that no logarithm or power bears never leaves this room."""

_ORIENTATION_OF_FLIP = {0: 1, 1: 2, 3: 3, 2: 4, 4: 5, 6: 6, 7: 7, 5: 8}
"""TIFF/EP orientation by the decoder's code: bit 0 mirrors, bit 1 flips, bit 2 swaps the axes."""

_SEARCHED, _MOST_BLOCKS = 1 << 20, 8
"""First bytes of another container in which blocks of tags are looked for, and how many."""


def orientation_of_flip(flip: int) -> int:
    """Return TIFF/EP orientation (tag 274), 1 to 8, of the decoder's code."""
    return _ORIENTATION_OF_FLIP.get(flip, 1)


def embedded_tags(data: bytes) -> Tiff:
    """Return the directories of all blocks of tags within a container that isn't TIFF-like.

    Other containers keep their Exif as small TIFF files of their own, in a preview, a box or a
    block; what can't be read isn't there.
    """
    directories: list[Directory] = []
    starts = re.finditer(rb"\A(?:II|MM)|II\*\0|MM\0\*", data[:_SEARCHED])
    for start in (match.start() for match in islice(starts, _MOST_BLOCKS)):
        block = FileBytes(
            len(data) - start,
            lambda at, length, start=start: data[start + at : start + at + length],  # type: ignore[misc]
        )
        try:
            directories += read_tiff(block).directories
        except BeyondBoundsError:
            continue
    return Tiff(tuple(directories))


def camera_of(blocks: Tiff, decoded: Decoded) -> Camera:
    """Return make, model and lens.

    Parameters
    ----------
    blocks
        The file's directories, or those of the blocks in it.
    decoded
        What the decoder understood of the lens.
    """
    return Camera(
        make=blocks.text(tags.MAKE),
        model=blocks.text(tags.MODEL) or blocks.text(tags.UNIQUE_MODEL),
        lens=blocks.text(tags.LENS) or " ".join(decoded.lens.split()) or None,
    )


def exposure_of(blocks: Tiff, decoded: Decoded) -> Exposure:
    """Return the settings that the file names; what it doesn't say, or says impossibly, is None."""
    said, iso = decoded.exposure, blocks.number(tags.ISO)
    return Exposure(
        iso=_likely(_ISO_RANGE, None if iso == _ISO_FULL else iso, said.iso),
        f_number=_likely(_F_RANGE, blocks.number(tags.F_NUMBER), said.f_number),
        shutter_s=_likely(_SHUTTER_RANGE, blocks.number(tags.SHUTTER), said.shutter_s),
        taken=_taken(blocks.text(tags.TAKEN), blocks.text(tags.SUBSECOND)) or said.taken,
    )


def _likely(
    within: tuple[float, float], told: float | None, understood: float | None
) -> float | None:
    """Return what a tag tells, or what the decoder understood where that is nothing, if it can be.

    Of a tag that tells what can't be, the decoder has understood no more than we have.
    """
    least, most = within
    value = told or understood
    return float(value) if value is not None and least <= value <= most else None


def _taken(text: str | None, subsecond: str | None) -> str | None:
    """Return Exif's "YYYY:MM:DD HH:MM:SS" and its decimals as ISO 8601, without a zone."""
    try:
        moment = datetime.strptime(text or "", "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - local, as Exif has it
    except ValueError:
        return None
    if moment.year < FIRST_YEAR:
        return None
    decimals = f".{subsecond}" if subsecond and re.fullmatch(r"\d{1,9}", subsecond) else ""
    return moment.isoformat() + decimals


_CHUNK = 1 << 18  # bytes read at once: for more the system hands out new memory each time


class Unproven:
    """A decoded frame whose picture is still held against its code, in a thread of its own.

    Parameters
    ----------
    frame
        What was decoded, to be measured meanwhile and told of only when it is proven.
    data
        The file's bytes that were decoded.
    look
        Returns what shows damage, as a part of a sentence, or None. Called at once, and again where
        it found something.
    """

    def __init__(self, frame: Frame, data: bytes, look: Callable[[], str | None]) -> None:
        self.frame = frame
        self._data = data
        self._look = look
        self._lock = threading.Lock()
        self._seen: tuple[str | None, str] | None = None
        # not a Thread, whose start waits for ever where memory ends while it begins
        with suppress(RuntimeError, MemoryError):
            _thread.start_new_thread(self._see_meanwhile, ())

    @property
    def sha256(self) -> str:
        """Of the bytes that were decoded, hexadecimal; waited for."""
        return self._see()[1]

    def proven(self) -> Frame:
        """Wait for the look's end, and return the frame.

        Raises
        ------
        Unreadable
            If the picture is damaged, by a second look as well; or if the file holds other bytes
            by now than were decoded.
        """
        with _of_what_is_there(self.frame.path, self._data):
            damage = self._see()[0] and self._look()
            if damage:
                raise Unreadable(self.frame.path, condition("damaged"), damage)
        return self.frame

    def _see(self) -> tuple[str | None, str]:
        """Return damage and hash; whoever comes first works them out, the other waits."""
        with self._lock:
            if self._seen is None:
                self._seen = self._look(), hashlib.sha256(self._data).hexdigest()
            return self._seen

    def _see_meanwhile(self) -> None:
        with suppress(BaseException):  # it is raised again where it is asked for
            self._see()


def decode(path: str | os.PathLike[str], *, at_most_bytes: int = MOST_BYTES) -> Frame:
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


def decode_unproven(path: str | os.PathLike[str], *, at_most_bytes: int = MOST_BYTES) -> Unproven:
    """Decode as :func:`decode` does, but let the last look for damage go on meanwhile.

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
    data = _read(path, at_most_bytes)
    with _of_what_is_there(path, data, is_begun=True):
        return _decode_data(path, data, at_most_bytes)


def _decode_data(path: Path, data: bytes, at_most_bytes: int) -> Unproven:
    try:
        end, tiff = promise_of(FileBytes.of(data))
        if end is not None and end > len(data):
            detail = f"{len(data)} bytes of at least {end}"
            raise Unreadable(path, condition("cut_short"), detail)
        return _unproven(path, data, _decode(data, path, tiff, at_most_bytes), tiff)
    except BeyondBoundsError as error:
        raise Unreadable(path, condition("damaged"), str(error)) from error
    except UnknownFiltersError as error:
        raise Unreadable(path, condition("unsupported"), str(error)) from error


def _read(path: Path, at_most_bytes: int) -> bytes:
    """Return a file's bytes; it is opened for reading only, and nothing but a regular file is."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            msg = f"{path} is not a file. Name a camera raw file."
            raise PathMissing(msg)
        if status.st_size == 0:
            raise Unreadable(path, condition("empty"))
        if status.st_size > at_most_bytes:
            detail = f"the file has {status.st_size >> 20} MB"
            raise Unreadable(path, condition("too_large"), detail)
        with path.open("rb") as stream:
            return stream.read(status.st_size)
    except (FileNotFoundError, NotADirectoryError) as error:
        msg = f"{path} isn't there. Check the name, and that its disk is connected."
        raise PathMissing(msg) from error
    except OSError as error:
        raise _no_access(path, error) from error
    except MemoryError as error:
        raise Unreadable(path, condition("too_large"), "memory doesn't hold the file") from error


@contextmanager
def _of_what_is_there(path: Path, data: bytes, *, is_begun: bool = False) -> Iterator[None]:
    """Have what is found of a file's bytes count only if the file still holds them at the end.

    Reading them once more from the system's cache and comparing takes a fifth of a hash's time.

    Raises
    ------
    Unreadable
        `changed`, in the place of any other, if it holds others. While the work is but `is_begun`
        only what is found unreadable is looked at so.
    """
    try:
        yield
    except Unreadable as error:
        if not _holds(path, data):
            raise Unreadable(path, condition("changed")) from error
        raise
    if not is_begun and not _holds(path, data):
        raise Unreadable(path, condition("changed"))


def _holds(path: Path, data: bytes) -> bool:
    """Tell whether a file holds these very bytes; one that is gone hasn't changed."""
    try:
        with path.open("rb", buffering=0) as stream:
            return os.fstat(stream.fileno()).st_size == len(data) and all(
                stream.read(_CHUNK) == data[start : start + _CHUNK]
                for start in range(0, len(data), _CHUNK)
            )
    except FileNotFoundError:
        return True
    except OSError as error:
        raise _no_access(path, error) from error


def _no_access(path: Path, error: OSError) -> Unreadable:
    return Unreadable(path, condition("no_access"), refusal(error).lower())


def _decode(data: bytes, path: Path, tiff: Tiff | None, at_most_bytes: int) -> Decoded:
    """Decode, with what the directories say about the picture known beforehand.

    What the decoder calls damaged it is given once more, before anybody is told.
    """
    planes = 1
    if tiff is not None:
        refuse_by_tags(tiff, data, path)
        planes = next((raw.whole(tags.SAMPLES, 1) for raw in tiff.raws), 1)
    for is_last in (False, True):
        try:
            decoded = decode_bytes(data, path, planes=planes, at_most_bytes=at_most_bytes)
            break
        except Unreadable as error:
            name = error.condition.name
            if name == "not_raw" and tiff is not None and tiff.raws:
                raise Unreadable(path, condition("unsupported")) from error
            if is_last or name != "damaged":
                raise
    return decoded


def _unproven(path: Path, data: bytes, decoded: Decoded, tiff: Tiff | None) -> Unproven:
    picture = None
    if tiff is not None:
        picture = raw_directory(tiff, decoded)
        refuse_by_shape(tiff, picture, decoded, path)
    if tiff is not None and tiff.is_dng and picture is not None:
        sensor = sensor_by_tags(tiff, picture, decoded)
    else:
        sensor = sensor_by_decoder(decoded)
    refuse_by_levels(decoded.mosaic, sensor, path)
    blocks = embedded_tags(data) if tiff is None else tiff
    frame = Frame(
        path=path,
        mosaic=decoded.mosaic,
        pattern=sensor.cell.pattern,
        colours=sensor.cell.colours,
        levels=sensor.levels,
        orientation=orientation_of_flip(decoded.flip),
        black_offset=sensor.black_offset,
        daylight=sensor.daylight,
        as_shot=sensor.as_shot,
        xyz_to_camera=sensor.xyz_to_camera,
        camera=camera_of(blocks, decoded),
        exposure=exposure_of(blocks, decoded),
        bits=sensor.bits,
        masked=masked_of(decoded, sensor, [] if tiff is None else masked_areas(tiff)),
    )
    tiling = None if tiff is None else tiling_of(tiff, decoded.stored.shape)
    stored = decoded.stored
    return Unproven(frame, data, lambda: tiling and disagreement(stored, data, tiling))
