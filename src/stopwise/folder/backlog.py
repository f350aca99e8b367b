"""How far a backlog is: told when it is found, at each tenth that is worked off, and at its end."""

from __future__ import annotations

from stopwise.folder.notes import Note, note

_LONG = 100
_TENTH = 10


class Backlog:
    """Tells of frames that were there already, or came as a flood.

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
        return [self._note(f"{left} to judge")] if left else []

    def see(self, left: int, now: float) -> list[Note]:
        """Take in how many are left, at a look; `now` in seconds of any steady clock."""
        self._looked_at = now
        if left > self._told + self._flood:
            return self.found(left)
        if left > max(self._told - self._whole // _TENTH, 0):
            return []
        if left == 0:
            whole, self._whole, self._told = self._whole, 0, 0
            return [self._note(f"all {whole} judged")] if whole >= _LONG else []
        self._told = left
        if self._whole < _LONG:
            return []
        return [self._note(f"{left} of {self._whole} still to judge")]

    def _note(self, detail: str) -> Note:
        return note("backlog", self._folder, detail)
