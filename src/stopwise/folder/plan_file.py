"""The plan file while watching: read again when it is edited, the old plan kept over a mistake."""

from __future__ import annotations

import os
import stat
import time
from typing import TYPE_CHECKING

from stopwise.errors import PathMissing, PlanError
from stopwise.folder.watch_notes import note
from stopwise.ledger.frames import Stamp
from stopwise.plan import load_plan

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.folder.watch_notes import Note
    from stopwise.plan.model import Plan

_REST_S = 0.5
"""Seconds that a mistake must stand before it is told: an editor may still be saving."""

_NO_EDIT = object()


class PlanFile:
    """A plan that follows its file.

    Parameters
    ----------
    path
        The plan file.
    on_note
        Called when the plan was read again, and once for each edit that has a mistake.
    load
        Reads a plan.
    clock
        Seconds, steady.

    Attributes
    ----------
    plan
        The last plan without a mistake.

    Raises
    ------
    PlanError, PathMissing
        If the plan is wrong, or not there, to begin with.
    """

    def __init__(
        self,
        path: Path,
        *,
        on_note: Callable[[Note], None],
        load: Callable[[Path], Plan] = load_plan,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = path
        self._on_note = on_note
        self._load = load
        self._clock = clock
        self._stamp = self._stamp_now()
        self.plan = load(path)
        self._broken: object = _NO_EDIT
        self._broken_since = 0.0
        self._told: object = _NO_EDIT

    def look(self) -> Plan:
        """Read the plan again if its file has changed; to be called between frames."""
        stamp = self._stamp_now()
        if stamp != self._stamp:
            try:
                plan = self._read()
            except (PlanError, PathMissing) as error:
                self._keep_old(stamp, str(error))
            else:
                self._take(plan, stamp)
        return self.plan

    def _read(self) -> Plan:
        """Read the plan as it is now; one that was just emptied is no plan, and a pipe would hang.

        Raises
        ------
        PlanError, PathMissing
            If it isn't a file with a plan.
        """
        try:
            status = os.stat(self.path)  # noqa: PTH116
        except OSError:
            return self._load(self.path)  # which says what is wrong
        if not stat.S_ISREG(status.st_mode):
            msg = f"{self.path} isn't a file."
            raise PathMissing(msg)
        if not status.st_size:
            raise PlanError(f"{self.path} is empty.")
        return self._load(self.path)

    def _take(self, plan: Plan, stamp: Stamp | None) -> None:
        is_other = plan != self.plan
        self.plan, self._stamp = plan, stamp
        self._broken = self._told = _NO_EDIT
        if is_other:
            self._on_note(note("plan_read", str(self.path)))

    def _keep_old(self, stamp: Stamp | None, why: str) -> None:
        """Tell of a mistake once, when it has stood for a moment: an editor may still be saving."""
        if stamp != self._broken:
            self._broken, self._broken_since = stamp, self._clock()
        elif stamp != self._told and self._clock() >= self._broken_since + _REST_S:
            self._told = stamp
            self._on_note(note("plan_broken", str(self.path), why.splitlines()[0]))

    def _stamp_now(self) -> Stamp | None:
        try:
            return Stamp.of(os.stat(self.path))  # noqa: PTH116
        except OSError:
            return None
