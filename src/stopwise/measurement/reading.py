"""The reading of one frame: cells, levels, masks and figures, put together once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.backdrop import read_backdrop
from stopwise.measurement.blocks import reduce_blocks
from stopwise.measurement.cells import reduce
from stopwise.measurement.clipping import clip_masks, read_clipping
from stopwise.measurement.follow import LEAST_SCORE, find
from stopwise.measurement.levels import find_levels
from stopwise.measurement.margins import with_margins
from stopwise.measurement.measurement import Measurement, Ratio
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.patches import Ground, lost_patch, read_patch
from stopwise.measurement.shutter import read_shutter
from stopwise.measurement.sitter import find_parts, spread
from stopwise.measurement.split import split_ratio
from stopwise.measurement.zones import blocked_under, mid_grey_for, read_zones
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.frame import Frame
    from stopwise.measurement.blocks import Blocks
    from stopwise.measurement.cells import Cells
    from stopwise.measurement.measurement import BackdropReading, Levels, PatchReading
    from stopwise.measurement.sitter import Parts
    from stopwise.plan.now import PlanNow

_SAMPLE = 4
_MOST_SPLIT = 700_000
"""Cells of the whole frame among which the subject is split."""
_DARK_NOISES = 3.0


@dataclass(frozen=True, eq=False, slots=True)
class Known:
    """What other frames tell of this one.

    Attributes
    ----------
    learned
        Saturation levels by colour, from frames of this camera at this ISO.
    reference
        The frame that patches are followed from, reduced.
    plate
        The bare backdrop, reduced.
    even
        The set as its lamps light it with nothing cut off by the shutter, where no reference shows
        it: such as the sum of solos.
    """

    learned: Mapping[str, float] | None = None
    reference: Blocks | None = None
    plate: Blocks | None = None
    even: Blocks | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Reading:
    """A frame that was read, with what other rooms need of it.

    Attributes
    ----------
    measurement
        The figures.
    cells, levels
        The cells, and where photosites stop.
    clipped
        bool (h, w), cells with a clipped photosite.
    blocks
        The frame reduced, clipped cells left out.
    """

    measurement: Measurement
    cells: Cells
    levels: Levels
    clipped: NDArray[np.bool_]
    blocks: Blocks


def read(
    frame: Frame,
    plan: Plan | None = None,
    *,
    look: str | None = None,
    known: Known | None = None,
) -> Reading:
    """Read a frame once, with all that the plan asks for.

    Parameters
    ----------
    frame
        The decoded frame.
    plan
        Its patches, backdrop and limits; None measures what needs no plan.
    look
        Name of the look that is worn.
    known
        What other frames tell of this one.
    """
    known = known or Known()
    targets = plan_now(plan or Plan(), look=look)
    cells = reduce(frame, balance=targets.plan.camera.balance)
    ground = _ground(frame, cells, targets, known)
    clipped = None if ground.masks is None else ground.masks.any
    blocks = reduce_blocks(cells.luminance, None if clipped is None else ~clipped)
    boxes = targets.plan.backdrop.boxes if targets.plan.backdrop else ()
    parts = find_parts(blocks, boxes, plate=known.plate)
    patches = _patches(ground, targets, blocks, known.reference)
    measurement = Measurement(
        camera=frame.camera,
        exposure=frame.exposure,
        size=frame.size,
        levels=ground.levels,
        clipping=read_clipping(
            cells,
            ground.levels,
            ground.masks,
            blocked_under=None if ground.mid_grey is None else blocked_under(ground.mid_grey),
            patches={name: patch.box for name, patch in patches.items()},
        ),
        zones=read_zones(cells.luminance, mid_grey=ground.mid_grey, clipped=clipped),
        patches=patches,
        ratios=_ratios(ground, targets, patches, spread(parts.subject, blocks)),
        backdrop=_backdrop(ground, targets, blocks, parts, known.plate),
        shutter=read_shutter(
            blocks,
            orientation=frame.orientation,
            parts=parts,
            reference=known.even if known.reference is None else known.reference,
        ),
        subject_log2_y=_middle(cells, clipped),
    )
    some = np.zeros(cells.shape, dtype=bool) if clipped is None else clipped
    return Reading(measurement, cells, ground.levels, some, blocks)


def _ground(frame: Frame, cells: Cells, targets: PlanNow, known: Known) -> Ground:
    camera = targets.plan.camera
    noise = sensor_noise(cells, frame.masked)
    levels = find_levels(
        cells,
        noise=noise,
        raw_clip=camera.raw_clip,
        learned=known.learned,
        iso=frame.exposure.iso,
    )
    masks = clip_masks(cells, levels, pinpoint_largest=targets.plan.limits.pinpoint_largest)
    levels = with_margins(levels, frame)
    return Ground(cells, levels, masks, noise, mid_grey_for(frame, targets.plan))


def _patches(
    ground: Ground, targets: PlanNow, blocks: Blocks, reference: Blocks | None
) -> dict[str, PatchReading]:
    """Read every patch where it lies now."""
    followed = [patch for patch in targets.measured if patch.follow and reference is not None]
    placed = {}
    if reference is not None and followed:
        places = find(reference, blocks, [patch.box for patch in followed])
        placed = {patch.name: place for patch, place in zip(followed, places, strict=True)}
    readings = {}
    for patch in targets.measured:
        place = placed.get(patch.name)
        if place is not None and place.score < LEAST_SCORE:
            readings[patch.name] = lost_patch(place.box, place.score)
            continue
        box = patch.box if place is None else place.box
        reading = read_patch(ground, box, read_at=patch.defaults.read_at)
        readings[patch.name] = reading if place is None else replace(reading, score=place.score)
    return readings


def _ratios(
    ground: Ground,
    targets: PlanNow,
    patches: Mapping[str, PatchReading],
    subject: NDArray[np.bool_],
) -> tuple[Ratio, ...]:
    """Return every ratio of the plan, or with none the split of the subject."""
    if targets.ratios:
        return tuple(
            _between(target.lit, target.shadow, patches)
            for target in targets.ratios
            if target.lit in patches and target.shadow in patches
        )
    return (_split(ground, subject),)


def _split(ground: Ground, subject: NDArray[np.bool_]) -> Ratio:
    """Split the subject's unclipped cells, evenly thinned out in a large frame."""
    cells = ground.cells
    every = max(1, round(math.sqrt(subject.size / _MOST_SPLIT)))
    at = (slice(None, None, every), slice(None, None, every))
    held = subject[at] if ground.masks is None else subject[at] & ~ground.masks.any[at]
    colours = None
    if "R" in cells.channels:
        red, green, blue = (cells.signal(name, at) for name in "RGB")
        colours = (red, green, blue)
    floor = _DARK_NOISES * _dark_noise(ground)
    return split_ratio(cells.luminance[at], held, floor=floor, colours=colours)


