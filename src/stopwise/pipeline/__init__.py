"""The whole way of one frame in one process: decoded, measured, judged, recorded."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.errors import StopwiseError, Unreadable, WrongUse, what_failed
from stopwise.findings import Reason, Verdict
from stopwise.frame import held
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.outputs import LampReading
from stopwise.lamps.seen import Announced, see_lamps
from stopwise.measurement import Known, read
from stopwise.measurement.levels import share_above
from stopwise.measurement.paper import shows_sitter
from stopwise.pipeline.awaited import answer_for, clip_answer, overfed_solos, own_light_answer
from stopwise.pipeline.brief import Answer, Assessment, Brief, Observed, UnreadNeedsError
from stopwise.pipeline.plan_frames import PlanFrames, levels_of
from stopwise.plan.model import Plan
from stopwise.plan.now import LookFor, look_for, of_the_set, plan_now, without_places
from stopwise.raw import decode_unproven
from stopwise.raw.bounds import in_bounds
from stopwise.record import recorded, unreadable
from stopwise.verdict import verdict_on, verdict_without_boxes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.frame import Frame
    from stopwise.lamps.seen import LampsSeen
    from stopwise.measurement import Reading
    from stopwise.measurement.figures import Measurement
    from stopwise.pipeline.references import References
    from stopwise.plan.model import FramePart
    from stopwise.plan.now import PlanNow
    from stopwise.record import Record

__all__ = [
    "Answer",
    "Assessment",
    "Brief",
    "Observed",
    "assess",
    "assess_file",
    "assess_in_bounds",
    "failed",
]


def assess(
    path: str | Path,
    plan: Plan | None = None,
    *,
    look: str | None = None,
    frames: PlanFrames | None = None,
) -> Record:
    """Return the record of one raw file: what `stopwise check` prints.

    Parameters
    ----------
    path
        The raw file; it is opened read-only.
    plan
        As `load_plan` gives it: its own frames are looked for beside its file. None only measures.
    look
        Name of the look that is worn.
    frames
        Keeps the plan's own frames from one call to the next; None reads them anew.

    Returns
    -------
    Record
        A file that gives no pixels has a record that says so.

    Raises
    ------
    PathMissing
        If nothing is there.
    WrongUse
        If the plan has no such look.
    """
    if look is not None and (plan is None or look not in {one.name for one in plan.looks}):
        known = ", ".join(one.name for one in (plan.looks if plan else ())) or "none"
        msg = f"The plan has no look {look!r}. It has: {known}."
        raise WrongUse(msg)
    folder = None if plan is None else plan.folder
    brief = Brief(plan=plan, plan_folder=folder, look=look, is_other_look=look is not None)
    return assess_file(Path(path), brief, frames or PlanFrames()).record


def assess_file(path: Path, brief: Brief, frames: PlanFrames) -> Assessment:
    """Take one file all the way to its record, with all that a watch needs besides.

    Parameters
    ----------
    path
        The raw file; it is opened read-only.
    brief
        By what it is judged.
    frames
        Reads the plan's own frames, and keeps them.

    Returns
    -------
    Assessment
        An unreadable file gives a record that says so.

    Raises
    ------
    PathMissing
        If nothing is there.
    UnreadNeedsError
        If some of the plan's own frames aren't supplied to `frames` yet.
    """
    file = brief.file or str(path)
    start = time.perf_counter()
    try:
        unproven = decode_unproven(path)
        decoded = time.perf_counter()
        try:
            assessment = _assess(path, unproven.frame, replace(brief, file=file), frames)
        finally:
            unproven.proven()  # damage goes before whatever it made of the measuring
    except Unreadable as error:
        return Assessment(unreadable(file, error, take=brief.take, look=brief.look))
    except (StopwiseError, UnreadNeedsError):
        raise
    except Exception as error:  # noqa: BLE001 (whatever it is, it costs this file and no other)
        return failed(path, brief, what_failed(error))
    done = time.perf_counter()
    timing = {"decode": 1e3 * (decoded - start), "measure": 1e3 * (done - decoded)}
    timing_ms = {name: round(ms, 1) for name, ms in timing.items()}
    record = replace(assessment.record, timing_ms=timing_ms)
    return replace(assessment, record=record, sha256=unproven.sha256)


def assess_in_bounds(path: Path, brief: Brief, frames: PlanFrames | None = None) -> Assessment:
    """Assess one file as :func:`assess_file` does, for a command that has no other to go on with.

    Raises
    ------
    Unreadable
        If it takes too long.
    PathMissing
        If nothing is there.
    """
    frames = frames or PlanFrames()
    read = partial(assess_file, brief=brief, frames=frames)
    assessment: Assessment = in_bounds(read, path, spent_besides_s=lambda: frames.spent_s)
    return assessment


def failed(path: Path, brief: Brief, what: str) -> Assessment:
    """Return what comes of a file on which its reader failed: `what`, as a part of a sentence."""
    error = Unreadable(path, condition("decoder_failed"), what)
    file = brief.file or str(path)
    return Assessment(unreadable(file, error, take=brief.take, look=brief.look))


def _assess(path: Path, frame: Frame, brief: Brief, frames: PlanFrames) -> Assessment:
    part = _part_of(path, brief)
    chosen, asked_look = LookFor(brief.look), brief.look
    if part is None and brief.awaited is None:
        brief, chosen = _as_held(brief, frame, frames)
    targets = plan_now(brief.plan or Plan(), look=brief.look, lit=brief.lit, powers=brief.powers)
    plan = None if brief.plan is None else targets.plan
    brief = replace(brief, plan=plan)
    references = frames.known(brief if part is None else replace(brief, plan=None), frame, targets)
    learned = levels_of(frame, brief.learned)
    known = Known(
        learned=learned,
        reference=references.reference,
        plate=references.plate,
        even=references.even,
    )
    reading = read(frame, plan, look=brief.look, known=known)
    lamps, answer = None, None
    overfed: tuple[LampNote, ...] = ()
    if references.lamps is not None or brief.awaited:
        light = reading.grid
        lamps = _lamps(reading, references, targets, brief, frames)
        answer = _answer(frame, reading, references, lamps, brief)
        if answer is not None and answer.refused is None and answer.part == "plate":
            answer = _bare(answer, reading, targets)
        if brief.unproved and answer is None and part is None:
            overfed = overfed_solos(light, references, brief, lamps=lamps)
    own_light = None
    if answer is None and part is None and chosen.has_boxes and chosen.name == asked_look:
        own_light = _own_light(reading, references, targets, brief, frames)
    if answer is not None and plan is not None:
        part = plan.part(answer.part)
    if part is not None:
        value = _came_to(part, reading.measurement, targets)
        reason = Reason("own_frame", (part.words,), role=part.role, lamp=part.lamp, value=value)
        verdict = Verdict("measured", reason=reason)
    elif not chosen.has_boxes:
        verdict = verdict_without_boxes(reading.measurement, targets)
    else:
        verdict = verdict_on(reading.measurement, targets, ambient=references.ambient, lamps=lamps)
    record = recorded(
        brief.file,
        reading.measurement,
        verdict,
        take=brief.take,
        look=chosen.name,
        lamps=_recorded_lamps(lamps, references),
    )
    return Assessment(
        record,
        notes=references.notes,
        picture=reading.finer(brief.picture_edge) if brief.picture_edge else None,
        observed=_observed(frame, reading, learned),
        answer=answer,
        own_light=own_light,
        overfed=overfed,
    )


def _part_of(path: Path, brief: Brief) -> FramePart | None:
    """Return the part that a frame plays in the plan, when it isn't to be held against it."""
    if brief.plan is None or brief.plan_folder is None:
        return None
    here = os.path.realpath(path)  # which a link round in circles doesn't break
    for part, name, less in brief.plan.frames.marked:
        is_own = part.role != "reference" and less is None
        if is_own and os.path.realpath(brief.plan_folder / name) == here:
            return part
    return None


