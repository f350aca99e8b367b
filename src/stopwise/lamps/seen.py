"""What solos say of the lamps in one frame: what each gave, and what became of its spot."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.lamps.beam_spots import Followed, Sitter, read_spots, with_spots
from stopwise.lamps.blame import Circumstances
from stopwise.lamps.outputs import LampReading, expect, read_lamps, setting_now
from stopwise.lamps.solos import exposure_stops
from stopwise.lamps.unmixing import Shift
from stopwise.measurement.figures import CameraMove

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from stopwise.frame import Box, Point
    from stopwise.grid import LightGrid
    from stopwise.lamps.blame import Knowledge
    from stopwise.lamps.outputs import SpotReading
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.now import PlanNow


@dataclass(frozen=True, slots=True)
class Announced:
    """What is known of the lamps before a frame is read.

    Attributes
    ----------
    turned
        Stops of each lamp from its solo, as announced; None where nobody has said anything.
    run
        The take's readings so far, oldest first.
    lamps
        The lamps of which a turn was announced in this take.
    is_other
        Whether clothes or sitter are others than in the solos: lamps are then read from what stays
        with the set.
    """

    turned: Mapping[str, float] | None = None
    run: Sequence[Mapping[str, LampReading]] = ()
    lamps: Collection[str] = ()
    is_other: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class LampsSeen:
    """Each lamp's output in one frame, and what solos say of the plan's targets.

    Attributes
    ----------
    readings
        By lamp.
    knowledge, around
        What solos say of the targets, and what else is known of the frame.
    spots
        What became of the spots of lamps that have a white card, by lamp.
    """

    readings: Mapping[str, LampReading]
    knowledge: Knowledge
    around: Circumstances
    spots: Mapping[str, SpotReading] = field(default_factory=dict)

    @property
    def with_spots(self) -> dict[str, LampReading]:
        """Each lamp's reading with what became of its spot, as the record keeps it."""
        return {
            name: replace(reading, spot=self.spots.get(name))
            for name, reading in self.readings.items()
        }

    def out(self, now: PlanNow) -> list[str]:
        """Return the lamps that are meant to be lit and gave no light."""
        return [
            name
            for name, reading in self.readings.items()
            if reading.state == "out" and (now.lit is None or name in now.lit)
        ]


def see_lamps(
    light: LightGrid,
    lamps: LampSet,
    knowledge: Knowledge,
    measurement: Measurement,
    said: Announced,
    cards: Mapping[str, WhiteCard],
) -> LampsSeen | None:
    """Read each lamp's output in a frame.

    Parameters
    ----------
    light
        The frame's light, on the solos' grid.
    lamps, knowledge
        The solos, and what they say of the targets: where clothes or sitter are others, of those on
        what stays with the set.
    measurement
        What the frame measured.
    said
        What is known of the lamps.
    cards
        Each lamp's spot as its white card shows it; nothing is read of spots in other clothes.

    Returns
    -------
    LampsSeen or None
        None where clothes or sitter are others and nothing that stays is known.
    """
    now = knowledge.now
    only = None
    if said.is_other:
        paper = () if now.plan.backdrop is None else now.plan.backdrop.boxes
        only = (*(patch.box for patch in now.measured), *paper)
        if not only:
            return None
    placement = place_of(measurement, now) if only is None else None
    around = Circumstances(
        expected={name: expect(name, said.turned, said.run) for name in lamps.names},
        exposure_stops=-exposure_stops(light.exposure, lamps.exposure, shutter=False),
        shutter_slope=measurement.shutter.slope_stops,
        off_mark=math.inf if placement is None else placement.size,
    )
    readings = read_lamps(
        light, lamps, said=said.turned, run=said.run, placement=placement, only=only
    )
    for name in _beside_unknown(now, lamps):
        if readings[name].state != "out":  # light that isn't its own makes no lamp seem out
            readings[name] = LampReading(None, None, "not seen")
    if not cards or only is not None:
        return LampsSeen(_with_settings(readings, now, said), knowledge, around)
    lit = {name: card for name, card in cards.items() if now.lit is None or name in now.lit}
    sitter = Sitter(placement, followed_by_lamp(measurement, now, placement))
    spots = read_spots(light, lamps, lit, readings, around.expected, sitter)
    readings = with_spots(readings, spots, around.expected)
    return LampsSeen(_with_settings(readings, now, said), knowledge, around, spots)


