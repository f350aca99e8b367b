"""The day of one watch: what each frame is judged by, and what a frame means to those that follow.

Its methods are called from the watch's own thread, in landing order.
"""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.comparison.matching import level_of
from stopwise.errors import StopwiseError
from stopwise.pipeline.brief import ComesOn
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from stopwise.preparing.marks import mark_solo
from stopwise.shoot.awaited_parts import (
    OnSet,
    awaited_words,
    awaiting_now,
    card_box,
    keep_awaiting,
    play,
)
from stopwise.shoot.camera import CameraCalls, Room
from stopwise.shoot.earlier_frames import Advice, Tail, since_last
from stopwise.shoot.look_frames import (
    built_frame,
    full_frame,
    keep_built,
    keep_full,
    keep_reference,
    keep_solo,
    reference_of,
    references_of,
    solos_are_of,
    target_of,
    unproved_solos,
)
from stopwise.shoot.standing import Standing, camera_as_said
from stopwise.shoot.take import is_full, lit_in, lit_words, misfires, with_lamp_findings
from stopwise.shoot.watched_edits import teach_clip

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.folder.watch_notes import Note
    from stopwise.ledger import Kept, Ledger
    from stopwise.pipeline import Assessment, Brief
    from stopwise.plan.now import PlanNow
    from stopwise.record import Record
    from stopwise.shoot.standing import DialNow

_MOST_BEGUN = 1000
"""Frames in hand of which it is known what they were begun for; a watch has a few dozen."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a frame was begun for.

    Attributes
    ----------
    awaited
        The part that it was held against, or None.
    marks
        How many frames had been marked by then.
    comes_on
        The lamp whose own light it may show.
    lit
        The lamps that were meant to be lit; None for all.
    """

    awaited: str | None
    marks: int
    comes_on: ComesOn | None
    lit: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Around:
    """What a day needs of the watch round it.

    Attributes
    ----------
    folder
        The watched folder.
    plan_path
        The plan file; None where there is none.
    plan
        Returns the plan as it stands now.
    edited
        Called when the plan file was written here, to read it again.
    tell
        Says one sentence.
    call
        Says one condition.
    """

    folder: str
    plan_path: Path | None
    plan: Callable[[], Plan | None]
    edited: Callable[[], None]
    tell: Callable[[str], None]
    call: Callable[[Note], None]


