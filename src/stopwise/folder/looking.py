"""Look at the folder: what lies there, of which kind, and whether each new raw file is whole."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.folder.names import in_order, is_hidden, is_picture, is_raw
from stopwise.folder.sightings import Listing, Sighting, Wholeness
from stopwise.ledger.frames import Stamp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    NeedsLook = Callable[[str, Stamp], bool]
    Probe = Callable[[str, int], Wholeness]

_SAMPLES = 64
_SAMPLE_BYTES = 512
_TAIL_BYTES = 32
_KINDS = {
    stat.S_IFLNK: "a link",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
}


def sweep(folder: str) -> Listing:
    """Look through the whole folder and its subfolders, opening no file and following no link."""
    gather = _Gathering(folder)
    waiting = [""]
    while waiting:
        waiting += gather.look_in(waiting.pop())
    return gather.listing(is_sweep=True)


def unseen(listing: Listing, needs_look: NeedsLook) -> list[str]:
    """Return the paths of a sweep that must be looked into, in landing order."""
    wanted = [seen for seen in listing.raws if needs_look(seen.path, seen.stamp)]
    wanted.sort(key=lambda seen: (seen.landed_ns, in_order(seen.path)))
    return [seen.path for seen in wanted]


def look_at(folder: str, paths: Iterable[str], *, needs_look: NeedsLook, probe: Probe) -> Listing:
    """Look at some paths of the folder, and into files; a subfolder is looked through.

    Parameters
    ----------
    folder
        The watched folder.
    paths
        Relative to it, with ``/``.
    needs_look
        Whether a path with this stamp must be opened to see if it is whole.
    probe
        Tells whether a file (its whole path, its size) is whole.
    """
    gather = _Gathering(folder, needs_look, probe)
    if not gather.is_folder_there():
        return gather.listing(is_sweep=False)
    waiting: list[str] = []
    for path in paths:
        if not any(is_hidden(part) for part in path.split("/")):
            waiting += gather.look_at(path)
    while waiting:
        waiting += gather.look_in(waiting.pop())
    return gather.listing(is_sweep=False)


def _never(_path: str, _stamp: Stamp) -> bool:
    return False


class _Gathering:
    """One look at the folder while it goes on."""

    def __init__(
        self, folder: str, needs_look: NeedsLook = _never, probe: Probe | None = None
    ) -> None:
        self._folder = folder
        self._needs_look = needs_look
        self._probe = probe
        self._raws: list[Sighting] = []
        self._pictures: set[str] = set()
        self._missing: set[str] = set()
        self._odd: dict[str, str] = {}
        self._closed: dict[str, str] = {}

    def listing(self, *, is_sweep: bool) -> Listing:
        return Listing(
            raws=tuple(self._raws),
            pictures=frozenset(self._pictures),
            missing=frozenset(self._missing),
            odd=self._odd,
            closed=self._closed,
            is_sweep=is_sweep,
        )

    def is_folder_there(self) -> bool:
        """Tell whether the watched folder can be reached, and remember why not."""
        try:
            os.stat(self._folder)  # noqa: PTH116 (names may hold any byte)
        except OSError as error:
            self._closed[""] = _reason(error)
            return False
        return True

    def look_in(self, inside: str) -> list[str]:
        """Look at what lies in one folder; return its subfolders."""
        try:
            with os.scandir(self._whole(inside)) as entries:
                names = [entry.name for entry in entries if not is_hidden(entry.name)]
        except OSError as error:
            self._closed[inside] = _reason(error)
            return []
        below: list[str] = []
        for name in names:
            below += self.look_at(f"{inside}/{name}" if inside else name)
        return below

    def look_at(self, path: str) -> list[str]:
        """Look at one path; return it where it is a folder to look in."""
        name = path.rpartition("/")[2]
        try:
            status = os.lstat(self._whole(path))
        except (FileNotFoundError, NotADirectoryError):
            self._missing.add(path)
            return []
        except OSError as error:
            self._closed[path] = _reason(error)
            return []
        kind = stat.S_IFMT(status.st_mode)
        if kind == stat.S_IFDIR:
            return [path]
        if kind == stat.S_IFREG:
            self._see_file(path, name, status)
        elif is_raw(name) or (kind == stat.S_IFLNK and self._is_linked_folder(path)):
            self._odd[path] = _KINDS.get(kind, "no plain file")
        return []

    def _see_file(self, path: str, name: str, status: os.stat_result) -> None:
        if is_picture(name):
            self._pictures.add(path)
        if not is_raw(name):
            return
        stamp = Stamp.of(status)
        wholeness, detail = Wholeness.UNSEEN, ""
        if self._probe is not None and self._needs_look(path, stamp):
            try:
                wholeness = self._probe(self._whole(path), status.st_size)
            except OSError as error:
                wholeness, detail = Wholeness.DENIED, _reason(error)
        self._raws.append(Sighting(path, stamp, landed_ns(status), wholeness, detail))

    def _is_linked_folder(self, path: str) -> bool:
        return os.path.isdir(self._whole(path))  # noqa: PTH112 (names may hold any byte)

    def _whole(self, path: str) -> str:
        return os.path.join(self._folder, *path.split("/")) if path else self._folder  # noqa: PTH118


def landed_ns(status: os.stat_result) -> int:
    """Return when the system says that a file came to lie in its place, nanoseconds since 1970.

    Where the system keeps it, the time of the last change to the file's own entry: writing,
    renaming into place and setting back the time of change all set it. Windows gives the time at
    which the file was made there.
    """
    return status.st_ctime_ns


def wholeness(path: str, size: int) -> Wholeness:
    """Tell whether a file holds what its own directory promises, and no reserved empty stretch.

    Raises
    ------
    OSError
        If it can't be opened.
    """
    from stopwise.raw.whole import declared_end

    end = declared_end(Path(path))
    if end is None:
        return Wholeness.UNKNOWN if size else Wholeness.SHORT
    if size < end or has_gap(path, size):
        return Wholeness.SHORT
    return Wholeness.WHOLE


def has_gap(path: str, size: int) -> bool:
    """Tell whether a file looks as if room had been reserved for bytes that are still to come.

    Copying programs may set the length first. The file is sampled at even distances; two samples of
    nothing but zeros next to each other, or an end of zeros, look like such a stretch. A real file
    may look so too: then it is only waited for until it has rested.
    """
    if size < 2 * _SAMPLES * _SAMPLE_BYTES:
        return False
    step = (size - _SAMPLE_BYTES) / (_SAMPLES - 1)
    was_empty = False
    with open(path, "rb", buffering=0) as stream:  # noqa: PTH123 (names may hold any byte)
        for place in range(_SAMPLES):
            stream.seek(int(place * step))
            sample = stream.read(_SAMPLE_BYTES)
            if not any(sample) and was_empty:
                return True
            was_empty = not any(sample)
    return not any(sample[-_TAIL_BYTES:])


def _reason(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