def _beside_unknown(now: PlanNow, lamps: LampSet) -> Iterator[str]:
    """Yield the lamps that light a patch together with a lit one whose own light isn't known.

    What that gives there would count as theirs. The paper is lit by all background lamps.
    """
    lit = {light.name for light in now.plan.lights} if now.lit is None else set(now.lit)
    unknown = lit - set(lamps.names)
    paper = [light.name for light in now.plan.lights if light.role == "background"]
    together = [set(patch.lit_by) for patch in now.measured] + [set(paper)]
    for name in lamps.names:
        if any(name in lights and unknown & lights for lights in together):
            yield name


def _with_settings(
    readings: Mapping[str, LampReading], now: PlanNow, said: Announced
) -> dict[str, LampReading]:
    """Return readings with where each lamp's dial stands, as far as that is known."""
    turned = {name: (said.turned or {}).get(name, 0.0) for name in said.lamps}
    return {
        name: replace(one, setting=setting_now(one, now.plan.light(name), turned.get(name)))
        for name, one in readings.items()
    }


def place_of(measurement: Measurement, now: PlanNow) -> Shift | None:
    """Return a hint how far the sitter is from where the plan's boxes have him.

    It is the median over the followed patches that were found again; None where none was.
    """
    moves = moves_of(measurement, now)
    if not moves:
        return None
    dx, dy = (float(median(steps)) for steps in zip(*moves, strict=True))
    return Shift(dx, dy, is_sure=False)


def moves_of(measurement: Measurement, now: PlanNow) -> list[Point]:
    """Return how far to the right and down each followed patch that was found again has moved.

    Fractions of the picture, the camera's own move taken out.
    """
    return [
        (
            (here[0] + here[2] - then[0] - then[2]) / 2.0,
            (here[1] + here[3] - then[1] - then[3]) / 2.0,
        )
        for patch in now.measured
        if patch.follow
        and (reading := measurement.patches.get(patch.name)) is not None
        and reading.score is not None
        and reading.zone is not None
        for then, here in ((patch.box, _in_set(reading.box, measurement)),)
    ]


def _in_set(box: Box, measurement: Measurement) -> Box:
    """Return a box of the picture as it would lie had the camera not moved."""
    moved = measurement.moved or CameraMove()
    x0, y0, x1, y1 = box
    return (x0 - moved.right, y0 - moved.down, x1 - moved.right, y1 - moved.down)


def followed_by_lamp(
    measurement: Measurement, now: PlanNow, placement: Shift | None
) -> dict[str, tuple[Followed, ...]]:
    """Return the patches that go with the sitter, by the lamp that leads them.

    One that wasn't found again, such as a cheek in the dark, is where the others went; it is left
    out where nobody knows, or where that is outside.
    """
    found: dict[str, tuple[Followed, ...]] = {}
    for patch in now.measured:
        reading = measurement.patches.get(patch.name)
        if not patch.follow or not patch.lit_by or reading is None:
            continue
        here = _in_set(reading.box, measurement)
        if reading.zone is None:
            if placement is None:
                continue
            x0, y0, x1, y1 = patch.box
            dx, dy = placement.dx, placement.dy
            here = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
            if min(here) < 0.0 or max(here) > 1.0:
                continue
        lead = patch.lit_by[0]
        allows = None if patch.target_zone is None else patch.allows
        found[lead] = (*found.get(lead, ()), Followed(patch.box, here, allows))
    return found