def _as_held(brief: Brief, frame: Frame, frames: PlanFrames) -> tuple[Brief, LookFor]:
    """Return the brief with the look whose boxes hold for how the camera was held, if any do."""
    plan = brief.plan
    if plan is None:
        return brief, LookFor(brief.look)
    chosen = look_for(plan, brief.look, seen=held(frame.size), own=frames.held(brief))
    if not chosen.has_boxes:
        return replace(brief, plan=without_places(plan), look=None, reference=None), chosen
    if chosen.name != brief.look:
        reference = brief.references.get(chosen.name)
        return replace(brief, look=chosen.name, reference=reference), chosen
    return brief, chosen


def _came_to(part: FramePart, measurement: Measurement, targets: PlanNow) -> float | None:
    """Return what one of the plan's own frames came to, see `Reason.value`."""
    if part.role == "grey":
        return targets.plan.camera.mid_grey
    if part.role == "plate":
        return None if measurement.backdrop is None else measurement.backdrop.uneven
    if part.role == "clip":
        levels = measurement.levels
        named = zip(levels.saturation, levels.black, levels.anchor, strict=True)
        return min((level - black) / (white - black) for level, black, white in named)
    if part.role != "ambient":
        return None
    pairs = [(measurement.patches[one.name].zone, one.target_zone) for one in targets.patches]
    off = [zone - target for zone, target in pairs if zone is not None and target is not None]
    return max(off, default=None)


