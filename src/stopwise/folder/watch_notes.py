"""What a watch tells besides records: conditions of the folder, the backlog, what never came."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.folder.names import in_order, shown, stem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from stopwise.conditions import Condition
    from stopwise.folder.listing import Listing
    from stopwise.record import Record

_LONG_BACKLOG = 100
"""Frames from which on a backlog is told as it shrinks: shorter ones are over at once."""

_LARGEST_GAP = 20
"""Numbers that may be missing at once; a larger step is another card or camera."""

_NUMBERED = re.compile(r"(.*?)([0-9]{2,})")
_CALLED = float("inf")


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to tell.

    Attributes
    ----------
    condition
        The row of :mod:`stopwise.conditions`.
    file
        The file or folder that it is about, as its name is; None for the watch as a whole.
    detail
        What was seen, as a part of a sentence.
    record
        With `ledger_waits`: the frame's record, which is not kept yet.
    """

    condition: Condition
    file: str | None = None
    detail: str = ""
    record: Record | None = None

    @property
    def text(self) -> str:
        """The note as one line of safe text, without a full stop.

        A frame that isn't kept yet is named with its verdict, so that nobody waits for it.
        """
        where = f"{shown(self.file)}: " if self.file else ""
        detail = f": {shown(self.detail)}" if self.detail else ""
        unkept = ""
        if self.record is not None:
            unkept = f" (not kept yet: {shown(self.record.file)}, {self.record.verdict})"
        return where + self.condition.short + detail + unkept


def note(name: str, file: str | None = None, detail: str = "") -> Note:
    """Return a note on the condition called `name`."""
    return Note(condition(name), file, detail)


class FolderNotes:
    """Tells once what stands in the way, and again when it has been away and is back.

    Parameters
    ----------
    folder
        The watched folder.
    """

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._is_there = True
        self._no_events: str | None = None
        self._told: dict[str, set[str]] = {"no_access": set(), "passed_over": set()}

    def see(self, listing: Listing) -> list[Note]:
        """Take in what was seen; return what is to be told."""
        notes = []
        if listing.is_folder_there != self._is_there:
            self._is_there = listing.is_folder_there
            name = "folder_back" if self._is_there else "folder_gone"
            notes.append(note(name, self._folder, listing.closed.get("", "")))
        if listing.is_sweep and listing.no_events != self._no_events:
            self._no_events = listing.no_events
            if self._no_events is not None:
                notes.append(note("sweep_only", self._folder, self._no_events))
        closed = {path: why for path, why in listing.closed.items() if path}
        for name, found in (("no_access", closed), ("passed_over", listing.odd)):
            told = self._told[name]
            notes += [note(name, path, what) for path, what in found.items() if path not in told]
            self._told[name] = set(found) if listing.is_sweep else told | set(found)
        return notes


