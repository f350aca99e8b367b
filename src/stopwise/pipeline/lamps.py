"""What solos say of the lamps in one frame, ready for the judge."""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.lamps.beam_spots import Followed, Sitter, read_spots, with_spots
from stopwise.lamps.blame import Circumstances, Knowledge, know
from stopwise.lamps.outputs import expect, read_lamps
from stopwise.lamps.solos import exposure_stops
from stopwise.lamps.unmixing import Shift
from stopwise.pipeline.remembered import Remembered
from stopwise.plan.now import stays_with_the_set
from stopwise.verdict.lamps import LampsSeen

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.measurement.measurement import Measurement
    from stopwise.pipeline.brief import Brief
    from stopwise.plan.now import PlanNow


def see_lamps(
    light: LightGrid,
    lamps: LampSet | None,
    targets: PlanNow,
    measurement: Measurement,
    brief: Brief,
    *,
    white_cards: Mapping[str, WhiteCard] | None = None,
) -> LampsSeen | None:
    """Read each lamp's output in a frame; None without solos that fit it.

    Parameters
    ----------
    light
        The frame's light, reduced.
    lamps
        The solos.
    targets, measurement
        What holds now, and what the frame measured.
    brief
        What was said of the lamps, and the take's readings so far. Where clothes or sitter are
        others than in the solos, lamps are read from the paper and from patches of the set, and
        solos say nothing of other patches.
    white_cards
        Each lamp's spot as its white card shows it; nothing is read of spots in other clothes.
    """
    if lamps is None or not light.fits(next(iter(lamps.nets.values()))):
        return None
    only = None
    if brief.is_other_stuff:
        targets = _of_the_set(targets)
        only = _boxes(targets)
        if not only:
            return None
    around = Circumstances(
        expected={name: expect(name, brief.said, brief.run) for name in lamps.names},
        exposure_stops=-exposure_stops(light.exposure, lamps.exposure, shutter=False),
        shutter_slope=measurement.shutter.slope_stops,
    )
    placement = place_of(measurement, targets) if only is None else None
    readings = read_lamps(
        light, lamps, said=brief.said, run=brief.run, placement=placement, only=only
    )
    known = _KNOWN.of(lamps, targets, make=lambda: know(lamps, targets))
    if not white_cards or only is not None:
        return LampsSeen(readings, known, around)
    lit = {
        name: card for name, card in white_cards.items() if brief.lit is None or name in brief.lit
    }
    sitter = Sitter(placement, followed_by_lamp(measurement, targets, placement))
    spots = read_spots(light, lamps, lit, readings, around.expected, sitter)
    return LampsSeen(with_spots(readings, spots, around.expected), known, around, spots)


_KNOWN: Remembered[Knowledge] = Remembered()


def _of_the_set(targets: PlanNow) -> PlanNow:
    """Return the targets on what stays when clothes or sitter change."""
    before = {(patch.name, patch.box) for patch in targets.plan.patches}
    stays = tuple(
        patch
        for patch in targets.measured
        if stays_with_the_set(patch) and (patch.name, patch.box) in before
    )
    names = {patch.name for patch in stays}
    return replace(
        targets,
        measured=stays,
        patches=tuple(patch for patch in targets.patches if patch.name in names),
        ratios=tuple(target for target in targets.ratios if {target.lit, target.shadow} <= names),
        separations=tuple(
            target for target in targets.separations if {target.lighter, target.darker} <= names
        ),
    )


def _boxes(targets: PlanNow) -> tuple[Box, ...]:
    paper = () if targets.plan.backdrop is None else targets.plan.backdrop.boxes
    return (*(patch.box for patch in targets.measured), *paper)


def place_of(measurement: Measurement, targets: PlanNow) -> Shift | None:
    """Return a hint how far the sitter is from where the plan's boxes have him.

    It is the median over the followed patches that were found again; None where none was.
    """
    moves = [
        ((now[0] + now[2] - then[0] - then[2]) / 2.0, (now[1] + now[3] - then[1] - then[3]) / 2.0)
        for patch in targets.measured
        if patch.follow
        and (reading := measurement.patches.get(patch.name)) is not None
        and reading.score is not None
        and reading.zone is not None
        for then, now in ((patch.box, reading.box),)
    ]
    if not moves:
        return None
    dx, dy = (float(median(steps)) for steps in zip(*moves, strict=True))
    return Shift(dx, dy, is_sure=False)


def followed_by_lamp(
    measurement: Measurement, targets: PlanNow, placement: Shift | None
) -> dict[str, tuple[Followed, ...]]:
    """Return the patches that go with the sitter, by the lamp that leads them.

    One that wasn't found again, such as a cheek in the dark, is where the others went; it is left
    out where nobody knows, or where that is outside.
    """
    found: dict[str, tuple[Followed, ...]] = {}
    for patch in targets.measured:
        reading = measurement.patches.get(patch.name)
        if not patch.follow or not patch.lit_by or reading is None:
            continue
        now = reading.box
        if reading.zone is None:
            if placement is None:
                continue
            x0, y0, x1, y1 = patch.box
            dx, dy = placement.dx, placement.dy
            now = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
            if min(now) < 0.0 or max(now) > 1.0:
                continue
        lead = patch.lit_by[0]
        found[lead] = (*found.get(lead, ()), Followed(patch.box, now))
    return found
