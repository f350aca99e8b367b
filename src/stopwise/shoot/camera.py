"""What goes wrong at the camera and on the disk: each called once, until it changes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from stopwise.folder.watch_notes import Note, note

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.record import Record

ROOM_CALLED = (10, 50, 200)
"""Frames for which there is room on the disk at which it is called."""

_ISO_FRAMES = 4  # frames in a row that are looked at for changes of ISO
_ISO_CHANGES = 2  # changes among them from which it isn't a hand's: one alone is
_SIZES = 8  # newest files, whose largest says how many more have room


@dataclass(frozen=True, slots=True)
class _Body:
    """What the last frame of a body said."""

    size: tuple[int, int]
    bits: int | None


class CameraCalls:
    """Calls a camera that was set otherwise: auto ISO, a smaller picture, fewer bits."""

    def __init__(self) -> None:
        self._isos: deque[float] = deque(maxlen=_ISO_FRAMES)
        self._is_auto = False
        self._bodies: dict[str, _Body] = {}

    def see(self, record: Record, bits: int | None) -> list[Note]:
        """Take in a readable frame; return what is to be told.

        Parameters
        ----------
        record
            The frame's record.
        bits
            Depth of its levels, where known.
        """
        file = record.file
        return [*self._auto_iso(file, record), *self._format(file, record, bits)]

    def _auto_iso(self, file: str, record: Record) -> Iterator[Note]:
        """Call an ISO that changes again and again within few frames: no hand does that."""
        iso = None if record.exposure is None else record.exposure.iso
        if not iso:
            return
        self._isos.append(iso)
        seen = list(self._isos)
        changes = sum(one != other for one, other in pairwise(seen))
        if changes >= _ISO_CHANGES and not self._is_auto:
            self._is_auto = True
            yield note("auto_iso", file, ", then ".join(f"ISO {one:g}" for one in seen))
        elif not changes and len(seen) == _ISO_FRAMES:
            self._is_auto = False

    def _format(self, file: str, record: Record, bits: int | None) -> Iterator[Note]:
        camera, size = record.camera, record.size
        if size is None or camera is None:
            return
        body = f"{camera.make} {camera.model}"
        now = _Body((max(size), min(size)), bits)
        before = self._bodies.get(body)
        self._bodies[body] = now
        if before is None:
            return
        if now.size[0] * now.size[1] < before.size[0] * before.size[1]:
            yield note(_smaller(before.size, now.size), file, f"{_by(now)}, {_by(before)} before")
        if now.bits and before.bits and now.bits < before.bits:
            yield note("fewer_bits", file, f"{now.bits} bits, {before.bits} before")


def _smaller(before: tuple[int, int], now: tuple[int, int]) -> str:
    """Tell a picture of another shape, which was cropped, from one that is smaller all over."""
    was, is_ = before[0] / before[1], now[0] / now[1]
    return "cropped" if abs(was - is_) > 0.02 * was else "smaller"


def _by(body: _Body) -> str:
    return f"{body.size[0]} x {body.size[1]}"


class Room:
    """Calls the room that is left on the disk of the frames, counted in frames."""

    def __init__(self) -> None:
        self._sizes: deque[int] = deque(maxlen=_SIZES)
        self._called: int | None = None

    def see(self, folder: str, size: int, free: int) -> list[Note]:
        """Take in a frame's size and the free space, bytes; return what is to be told."""
        if size <= 0:
            return []
        self._sizes.append(size)
        frames = free // max(self._sizes)
        mark = next((limit for limit in ROOM_CALLED if frames < limit), None)
        was, self._called = self._called, mark
        if mark is None or (was is not None and was <= mark):
            return []
        return [note("little_room", folder, f"room for {frames} more frames")]
