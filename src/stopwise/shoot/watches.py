"""Which watch a command speaks to: the one that runs, else the last, so that nobody types it."""

from __future__ import annotations

import hashlib
import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import LedgerError, PathMissing, WrongUse
from stopwise.folder.lock import is_watched
from stopwise.ledger import data_folder, default_place

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.ledger import Ledger

_SETTING = "watch"
_DIGITS = 12  # hexadecimal, 48 bits of a path's hash: enough to tell one user's ledgers apart
_START = "Start one: stopwise watch FOLDER --plan plan.toml"


@dataclass(frozen=True, slots=True)
class Watch:
    """A watch that runs or ran.

    Attributes
    ----------
    ledger, folder, plan
        Its files; no plan for None.
    is_running
        Whether its watcher runs now.
    """

    ledger: Path
    folder: str
    plan: Path | None
    is_running: bool

    def plan_path(self) -> Path:
        """Return the plan.

        Raises
        ------
        WrongUse
            If the watch has none.
        """
        if self.plan is None:
            msg = f"The watch of {self.folder} has no plan. Start it with --plan."
            if not self.folder:
                msg = f"{self.ledger}: no watch has used this ledger yet. {_START}."
            raise WrongUse(msg)
        return self.plan

    @property
    def since(self) -> str:
        """When what is said now takes hold."""
        if self.is_running:
            return "from the next frame on"
        return f"once {self.folder} is watched again"


def remember(ledger: Ledger, folder: str, plan: Path | None) -> None:
    """Note a watch that begins, in its ledger and in the user's data folder."""
    plan_text = None if plan is None else str(plan.resolve())
    ledger.settings.set(_SETTING, {"folder": folder, "plan": plan_text})
    if ledger.in_memory:
        return
    place = os.path.abspath(ledger.place)  # noqa: PTH100 (links are kept)
    note = _notes() / f"{hashlib.sha256(os.fsencode(place)).hexdigest()[:_DIGITS]}.json"
    try:
        note.parent.mkdir(parents=True, exist_ok=True)
        note.write_text(json.dumps({"ledger": place, "began": time.time()}), encoding="utf-8")
    except OSError:
        return


def the_watch(*, ledger: Path | None = None, folder: Path | None = None) -> Watch:
    """Return the watch that a command speaks to.

    Parameters
    ----------
    ledger, folder
        Its ledger or its folder where they are said; else the one watch that runs, else the last.

    Raises
    ------
    PathMissing
        If there is no such watch.
    WrongUse
        If several run and none is named.
    """
    if ledger is not None or folder is not None:
        place = ledger if ledger is not None else default_place(folder or "")
        if not place.is_file():
            msg = f"{place}: there is no ledger of a watch yet. {_START}."
            raise PathMissing(msg)
        return _watch_of(place)
    known = list(_known_watches())
    if not known:
        msg = f"No folder was ever watched here. {_START}."
        raise PathMissing(msg)
    running = [watch for watch in known if watch.is_running]
    if len(running) > 1:
        folders = " and ".join(watch.folder for watch in running)
        msg = f"{folders} are watched now. Say which with --folder."
        raise WrongUse(msg)
    return running[0] if running else known[0]


def _known_watches() -> Iterator[Watch]:
    """Yield the watches whose ledgers are there and sound, the last one first."""
    for place in _places():
        with suppress(LedgerError, PathMissing):
            yield _watch_of(place)


def _watch_of(place: Path) -> Watch:
    from stopwise.ledger import Ledger

    with Ledger(place, is_read_only=True) as opened:
        said = opened.settings.get(_SETTING) or {}
    folder, plan = str(said.get("folder") or ""), said.get("plan")
    return Watch(
        ledger=place,
        folder=folder,
        plan=None if plan is None else Path(plan),
        is_running=bool(folder) and is_watched(str(place), folder),
    )


def _notes() -> Path:
    return data_folder() / "watches"


def _places() -> Iterator[Path]:
    """Yield the ledgers of all watches that were begun, the last one first."""
    found = []
    for note in _notes().glob("*.json"):
        try:
            said = json.loads(note.read_text(encoding="utf-8"))
            found.append((float(said["began"]), Path(said["ledger"])))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return (place for _, place in sorted(found, reverse=True))
