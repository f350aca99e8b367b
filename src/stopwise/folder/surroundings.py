"""The folder itself, what in it can't be reached and what is passed over: each told once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.folder.notes import note

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.folder.notes import Note
    from stopwise.folder.sightings import Listing


class Surroundings:
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
        self._closed: set[str] = set()
        self._odd: set[str] = set()

    def see(self, listing: Listing) -> list[Note]:
        """Take in what was seen; return what is to be told."""
        notes = [*self._whole_folder(listing)]
        closed = {path: why for path, why in listing.closed.items() if path}
        notes += [
            note("no_access", path, why) for path, why in closed.items() if path not in self._closed
        ]
        notes += [
            note("passed_over", path, kind)
            for path, kind in listing.odd.items()
            if path not in self._odd
        ]
        self._closed = set(closed) if listing.is_sweep else self._closed | set(closed)
        self._odd = set(listing.odd) if listing.is_sweep else self._odd | set(listing.odd)
        return notes

    def _whole_folder(self, listing: Listing) -> Iterator[Note]:
        if listing.is_folder_there != self._is_there:
            self._is_there = listing.is_folder_there
            name = "folder_back" if listing.is_folder_there else "folder_gone"
            yield note(name, self._folder, listing.closed.get("", ""))
        if listing.is_sweep and listing.no_events != self._no_events:
            self._no_events = listing.no_events
            if listing.no_events is not None:
                yield note("sweep_only", self._folder, listing.no_events)
