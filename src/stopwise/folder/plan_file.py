"""The plan file while watching: read again when it is edited, the old plan kept over a mistake."""

from __future__ import annotations

import os
import threading
import time
from typing import TYPE_CHECKING, NamedTuple

from stopwise.errors import PathMissing, PlanError
from stopwise.folder.watch_notes import note
from stopwise.ledger.frames import Stamp
from stopwise.plan import load_plan
from stopwise.plan.model import Plan

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.folder.watch_notes import Note

_REST_S = 0.5
"""Seconds that a mistake must stand before it is told, and a loss before it is taken: an editor
may still be saving."""

_WAIT_S = 0.25
"""Seconds that the loop waits once for a plan that is read beside it; most take a hundredth."""

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
        stamp = _stamp_of(path)
        self.plan = load(path)
        self._found = _PlanRead(stamp, self.plan)
        self._look: _LookAtPlan | None = None
        self._broken: object = _NO_EDIT
        self._broken_since = 0.0
        self._told: object = _NO_EDIT

    def look(self) -> Plan:
        """Read the plan again if its file has changed; to be called between frames.

        It is looked at and read beside the loop: a medium that hangs leaves the last plan, and
        Ctrl-C, as they are. A plan that has lost a lamp or a target may be cut short and is taken
        once it stands.
        """
        if self._look is None:
            self._look = _LookAtPlan(self.path, self._found, self._load)
            self._look.join(_WAIT_S)
        if self._look.is_alive():
            return self.plan
        self._found, self._look = self._look.found, None
        stamp, read = self._found
        if isinstance(read, Plan) and not read.model_fields_set and self.plan.model_fields_set:
            read = PlanError(f"{self.path} is empty.")
        if not isinstance(read, Plan) or _holds_less(read, self.plan):
            self._hold(stamp, read)
        elif read is not self.plan:
            self._take(read)
        return self.plan

    def _take(self, plan: Plan) -> None:
        is_other = plan != self.plan
        self.plan, self._broken, self._told = plan, _NO_EDIT, _NO_EDIT
        if is_other:
            self._on_note(note("plan_read", str(self.path)))

    def _hold(self, stamp: Stamp | None, read: Plan | PlanError | PathMissing) -> None:
        """Hold the last plan over a loss or a mistake; once it has stood, take it or tell it."""
        if stamp != self._broken:
            self._broken, self._broken_since = stamp, self._clock()
        elif stamp != self._told and self._clock() >= self._broken_since + _REST_S:
            if isinstance(read, Plan):
                self._take(read)
                return
            self._told = stamp
            self._on_note(note("plan_broken", str(self.path), str(read).splitlines()[0]))


class _PlanRead(NamedTuple):
    """What lay in the plan's place at a look: its stamp, and the plan or what is wrong with it."""

    stamp: Stamp | None
    read: Plan | PlanError | PathMissing


class _LookAtPlan(threading.Thread):
    """One look at the plan's file, beside the loop and left behind where its medium hangs."""

    def __init__(self, path: Path, before: _PlanRead, load: Callable[[Path], Plan]) -> None:
        super().__init__(name="plan", daemon=True)
        self.found = before
        self._path, self._load = path, load
        self.start()

    def run(self) -> None:
        """Read the plan if it isn't what it was."""
        stamp = _stamp_of(self._path)
        if stamp == self.found.stamp and not isinstance(self.found.read, PathMissing):
            return  # else rights and mounts come back without a change of the file
        try:
            self.found = _PlanRead(stamp, self._load(self._path))
        except (PlanError, PathMissing) as error:
            self.found = _PlanRead(stamp, error)


def _stamp_of(path: Path) -> Stamp | None:
    try:
        return Stamp.of(os.stat(path))  # noqa: PTH116
    except OSError:
        return None


def _holds_less(plan: Plan, before: Plan) -> bool:
    """Tell whether a plan lost a lamp, a patch or another target that stood in the one before."""
    return any(
        len(getattr(plan, key)) < len(getattr(before, key))
        for key in ("lights", "patches", "ratios", "separations", "looks")
    ) or (plan.backdrop is None and before.backdrop is not None)
