"""What lies in the folder: of which kind, since when. No file is opened for it."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING

from stopwise.errors import refusal
from stopwise.folder.names import is_hidden, is_picture, is_raw
from stopwise.ledger.frames import Stamp

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

Settled = Mapping[str, int]
"""Files that were dealt with: path, and hash of the stamp that it had then."""

_KINDS = {
    stat.S_IFLNK: "a link",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFDIR: "a folder",
}


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
    """

    path: str
    stamp: Stamp
    landed_ns: int


@dataclass(slots=True)
class Listing:
    """What one look at the folder saw: plain facts, with nothing decided yet.

    Attributes
    ----------
    raws
        Regular files with a raw file's name; at a sweep without the settled ones that are as they
        were, of which there may be a day's frames.
    settled, unmet
        The settled files of a sweep, and those that it didn't meet as they were; None where all
        that it met is in `raws`.
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
    settled: Settled = field(default_factory=dict)
    unmet: set[str] | None = None
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

    @property
    def raw_paths(self) -> Iterator[str]:
        """The paths of all raw files."""
        return chain(self.settled, (seen.path for seen in self.raws))

    def covers(self, path: str) -> bool:
        """Tell whether this look would have shown a path, had it been there."""
        if path in self.missing:
            return True
        return self.is_sweep and not any(
            folder in ("", path) or path.startswith(folder + "/") for folder in self.closed
        )


def sweep(folder: str, settled: Settled | None = None) -> Listing:
    """Look through the whole folder and its subfolders, opening no file and following no link.

    Settled files that it meets as they were are counted; where some are missing, a second look
    finds out which, so that their names are held only then.
    """
    look, most = _FolderLook(folder, settled), len(settled or ())
    look.through([""])
    if settled is not None and look.met < most:
        look = _FolderLook(folder, settled, unmet=set(settled))
        look.through([""])
    look.found.is_sweep = True
    return look.found


def look_at(folder: str, paths: Iterable[str]) -> Listing:
    """Look at some paths of the folder, opening no file; a subfolder is looked through.

    Parameters
    ----------
    folder
        The watched folder.
    paths
        Relative to it, with ``/``.
    """
    look = _FolderLook(folder)
    try:
        os.stat(folder)  # noqa: PTH116 (names may hold any byte)
    except OSError as error:
        look.found.closed[""] = refusal(error).lower()
        return look.found
    shown = [path for path in paths if not any(is_hidden(part) for part in path.split("/"))]
    look.through([below for path in shown for below in look.at(path)])
    return look.found


class _FolderLook:
    """One look at the folder while it goes on."""

    def __init__(
        self, folder: str, settled: Settled | None = None, *, unmet: Iterable[str] = ()
    ) -> None:
        self._folder, self._settled = folder, settled
        self.found, self.met = Listing(), 0
        if settled is not None:
            self.found.settled, self.found.unmet = settled, set(unmet)

    def through(self, folders: list[str]) -> None:
        """Look through folders and all that lies in them."""
        while folders:
            inside = folders.pop()
            try:
                with os.scandir(self._whole(inside)) as entries:
                    for entry in entries:
                        if not is_hidden(entry.name):
                            folders += self.at(f"{inside}/{entry.name}" if inside else entry.name)
            except OSError as error:
                self.found.closed[inside] = refusal(error).lower()
        if self.found.missing:
            self._doubt_missing()

    def _doubt_missing(self) -> None:
        """Take nothing for missing where the watched folder itself went meanwhile."""
        try:
            os.stat(self._folder)  # noqa: PTH116 (names may hold any byte)
        except OSError as error:
            self.found.missing.clear()
            self.found.closed[""] = refusal(error).lower()

    def at(self, path: str) -> list[str]:
        """Look at one path; return it where it is a folder to look through."""
        name = path.rpartition("/")[2]
        try:
            status = os.lstat(self._whole(path))
        except (FileNotFoundError, NotADirectoryError):
            self.found.missing.add(path)
            return []
        except OSError as error:
            self.found.closed[path] = refusal(error).lower()
            return []
        kind = stat.S_IFMT(status.st_mode)
        if kind == stat.S_IFDIR:
            return [path]
        if kind == stat.S_IFREG:
            if is_picture(name):
                self.found.pictures.add(path)
            stamp = Stamp.of(status)
            if self._settled is not None and self._settled.get(path) == hash(stamp):
                self.met += 1
                if self.found.unmet:
                    self.found.unmet.discard(path)
            elif is_raw(name):
                # Writing, renaming into place and setting back the time of change all set the
                # change of a file's own entry; Windows gives the time at which it was made there.
                self.found.raws.append(SeenFile(path, stamp, status.st_ctime_ns))
        elif is_raw(name) or os.path.isdir(self._whole(path)):  # noqa: PTH112 (a linked folder)
            self.found.odd[path] = _KINDS.get(kind, "no plain file")
        return []

    def _whole(self, path: str) -> str:
        return os.path.join(self._folder, *path.split("/")) if path else self._folder  # noqa: PTH118