class Day:
    """What was said and what the frames made of it.

    Parameters
    ----------
    ledger
        Where orders come from and what holds is kept.
    around
        The watch.
    clock
        Seconds, steady.
    free_bytes
        Returns the free space where a folder lies.
    """

    def __init__(
        self,
        ledger: Ledger,
        around: Around,
        *,
        clock: Callable[[], float] = time.monotonic,
        free_bytes: Callable[[str], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        self._ledger = ledger
        self._around = around
        self._clock = clock
        self._free_bytes = free_bytes
        self.standing = Standing(ledger, around.tell)
        self._advice = Advice()
        self._tail = Tail()
        self._camera = CameraCalls()
        self._room = Room()
        self._marks = 0
        self._begun: dict[str, _Asked] = {}
        self._refused: set[tuple[str, str]] = set()
        self._lit: tuple[str, ...] | None = None
        self._before: tuple[Record, float] | None = None
        self._take = self.standing.take

    def begin(self) -> None:
        """Tell what still holds from before, so that no target waits unseen."""
        words = [*self.standing.words(), *awaited_words(self._ledger)]
        if words:
            self._around.tell(f"As before: {'; '.join(words)}.")

    def hear(self) -> None:
        """Do what was ordered; to be called between frames."""
        self.standing.hear(self._around.plan())
        if self.standing.take != self._take:
            self._take = self.standing.take
            self._advice.begin(self.standing.run.begun.turned)

    def brief(self, base: Brief, file: str, *, is_fresh: bool) -> Brief:
        """Return by what a frame is judged.

        Parameters
        ----------
        base
            What doesn't depend on the day.
        file
            The frame's name in the folder.
        is_fresh
            Whether it landed while watching: what lay there already plays no part.
        """
        brief = self._brief(base, is_awaited=is_fresh)
        if len(self._begun) >= _MOST_BEGUN:  # of files that went while they were judged
            del self._begun[next(iter(self._begun))]
        self._begun[file] = _Asked(brief.awaited, self._marks, brief.comes_on, brief.lit)
        return brief

    def _brief(self, base: Brief, *, is_awaited: bool) -> Brief:
        plan, look = self._plan(), self._look()
        run = self.standing.run
        can_mark = is_awaited and self._around.plan_path is not None and plan is not None
        awaited = awaiting_now(self._ledger).part if can_mark else None
        return replace(
            base,
            plan=plan,
            take=run.begun.number,
            look=look,
            lit=self.standing.lit,
            said=run.begun.said,
            turned=tuple(run.begun.turned),
            powers=self.standing.powers(plan),
            run=run.readings,
            awaited=awaited,
            comes_on=self._comes_on(plan) if can_mark and awaited is None else None,
            is_other_look=not solos_are_of(self._ledger, plan, look),
            reference=reference_of(self._ledger, look),
            references=references_of(self._ledger, plan),
            full=full_frame(self._ledger),
            unproved=() if look else unproved_solos(self._ledger, plan),
        )

    def _plan(self) -> Plan | None:
        """Return the plan with the camera's settings as takes have changed them."""
        plan = self._around.plan()
        return None if plan is None else camera_as_said(self._ledger, plan)

    def _look(self) -> str | None:
        """Return the look that is worn, as far as the plan still has it."""
        plan, look = self._around.plan(), self.standing.look
        if look is None or (plan is not None and look in {one.name for one in plan.looks}):
            return look
        self._around.tell(f'The plan has no look "{look}" any more: its own targets hold.')
        self.standing.wear(None)
        return None

    def is_stale(self, file: str) -> bool:
        """Tell whether a frame was begun for a part that isn't the one awaited any more."""
        asked = self._begun.get(file)
        return (
            asked is not None
            and asked.awaited is not None
            and (asked.awaited, asked.marks) != (awaiting_now(self._ledger).part, self._marks)
        )

    def complete(self, record: Record, assessment: Assessment | None) -> Record:
        """Return a frame's record with what depends on the frames before it; in landing order."""
        asked = self._begun.pop(record.file, None)
        if asked is None or assessment is None or record.verdict == "unreadable":
            return record
        self._call_camera(record, assessment)
        if assessment.answer is not None:
            return self._played(record, assessment)
        if record.plays_a_part:
            return record
        self._tell_overfed(record, assessment)
        judged = self._judged(record)
        self._keep_own_light(asked, record.file, assessment)
        self._keep_built(asked, judged)
        return judged

    def _tell_overfed(self, record: Record, assessment: Assessment) -> None:
        """Say which solos the first frame under all lamps shows to have had others' energy.

        One that was begun before the first was told shows turns.
        """
        plan = self._around.plan()
        unproved = unproved_solos(self._ledger, plan)
        for note in (one for one in assessment.overfed if one.lamp in unproved):
            reading, light = (record.lamps or {}).get(note.lamp), plan and plan.light(note.lamp)
            said = ""
            if reading and light and reading.setting is not None:
                stands = light.power_shown(reading.setting)
                said = f' Was it turned since? Say: take "{note.lamp} at {stands}".'
            self._around.tell(f"{note.words}{said}")

    def _comes_on(self, plan: Plan | None) -> ComesOn | None:
        """Return the one lamp that is meant to be lit and whose own light isn't known.

        With nothing said all lamps are. A lamp that is said to be lit alone is held against its
        solo, which it renews where it falls otherwise.
        """
        lights = [] if plan is None else [light.name for light in plan.lights]
        lit = set(lights) if self.standing.lit is None else set(self.standing.lit) & set(lights)
        unknown = lit if plan is None else lit - set(plan.frames.solo)
        if len(lit) == 1 and self.standing.lit is not None:
            return ComesOn(next(iter(lit)))
        if len(unknown) != 1:
            return None
        less = built_frame(self._ledger, lit - unknown, self.standing.take)
        return None if less is None else ComesOn(next(iter(unknown)), less)

    def _keep_own_light(self, asked: _Asked, file: str, assessment: Assessment) -> None:
        """Mark a frame of the build-up as the solo of the lamp that came on, or say why it isn't.

        Why it isn't is said once.
        """
        answer, plan_path, comes_on = assessment.own_light, self._around.plan_path, asked.comes_on
        if answer is None or plan_path is None or comes_on is None or asked.marks != self._marks:
            return
        less = comes_on.less
        called = f"{file} less {less.name}" if less is not None else file
        if answer.refused is not None:
            if (comes_on.lamp, answer.refused.code) not in self._refused:
                self._refused.add((comes_on.lamp, answer.refused.code))
                words = answer.refused.words
                self._around.tell(f"{called} isn't the {comes_on.lamp} solo. {words}")
            return
        power = self.standing.powers(self._around.plan()).get(comes_on.lamp)
        frame = Path(self._around.folder, file)
        try:
            mark_solo(frame, comes_on.lamp, plan_path, less=less, power=power)
        except StopwiseError as error:
            self._around.tell(f"{called} isn't marked as the {comes_on.lamp} solo. {error}")
            return
        self._marks += 1
        keep_solo(self._ledger, comes_on.lamp, self.standing.look)
        self.standing.expect_nothing_of([comes_on.lamp])
        self._around.edited()
        notes = " ".join(note.words for note in (*answer.warnings, *answer.spoilt))
        self._around.tell(f"{called} is the {comes_on.lamp} solo. {notes}".rstrip())

    def _keep_built(self, asked: _Asked, record: Record) -> None:
        """Keep a frame of the build-up, for the lamp that comes on next."""
        shown = lit_in(record)
        known = set(record.lamps or {})
        if asked.lit is None or misfires(record):
            return
        if shown is None or set(shown) == known & set(asked.lit):
            frame = Path(self._around.folder, record.file)
            keep_built(self._ledger, asked.lit, self.standing.take, frame)

    def _played(self, record: Record, assessment: Assessment) -> Record:
        answer, plan_path = assessment.answer, self._around.plan_path
        if answer is None or plan_path is None:
            return record
        played = play(
            record,
            answer,
            awaiting_now(self._ledger),
            frame=Path(self._around.folder, record.file),
            plan=plan_path,
            on_set=OnSet(card_box(self._ledger), self.standing.stands(self._around.plan())),
        )
        keep_awaiting(self._ledger, played.awaiting)
        if played.part is not None:
            self._marks += 1
            keep_solo(self._ledger, played.part, self.standing.look)
            self.standing.expect_nothing_of([played.part])
            if assessment.sha256 is not None:
                teach_clip(self._ledger, record, assessment.sha256, answer.clip)
            self._around.edited()
        for words in played.words:
            self._around.tell(words)
        return played.record

    def _judged(self, record: Record) -> Record:
        standing = self.standing
        record = standing.run.with_likely_out(record, self._targets(record.look))
        record, told = self._tail.settled(record)
        if told:
            self._around.tell(told)
        record = self._advice.settled(record, in_take=standing.take is not None)
        before, self._before = self._before, (record, self._clock())
        since = None if before is None else since_last(before, self._before)
        seen = standing.run.see(record, lit=standing.lit, since_s=since, plan=self._around.plan())
        if seen.offer is not None:
            standing.offer(seen.offer)
            self._around.tell(f'{seen.offer.words} Say "stopwise take yes" if so.')
        self._show_lit(record)
        level = level_of(record, target_of(self._ledger, record.look, self._around.plan()))
        whole = with_lamp_findings(record, seen.findings)
        return replace(whole, in_run=seen.counts, level=level)

    def _targets(self, look: str | None) -> PlanNow:
        """Return what holds for a frame of a look that the plan may have lost since."""
        plan = self._plan() or Plan()
        known = look in {one.name for one in plan.looks}
        return plan_now(plan, look=look if known else None, lit=self.standing.lit)

    def kept(self, kept: Kept, path: Path) -> None:
        """Take in that the frame that was completed last is kept."""
        record = kept.record
        plan = self._around.plan()
        if is_full(record, plan, self.standing.lit):
            keep_full(self._ledger, plan, path)
        if record.verdict == "on plan":
            keep_reference(self._ledger, record.look, path)

    def plan_now(self) -> Plan | None:
        """Return the plan with each lamp's power, and the camera's settings, as takes left them."""
        plan = self._plan()
        powers = self.standing.powers(plan)
        if plan is None or not powers:
            return plan
        return plan.at_powers(powers)

    def dials_now(self) -> dict[str, DialNow]:
        """Return where the dial of each lamp stands, as said and as read."""
        return self.standing.dials(self._plan())

    def _show_lit(self, record: Record) -> None:
        """Say which lamps a frame shows lit, where that isn't what it showed before."""
        lit, standing = lit_in(record), self.standing
        is_shoot = standing.take is not None and standing.lit is None
        lights = () if (plan := self._around.plan()) is None else plan.lights
        lamps = {light.name for light in lights}
        meant = lamps if standing.lit is None else set(standing.lit)
        if lit is None or is_shoot or lit == self._lit or not meant <= set(record.lamps or {}):
            return
        self._lit = lit
        self._around.tell(lit_words(record, lit, standing.lit, lamps=lamps))

    def _call_camera(self, record: Record, assessment: Assessment) -> None:
        observed, folder = assessment.observed, self._around.folder
        notes = self._camera.see(record, None if observed is None else observed.bits)
        try:
            size = Path(folder, record.file).stat().st_size
            notes += self._room.see(folder, size, self._free_bytes(folder))
        except OSError:
            pass
        for told in notes:
            self._around.call(told)
