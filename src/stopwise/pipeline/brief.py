"""Brief: by what a frame is judged; and Assessment: all that came of it. Both cross processes."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from pathlib import Path  # noqa: TC003 - pickled with its types
from typing import TYPE_CHECKING, Any

from stopwise.frame import CameraKey

if TYPE_CHECKING:
    from stopwise.grid import LightGrid
    from stopwise.lamps.lamp_notes import LampNote
    from stopwise.lamps.outputs import LampReading
    from stopwise.plan.model import ClipPlan, FramePart, Plan
    from stopwise.record import Record

LevelTable = Mapping[CameraKey, float]
"""Learned saturation levels, raw levels."""


@dataclass(frozen=True, slots=True)
class ComesOn:
    """The one lamp of those that are meant to be lit whose own light isn't known yet.

    Attributes
    ----------
    lamp
        The lamp.
    less
        The newest frame under the others; None where it is the only one that is lit.
    """

    lamp: str
    less: Path | None = None


@dataclass(frozen=True, slots=True)
class Brief:
    """By what one frame is judged.

    Attributes
    ----------
    plan
        The plan; None only measures.
    plan_folder
        Where the plan's own frames are looked for.
    file
        What the record calls the frame; empty for the path as given.
    take, look, lit
        The take's number, the look that is worn, the lamps that are meant to be lit (None: all).
    said
        What each lamp is expected to give against its solo, stops, as takes say; None where nobody
        has said anything.
    turned
        The lamps of which a turn was announced in this take.
    powers
        Where dials stand now, stops below full, as far as takes have turned them.
    run
        What lamps gave in the take's frames so far, oldest first.
    awaited
        The part that this frame is meant to play; it is held against that instead of the plan.
    comes_on
        The lamp whose own light this frame may show; None where that can't be.
    is_other_look
        Whether clothes or sitter are others than in the solos: lamps are then read from the set.
    reference
        The take's first on-plan frame, where the plan names no reference; the look's own, where one
        is worn.
    references
        The same of each look, None for the plan's own: a turned camera has another one chosen.
    full
        The newest frame that shows all lamps lit, where one is known; a look's frames are none.
    unproved
        Lamps whose solos no frame under all lamps was held against yet.
    learned
        Saturation levels that the ledger has learned.
    picture_edge
        Longest edge of the reduced picture to bring along, in cells; 0 for none.
    """

    plan: Plan | None = None
    plan_folder: Path | None = None
    file: str = ""
    take: int | None = None
    look: str | None = None
    lit: tuple[str, ...] | None = None
    said: Mapping[str, float] | None = None
    turned: tuple[str, ...] = ()
    powers: Mapping[str, float] = field(default_factory=dict)
    run: tuple[Mapping[str, LampReading], ...] = ()
    awaited: str | None = None
    comes_on: ComesOn | None = None
    is_other_look: bool = False
    reference: Path | None = None
    references: Mapping[str | None, Path] = field(default_factory=dict)
    full: Path | None = None
    unproved: tuple[str, ...] = ()
    learned: LevelTable = field(default_factory=dict)
    picture_edge: int = 0


@dataclass(frozen=True, slots=True)
class Observed:
    """Saturation seen in one frame, for the ledger to learn from.

    Attributes
    ----------
    levels
        Raw level of the pile-up of each colour that has one.
    above
        Share of each colour's photosites above its learned level, where one is known.
    bits
        Depth of its levels, where known.
    """

    levels: LevelTable
    above: Mapping[CameraKey, float]
    bits: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether a frame can play a part; it crosses processes.

    Attributes
    ----------
    part
        The part it was held against.
    refused
        Why it can't; None where it can.
    warnings
        What else is to be said of it.
    spoilt
        What this frame shows to be wrong with solos of other lamps.
    clip
        Where photosites stop, of a frame that was shot over for that.
    """

    part: str
    refused: LampNote | None = None
    warnings: tuple[LampNote, ...] = ()
    spoilt: tuple[LampNote, ...] = ()
    clip: ClipPlan | None = None


@dataclass(frozen=True, slots=True)
class FrameNote:
    """Why one of the plan's own frames isn't used.

    Attributes
    ----------
    part
        What it is in the plan.
    file
        Its name there.
    condition
        Name of the condition that it is in.
    detail
        What was seen.
    """

    part: FramePart
    file: str
    condition: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that came of one file.

    Attributes
    ----------
    record
        Its `sha256` is still None.
    sha256
        Of the very bytes that were decoded, hexadecimal; None where none were.
    notes
        The plan's own frames that could not be used, each with why.
    picture
        The reduced picture, where the brief asked for one and the file was readable.
    observed
        Saturation for the ledger to learn; None for an unreadable file.
    answer
        Whether the frame can play the part that is awaited; None where none is.
    own_light
        Whether it shows the own light of the lamp that comes on; None where it wasn't asked.
    overfed
        What is to be said of lamps that gave more alone than in this frame, which all light.
    """

    record: Record
    sha256: str | None = None
    notes: tuple[FrameNote, ...] = ()
    picture: LightGrid | None = None
    observed: Observed | None = None
    answer: Answer | None = None
    own_light: Answer | None = None
    overfed: tuple[LampNote, ...] = ()


@dataclass(frozen=True, slots=True)
class Need:
    """One of the plan's own frames that must be read first.

    Attributes
    ----------
    key
        Which frame, as it lies there now, and how it is to be read.
    arguments
        Of what reads it, `PlanFrames.read_needed`.
    size
        Bytes of its file.
    """

    key: Hashable
    arguments: tuple[Any, ...]
    size: int


class UnreadNeedsError(Exception):
    """A frame can't be judged before some of the plan's own frames are read.

    Parameters
    ----------
    needs
        Which.
    """

    def __init__(self, needs: tuple[Need, ...]) -> None:
        self.needs = needs
        super().__init__(needs)
