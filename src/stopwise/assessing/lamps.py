"""What solos say of the lamps in one frame, ready for the judge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.judging.lamps import LampsSeen
from stopwise.lights.knowledge import Circumstances, know
from stopwise.lights.outputs import expect, read_lamps
from stopwise.lights.solo import exposure_stops

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.lights.reduced import LightPicture
    from stopwise.lights.solo import LampSet
    from stopwise.measuring.measurement import Measurement
    from stopwise.plan.wishes import Wishes


def see_lamps(
    light: LightPicture,
    lamps: LampSet | None,
    wishes: Wishes,
    measurement: Measurement,
    *,
    said: Mapping[str, float] | None = None,
) -> LampsSeen | None:
    """Read each lamp's output in a frame; None without solos that fit it.

    Parameters
    ----------
    light
        The frame's light, reduced.
    lamps
        The solos.
    wishes, measurement
        What holds now, and what the frame measured.
    said
        Stops that lamps were turned from their solos, where somebody said so.
    """
    if lamps is None or light.mean.shape != next(iter(lamps.nets.values())).mean.shape:
        return None
    around = Circumstances(
        expected={name: expect(name, said, None) for name in lamps.names},
        exposure_stops=-exposure_stops(light.exposure, lamps.exposure, shutter=False),
        shutter_slope=measurement.shutter.slope_stops,
    )
    return LampsSeen(read_lamps(light, lamps, said=said), know(lamps, wishes), around)