def _between(lit: str, shadow: str, patches: Mapping[str, PatchReading]) -> Ratio:
    above, below = patches[lit], patches[shadow]
    if above.log2_y is None or below.log2_y is None:
        return Ratio(None, "patches", lit=lit, shadow=shadow, why="patch_not_seen")
    return Ratio(
        stops=above.log2_y - below.log2_y,
        by="patches",
        lit=lit,
        shadow=shadow,
        uncertainty=math.hypot(above.uncertainty or 0.0, below.uncertainty or 0.0),
    )


def _dark_noise(ground: Ground) -> float:
    """Return about what read noise is in Y, from the colour that weighs most."""
    if ground.noise is None:
        return 0.0
    span = ground.cells.anchor[0] - ground.cells.black[0]
    return math.sqrt(max(ground.noise.dark)) / span


def _backdrop(
    ground: Ground, targets: PlanNow, blocks: Blocks, parts: Parts, plate: Blocks | None
) -> BackdropReading | None:
    backdrop = targets.plan.backdrop
    if backdrop is None:
        return None
    cells = ground.cells
    colours = None
    if "R" in cells.channels:
        red, green, blue = (cells.signal(name, blocks.window) for name in "RGB")
        colours = (red, green, blue)
    return read_backdrop(
        blocks,
        backdrop.boxes,
        mid_grey=ground.mid_grey,
        colours=colours,
        plate=plate,
        parts=parts,
    )


def _middle(cells: Cells, clipped: NDArray[np.bool_] | None) -> float | None:
    """Return the median log2 Y of the frame's unclipped cells, from every sixteenth of them."""
    every = (slice(None, None, _SAMPLE), slice(None, None, _SAMPLE))
    light = cells.luminance[every]
    if clipped is not None:
        light = light[~clipped[every]]
    level = float(np.median(light)) if light.size else 0.0
    return math.log2(level) if level > 0 else None