def _recorded_lamps(
    lamps: LampsSeen | None, references: References
) -> dict[str, LampReading] | None:
    """Return each lamp's output for the record; a lamp whose solo can't be used isn't seen."""
    if lamps is None:
        return None
    unseen = LampReading(None, None, "not seen")
    return lamps.with_spots | dict.fromkeys(references.missing, unseen)


def _lamps(
    reading: Reading,
    references: References,
    targets: PlanNow,
    brief: Brief,
    frames: PlanFrames,
) -> LampsSeen | None:
    """Return what solos say of the lamps; None without solos that fit the frame."""
    light, solos, moved = reading.grid, references.lamps, reading.measurement.moved
    if solos is None or not light.fits(next(iter(solos.nets.values()))):
        return None
    if moved:  # solos lie where the camera stood before
        light = light.brought_back(moved.right, moved.down)
    held = of_the_set(targets) if brief.is_other_look else targets
    knowledge = frames.knowledge(solos, held)
    said = Announced(brief.said, brief.run, brief.turned, is_other=brief.is_other_look)
    return see_lamps(light, solos, knowledge, reading.measurement, said, references.white_cards)


def _answer(
    frame: Frame, reading: Reading, references: References, lamps: LampsSeen | None, brief: Brief
) -> Answer | None:
    if brief.awaited is None or brief.plan is None:
        return None
    if brief.awaited == "clip":
        return clip_answer(frame, reading.ground, references.bodies(brief.plan))
    return answer_for(
        brief.awaited, reading.grid, references, brief.plan, lamps=lamps, said=brief.said
    )


def _own_light(
    reading: Reading,
    references: References,
    targets: PlanNow,
    brief: Brief,
    frames: PlanFrames,
) -> Answer | None:
    """Return whether a frame of the build-up shows the own light of the lamp that comes on."""
    asked = brief.comes_on
    if asked is None or brief.plan is None:
        return None
    less = None
    if asked.less is not None:
        try:
            less = frames.light(asked.less, targets, look=brief.look)
        except (StopwiseError, OSError):
            return None  # moved away since: the next frame may do
    return own_light_answer(asked, reading.grid, less, references, brief.plan, said=brief.said)


def _bare(answer: Answer, reading: Reading, targets: PlanNow) -> Answer:
    """Refuse a plate in which somebody was left."""
    is_left = shows_sitter(reading.grid, targets)
    return Answer("plate", LampNote("sitter in plate")) if is_left else answer


def _observed(frame: Frame, reading: Reading, learned: Mapping[str, float]) -> Observed:
    above = share_above(reading.ground.cells, learned)
    observed = reading.ground.levels.observed
    return Observed(
        levels={frame.key_of(name): level for name, level in observed.items()},
        above={frame.key_of(name): share for name, share in above.items()},
        bits=frame.bits,
    )
