"""Watching a folder: what each frame is judged by, and what happens once it is kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from stopwise.cli.check_command import learn
from stopwise.errors import LedgerError
from stopwise.folder.plan_file import PlanFile
from stopwise.folder.watcher import Hooks, Options, Watcher
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.report.terminal import note_lines
from stopwise.shoot.day import Around, Day
from stopwise.shoot.look_frames import reference_of
from stopwise.shoot.watches import remember

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.folder.watch_notes import Note
    from stopwise.folder.watcher import Landing
    from stopwise.ledger import Ledger
    from stopwise.pipeline.brief import FrameNote
    from stopwise.plan.model import Plan
    from stopwise.record import Record

_OWN_EDIT = "plan_read"
"""What isn't told of the plan when the watch itself has written into it."""


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
        Called with each landing, after `frame`; slips and the live page hang here.
    moved
        Called between frames and as each file is begun; the live page's line hangs here.
    """

    frame: Callable[[Record], None]
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
        What each frame is judged by, besides plan, levels and what is said on the day. A look that
        it names is worn.
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
        self._levels = ledger.levels.believed()
        self._is_own_edit = False
        self._told: set[FrameNote] = set()
        self._ahead = Brief()
        kept_in = None if ledger.in_memory else ledger.place
        frames = PlanFrames(is_supplied=True, kept_in=kept_in)  # each worker has one of its own
        self.watcher = Watcher(
            folder,
            ledger,
            partial(assess_file, frames=frames),
            hooks=Hooks(
                brief=self._brief,
                ahead=self._brief_ahead,
                supplied=frames,
                is_stale=self._is_stale,
                complete=self._complete,
                on_record=self._landed,
                on_note=self._note,
                between=self._between,
            ),
            options=options,
        )
        try:
            self.day = self._new_day()
            if self._base.look is not None:
                self.wear(self._base.look)
            remember(ledger, self.watcher.folder, plan_path)
        except BaseException:
            self.watcher.close()
            raise

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set."""
        try:
            self.day.begin()
        except BaseException:
            self.watcher.close()
            raise
        self.watcher.run(stop)

    def wear(self, look: str | None) -> None:
        """From the next frame on, judge by another look; None is the plan's own."""
        self.day.standing.wear(look)

    def _new_day(self) -> Day:
        return Day(
            self._ledger,
            Around(
                folder=self.watcher.folder,
                plan_path=self._plan_path,
                plan=lambda: self.plan,
                edited=self._read_own_edit,
                tell=self._shown.note,
                call=self._note,
            ),
        )

    @property
    def _plan_folder(self) -> Path | None:
        return None if self._plan_path is None else self._plan_path.parent

    @property
    def plan(self) -> Plan | None:
        """The plan as it stands now."""
        return None if self._plan_file is None else self._plan_file.plan

    def _between(self) -> None:
        if self._plan_file is not None:
            self._plan_file.look()
        self.day.hear()
        self._shown.moved()

    def _read_own_edit(self) -> None:
        """Read the plan again after an edit of the watch's own, which isn't told."""
        if self._plan_file is not None:
            self._is_own_edit = True
            self._plan_file.look()
            self._is_own_edit = False

    def _brief(self, path: Path) -> Brief:
        self._shown.moved()
        file = path.relative_to(self.watcher.folder).as_posix()
        base = replace(
            self._base,
            plan_folder=self._plan_folder,
            file=file,
            learned=self._levels,
        )
        return self.day.brief(base, file, is_fresh=self.watcher.is_fresh(file))

    def _brief_ahead(self) -> Brief:
        """Return what decides which of the plan's frames are read: the same until it changes."""
        standing = self.day.standing
        try:
            reference = reference_of(self._ledger, standing.look)
        except LedgerError:
            return self._ahead
        now = Brief(
            plan=self.plan,
            plan_folder=self._plan_folder,
            look=standing.look,
            lit=standing.lit,
            reference=reference,
        )
        if now != self._ahead:
            self._ahead = now
        return self._ahead

    def _is_stale(self, file: str) -> bool:
        return self.day.is_stale(file)

    def _complete(self, record: Record, assessment: Any) -> Record:
        return self.day.complete(record, assessment)

    def _landed(self, landing: Landing) -> None:
        record = landing.kept.record
        self._shown.frame(record)
        self._shown.landing(landing)
        self.day.kept(landing.kept, landing.path)
        assessment = landing.assessment
        if assessment is None:
            return
        for line in note_lines(assessment.notes, self._told):
            self._shown.note(line)
        if assessment.observed is not None:
            learn(self._ledger, landing.kept.sha256, assessment.observed)
            self._levels = self._ledger.levels.believed()

    def _note(self, note: Note) -> None:
        if self._is_own_edit and note.condition.name == _OWN_EDIT:
            return
        self._shown.note(note.text)