class BacklogNotes:
    """Tells of frames that were there already, or came as a flood: at first and at each tenth.

    Parameters
    ----------
    folder
        The folder that is watched.
    flood
        Frames more than were told before, from which on it is told anew.
    pause_s
        Seconds between two looks, since a look counts all files.
    """

    def __init__(self, folder: str, *, flood: int, pause_s: float = 0.5) -> None:
        self._folder, self._flood, self._pause_s = folder, flood, pause_s
        self._whole = self._told = 0
        self._looked_at = float("-inf")

    def is_due(self, now: float) -> bool:
        """Tell whether it is time for a look."""
        return now >= self._looked_at + self._pause_s

    def found(self, left: int) -> list[Note]:
        """Take in what the first look through the folder found."""
        self._whole = self._told = left
        return self._tell(f"{left} to judge") if left else []

    def see(self, left: int, now: float) -> list[Note]:
        """Take in how many are left, at a look; `now` in seconds of any steady clock."""
        self._looked_at = now
        if left > self._told + self._flood:
            return self.found(left)
        if left > max(self._told - self._whole // 10, 0):
            return []
        whole, self._told = self._whole, left
        if left == 0:
            self._whole = 0
        if whole < _LONG_BACKLOG:
            return []
        return self._tell(f"{left} of {whole} still to judge" if left else f"all {whole} judged")

    def _tell(self, detail: str) -> list[Note]:
        return [note("backlog", self._folder, detail)]


class LonePictures:
    """Calls out JPEGs that come without a raw file, once until a raw file comes.

    Parameters
    ----------
    wait_s
        Seconds that a JPEG's raw file may take to follow (common practice).
    """

    def __init__(self, wait_s: float = 5.0) -> None:
        self._wait_s = wait_s
        self._alone: dict[str, float] = {}
        self._old: set[str] | None = None
        self._is_called = False

    def see(self, listing: Listing, now: float, *, has_new_raw: bool) -> list[Note]:
        """Take in what was seen; `now` in seconds of any steady clock.

        Only a look through the whole folder tells that a JPEG is alone, so that no raw file need be
        kept in mind.
        """
        if has_new_raw:
            self._is_called = False
        if listing.is_sweep and self._old is None and listing.is_folder_there:
            self._old = set(listing.pictures) if any(listing.raw_paths) else set()
        lying = listing.pictures - (self._old or set()) if listing.is_sweep else set(self._alone)
        if lying:
            raws = {stem(path) for path in listing.raw_paths}
            alone = [path for path in lying if stem(path) not in raws]
            self._alone = {path: self._alone.get(path, now) for path in alone}
        return self.move_on(now)

    def move_on(self, now: float) -> list[Note]:
        """Return what time alone brings to light."""
        late = [path for path, since in self._alone.items() if since + self._wait_s <= now]
        self._alone |= dict.fromkeys(late, _CALLED)
        if not late or self._is_called:
            return []
        self._is_called = True
        return [note("jpegs_only", min(late, key=in_order))]

    def next_due(self) -> float | None:
        """Return when a JPEG will have waited long enough."""
        since = min((since for since in self._alone.values() if since != _CALLED), default=None)
        return None if since is None else since + self._wait_s


class NumberGaps:
    """Calls out numbers that the camera left out: F0032 where F0031 and F0033 landed.

    Only a look through the whole folder tells that one isn't there, so that no name need be kept in
    mind but those that are missing.

    Parameters
    ----------
    wait_s
        Seconds that a missing frame may still take to come (common practice).
    """

    def __init__(self, wait_s: float = 10.0) -> None:
        self._wait_s = wait_s
        self._last: dict[str, int] = {}
        self._missing: dict[str, float] = {}
        self._swept_at = float("-inf")

    def landed(self, path: str, now: float) -> None:
        """Take in a frame that landed while watching."""
        found = _NUMBERED.fullmatch(path.rpartition(".")[0])
        if found is None:
            return
        series, digits = found[1], len(found[2])
        number = int(found[2])
        self._missing.pop(f"{series}{number:0{digits}d}", None)
        last = self._last.get(series)
        if last is not None and last < number <= last + _LARGEST_GAP + 1:
            between = (f"{series}{missing:0{digits}d}" for missing in range(last + 1, number))
            self._missing |= dict.fromkeys(between, now)
        # a late frame of the same run, or a camera that counts from the start again
        is_late = last is not None and last - _LARGEST_GAP <= number
        self._last[series] = max(number, last or 0) if is_late else number

    def saw(self, listing: Listing, now: float) -> None:
        """Take in what lies in the folder, whole or not, so that it isn't missed."""
        if self._missing:
            paths = chain(listing.raw_paths, listing.pictures, listing.odd)
            there = {path.rpartition(".")[0].casefold() for path in paths}
            self._missing = {
                name: since for name, since in self._missing.items() if name.casefold() not in there
            }
        if listing.is_sweep:
            self._swept_at = now

    def move_on(self, now: float) -> list[Note]:
        """Return what never came."""
        late = [name for name, due in self._dues() if due <= now]
        for name in late:
            del self._missing[name]
        return [note("never_came", gap) for gap in _gaps(sorted(late, key=in_order))]

    def next_due(self) -> float | None:
        """Return when a missing frame will have had its time."""
        return min((due for _, due in self._dues()), default=None)

    def _dues(self) -> Iterator[tuple[str, float]]:
        for name, since in self._missing.items():
            if since < self._swept_at:
                yield name, since + self._wait_s


def _gaps(names: Iterable[str]) -> Iterator[str]:
    """Yield each run of numbers without a hole once: "F0032", or "F0032 to F0038"."""
    runs: list[list[str]] = []
    for name in names:
        if runs and _is_next(runs[-1][-1], name):
            runs[-1].append(name)
        else:
            runs.append([name])
    yield from (run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)


def _is_next(before: str, name: str) -> bool:
    one, other = _NUMBERED.fullmatch(before), _NUMBERED.fullmatch(name)
    if one is None or other is None:
        return False
    return one[1] == other[1] and int(one[2]) + 1 == int(other[2])
