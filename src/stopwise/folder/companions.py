"""JPEGs beside raw files, and gaps in the camera's numbering: what should have come and didn't."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from stopwise.folder.names import in_order, stem
from stopwise.folder.notes import note

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.folder.notes import Note
    from stopwise.folder.sightings import Listing

_LARGEST_GAP = 20
_NUMBERED = re.compile(r"(.*?)([0-9]{2,})")


class Companions:
    """Calls out JPEGs that come without a raw file, once until a raw file comes.

    Parameters
    ----------
    patience_s
        Seconds that a JPEG's raw file may take to follow.
    """

    def __init__(self, patience_s: float = 5.0) -> None:
        self._patience_s = patience_s
        self._raws: set[str] = set()
        self._raw_stems: set[str] = set()
        self._alone: dict[str, float] = {}
        self._old: set[str] | None = None
        self._is_called = False

    def see(self, listing: Listing, now: float) -> list[Note]:
        """Take in what was seen; `now` in seconds of any steady clock."""
        new = {seen.path for seen in listing.raws} - self._raws
        raws = {stem(path) for path in new}
        if raws - self._raw_stems:
            self._is_called = False
        self._raws |= new
        self._raw_stems |= raws
        if listing.is_sweep and self._old is None and listing.is_folder_there:
            self._old = set(listing.pictures) if self._raws else set()
        for path in listing.pictures:
            if path not in (self._old or ()):
                self._alone.setdefault(path, now)
        return self.move_on(now)

    def move_on(self, now: float) -> list[Note]:
        """Return what time alone brings to light."""
        for path in [path for path in self._alone if stem(path) in self._raw_stems]:
            del self._alone[path]
        late = [path for path, since in self._alone.items() if since + self._patience_s <= now]
        for path in late:
            self._alone[path] = _CALLED
        if not late or self._is_called:
            return []
        self._is_called = True
        return [note("jpegs_only", min(late, key=in_order))]

    def next_due(self) -> float | None:
        """Return when a JPEG will have waited long enough."""
        since = min((since for since in self._alone.values() if since != _CALLED), default=None)
        return None if since is None else since + self._patience_s


_CALLED = float("inf")


class Numbering:
    """Calls out numbers that the camera left out: F0032 where F0031 and F0033 landed.

    Parameters
    ----------
    patience_s
        Seconds that a missing frame may still take to come.
    """

    def __init__(self, patience_s: float = 10.0) -> None:
        self._patience_s = patience_s
        self._last: dict[str, int] = {}
        self._paths: set[str] = set()
        self._seen: set[str] = set()
        self._missing: dict[str, float] = {}

    def landed(self, path: str, now: float) -> None:
        """Take in a frame that landed while watching."""
        parts = _numbered(path)
        if parts is None:
            return
        series, number, digits = parts
        self._here(f"{series}{number:0{digits}d}")
        last = self._last.get(series)
        if last is not None and last < number <= last + _LARGEST_GAP + 1:
            for between in range(last + 1, number):
                name = f"{series}{between:0{digits}d}"
                if name.casefold() not in self._seen:
                    self._missing[name] = now
        self._last[series] = max(number, last or 0) if _is_near(last, number) else number

    def saw(self, paths: Iterable[str]) -> None:
        """Take in what lies in the folder, whole or not, so that it isn't missed."""
        for path in set(paths) - self._paths:
            self._paths.add(path)
            self._here(path.rpartition(".")[0])

    def move_on(self, now: float) -> list[Note]:
        """Return what never came."""
        late = [name for name, since in self._missing.items() if since + self._patience_s <= now]
        for name in late:
            del self._missing[name]
        return [note("never_came", name) for name in sorted(late, key=in_order)]

    def next_due(self) -> float | None:
        """Return when a missing frame will have had its time."""
        since = min(self._missing.values(), default=None)
        return None if since is None else since + self._patience_s

    def _here(self, name: str) -> None:
        self._seen.add(name.casefold())
        for missing in [missing for missing in self._missing if missing.casefold() in self._seen]:
            del self._missing[missing]


def _numbered(path: str) -> tuple[str, int, int] | None:
    """Return what stands before a name's last number, the number, and how many digits it has."""
    found = _NUMBERED.fullmatch(path.rpartition(".")[0])
    return None if found is None else (found[1], int(found[2]), len(found[2]))


def _is_near(last: int | None, number: int) -> bool:
    """Tell a late frame of the same run from a camera that counts from the start again."""
    return last is not None and last - _LARGEST_GAP <= number
