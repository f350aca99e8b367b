"""What lies in the folder: of which kind, since when, and whether each new raw file is whole."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.folder.names import in_order, is_hidden, is_picture, is_raw
from stopwise.ledger.frames import Stamp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    NeedsLook = Callable[[str, Stamp], bool]

_SAMPLES = 64
_SAMPLE_BYTES = 512
"""A copy that sets the length first is looked for at 64 places of 512 bytes: 32 KiB are read of a
file, and an unwritten stretch of a thirtieth of it is met twice."""

_TAIL_BYTES = 32
"""Zeros at a file's end that look unwritten: four times the longest padding to 8 bytes."""

_KINDS = {
    stat.S_IFLNK: "a link",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
}


class Wholeness(Enum):
    """Whether a file holds all that its own directory promises."""

    WHOLE = "whole"
    """Every promised byte is there."""
    SHORT = "short"
    """Bytes are missing, or a stretch was reserved and not yet filled."""
    UNKNOWN = "unknown"
    """The file doesn't say; only rest can tell."""
    DENIED = "denied"
    """It can't be opened."""
    UNSEEN = "unseen"
    """Nobody has looked into it yet."""


@dataclass(frozen=True, slots=True)
class SeenFile:
    """A raw file as it was seen once.

    Attributes
    ----------
    path
        Relative to the folder, with ``/``; bytes that are no UTF-8 as surrogate escapes.
    stamp
        Size, time of change and file number.
    landed_ns
        When the system says that it came to lie here, nanoseconds since 1970.
    wholeness
        Whether all of it is there; a sweep leaves it UNSEEN.
    detail
        Why it can't be opened.
    """

    path: str
    stamp: Stamp
    landed_ns: int
    wholeness: Wholeness = Wholeness.UNSEEN
    detail: str = ""


@dataclass(slots=True)
class Listing:
    """What one look at the folder saw: plain facts, with nothing decided yet.

    Attributes
    ----------
    raws
        Regular files with a raw file's name.
    pictures
        Paths of JPEGs and the like.
    missing
        Paths that were looked at and aren't there.
    odd
        Links, pipes, sockets and devices with a raw file's name, and linked folders: path to kind.
    closed
        Paths that couldn't be looked at ("" for the watched folder), with the reason. Nothing is
        known of them, nor of what lies in them.
    no_events
        Why the system gives no folder events, None where it does.
    is_sweep
        Whether the whole folder was looked through, so that what isn't in it is gone.
    """

    raws: list[SeenFile] = field(default_factory=list)
    pictures: set[str] = field(default_factory=set)
    missing: set[str] = field(default_factory=set)
    odd: dict[str, str] = field(default_factory=dict)
    closed: dict[str, str] = field(default_factory=dict)
    no_events: str | None = None
    is_sweep: bool = False

    @property
    def is_folder_there(self) -> bool:
        """Whether the watched folder itself could be read."""
        return "" not in self.closed

    def covers(self, path: str) -> bool:
        """Tell whether this look would have shown a path, had it been there."""
        if path in self.missing:
            return True
        return self.is_sweep and not any(
            folder in ("", path) or path.startswith(folder + "/") for folder in self.closed
        )


def sweep(folder: str) -> Listing:
    """Look through the whole folder and its subfolders, opening no file and following no link."""
    look = _FolderLook(folder, lambda _path, _stamp: False)
    look.found.is_sweep = True
    look.through([""])
    return look.found


def to_be_opened(listing: Listing, needs_look: NeedsLook) -> list[str]:
    """Return the paths of a sweep that must be looked into, in landing order."""
    wanted = [seen for seen in listing.raws if needs_look(seen.path, seen.stamp)]
    wanted.sort(key=lambda seen: (seen.landed_ns, in_order(seen.path)))
    return [seen.path for seen in wanted]


def look_at(folder: str, paths: Iterable[str], *, needs_look: NeedsLook) -> Listing:
    """Look at some paths of the folder, and into files; a subfolder is looked through.

    Parameters
    ----------
    folder
        The watched folder.
    paths
        Relative to it, with ``/``.
    needs_look
        Whether a path with this stamp must be opened to see if it is whole.
    """
    look = _FolderLook(folder, needs_look)
    try:
        os.stat(folder)  # noqa: PTH116 (names may hold any byte)
    except OSError as error:
        look.found.closed[""] = _reason(error)
        return look.found
    shown = [path for path in paths if not any(is_hidden(part) for part in path.split("/"))]
    look.through([below for path in shown for below in look.at(path)])
    return look.found


class _FolderLook:
    """One look at the folder while it goes on."""

    def __init__(self, folder: str, needs_look: NeedsLook) -> None:
        self._folder = folder
        self._needs_look = needs_look
        self.found = Listing()

    def through(self, folders: list[str]) -> None:
        """Look through folders and all that lies in them."""
        while folders:
            inside = folders.pop()
            try:
                with os.scandir(self._whole(inside)) as entries:
                    names = [entry.name for entry in entries if not is_hidden(entry.name)]
            except OSError as error:
                self.found.closed[inside] = _reason(error)
                continue
            for name in names:
                folders += self.at(f"{inside}/{name}" if inside else name)
        if self.found.missing:
            self._doubt_missing()

    def _doubt_missing(self) -> None:
        """Take nothing for missing where the watched folder itself went meanwhile."""
        try:
            os.stat(self._folder)  # noqa: PTH116 (names may hold any byte)
        except OSError as error:
            self.found.missing.clear()
            self.found.closed[""] = _reason(error)

    def at(self, path: str) -> list[str]:
        """Look at one path; return it where it is a folder to look through."""
        name = path.rpartition("/")[2]
        try:
            status = os.lstat(self._whole(path))
        except (FileNotFoundError, NotADirectoryError):
            self.found.missing.add(path)
            return []
        except OSError as error:
            self.found.closed[path] = _reason(error)
            return []
        kind = stat.S_IFMT(status.st_mode)
        if kind == stat.S_IFDIR:
            return [path]
        if kind == stat.S_IFREG:
            if is_picture(name):
                self.found.pictures.add(path)
            if is_raw(name):
                self._see_raw(path, status)
        elif is_raw(name) or os.path.isdir(self._whole(path)):  # noqa: PTH112 (a linked folder)
            self.found.odd[path] = _KINDS.get(kind, "no plain file")
        return []

    def _see_raw(self, path: str, status: os.stat_result) -> None:
        stamp = Stamp.of(status)
        whole, detail = Wholeness.UNSEEN, ""
        if self._needs_look(path, stamp):
            try:
                whole = wholeness(self._whole(path), status.st_size)
            except OSError as error:
                whole, detail = Wholeness.DENIED, _reason(error)
        # Writing, renaming into place and setting back the time of change all set the change of a
        # file's own entry; Windows gives the time at which the file was made there.
        self.found.raws.append(SeenFile(path, stamp, status.st_ctime_ns, whole, detail))

    def _whole(self, path: str) -> str:
        return os.path.join(self._folder, *path.split("/")) if path else self._folder  # noqa: PTH118


def wholeness(path: str, size: int) -> Wholeness:
    """Tell whether a file holds what its own directory promises, and no reserved empty stretch.

    This runs in the watch's own process: a file that can't be made out, whatever is wrong with it,
    is one that doesn't say how long it is, so that a worker says what it is.

    Raises
    ------
    OSError
        If it can't be opened.
    """
    from stopwise.raw.whole import declared_end

    try:
        end = declared_end(Path(path))
    except OSError:
        raise
    except Exception:  # noqa: BLE001 (no file may end the watch)
        end = None
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
