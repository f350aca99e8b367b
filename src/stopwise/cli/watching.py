"""Watching a folder: what each frame is judged by, and what happens once it is kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from stopwise.assessing import Brief, assess
from stopwise.cli.keeping import learn, learned_levels
from stopwise.intake.planfile import PlanFile
from stopwise.intake.watcher import Hooks, Options, Watcher

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.intake.notes import Note
    from stopwise.intake.watcher import Landing
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan

_REFERENCE = "reference"
"""The ledger's setting that holds the first frame on plan, which patches are followed from."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Where a watch says what it has to say.

    Attributes
    ----------
    frame
        Called with each record that is kept, and the plan it was judged by.
    note
        Called with all else, one line of safe text.
    landing
        Called with each landing, after `frame`; leaves and the live page hang here.
    moved
        Called between frames and as each file is begun; the live page's line hangs here.
    """

    frame: Callable[[dict[str, Any], Plan | None], None]
    note: Callable[[str], None]
    landing: Callable[[Landing], None] = field(default=lambda _: None)
    moved: Callable[[], None] = field(default=lambda: None)


class WatchRun:
    """One watch of a folder.

    Parameters
    ----------
    folder
        The folder to watch.
    ledger
        Where records are kept.
    shown
        Where to say things.
    plan_path
        The plan; it is read again when it is edited.
    options
        How to watch.
    brief
        What each frame is judged by, besides plan, levels and reference.
    """

    def __init__(
        self,
        folder: Path,
        ledger: Ledger,
        shown: Shown,
        *,
        plan_path: Path | None = None,
        options: Options | None = None,
        brief: Brief | None = None,
    ) -> None:
        self._ledger = ledger
        self._shown = shown
        self._base = brief or Brief()
        self._plan_path = plan_path
        self._plan_file = None if plan_path is None else PlanFile(plan_path, on_note=self._note)
        self._levels = learned_levels(ledger)
        self.watcher = Watcher(
            folder,
            ledger,
            assess,
            hooks=Hooks(
                brief=self._brief,
                on_record=self._landed,
                on_note=self._note,
                between=self._between,
            ),
            options=options,
        )

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set."""
        self.watcher.run(stop)

    def wear(self, look: str | None) -> None:
        """From the next frame on, judge by another look; None is the plan's own."""
        self._base = replace(self._base, look=look)

    @property
    def plan(self) -> Plan | None:
        """The plan as it stands now."""
        return None if self._plan_file is None else self._plan_file.plan

    def _between(self) -> None:
        if self._plan_file is not None:
            self._plan_file.look()
        self._shown.moved()

    def _brief(self, path: Path) -> Brief:
        self._shown.moved()
        return replace(
            self._base,
            plan=self.plan,
            plan_folder=None if self._plan_path is None else self._plan_path.parent,
            file=path.relative_to(self.watcher.folder).as_posix(),
            reference=self._ledger.settings.get(_REFERENCE),
            learned=self._levels,
        )

    def _landed(self, landing: Landing) -> None:
        record = landing.kept.record
        self._shown.frame(record, self.plan)
        self._shown.landing(landing)
        if record["verdict"] == "on plan" and self._ledger.settings.get(_REFERENCE) is None:
            self._ledger.settings.set(_REFERENCE, str(landing.path))
        assessment = landing.assessment
        if assessment is None:
            return
        for words in assessment.notes:
            self._shown.note(words)
        if assessment.observed is not None and assessment.observed.levels:
            learn(self._ledger, landing.kept.sha256, assessment.observed)
            self._levels = learned_levels(self._ledger)

    def _note(self, note: Note) -> None:
        self._shown.note(note.text)
