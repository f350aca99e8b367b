"""A frame shot far over on purpose tells where a body stops, and later frames are counted by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from stopwise import measure
from stopwise.cells import cells_of
from stopwise.frame import Camera
from stopwise.measurement.levels import find_levels
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.reading import stops_known
from stopwise.measurement.saturation import ShotStop, full_from
from stopwise.measurement.shot_over import clip_of, read_stops
from stopwise.plan.model import Plan
from support.outside import FIRST_PROVING, Exposed, blown, clean, shot_over

SHOWN = [FIRST_PROVING + number for number in (5, 8)]
HUMP = FIRST_PROVING + 61
"""A frame whose red light piles up below the stop as if it stopped there too."""

MORE = [
    pytest.param(seed, marks=pytest.mark.slow)
    for seed in range(FIRST_PROVING + 40, FIRST_PROVING + 70)
    if seed != HUMP
]


def stops_of(exposed: Exposed, *, mosaic: np.ndarray | None = None):
    """Return what a frame shows of where it stops."""
    frame = exposed.frame if mosaic is None else replace(exposed.frame, mosaic=mosaic)
    cells = cells_of(frame)
    return read_stops(cells, noise=sensor_noise(cells), iso=frame.exposure.iso)


def true_stops(exposed: Exposed) -> dict[str, ShotStop]:
    """Return where each colour stops, and its scatter as far as the file's top level shows it."""
    sensor = exposed.sensor
    top = sensor.black + sensor.span
    return {
        name: recorded(sensor.black + stop * sensor.span, sensor.spread * stop * sensor.span, top)
        for name, stop in zip(exposed.frame.colours, sensor.stops, strict=True)
    }


def recorded(level: float, spread: float, top: float) -> ShotStop:
    """Return a stop whose scatter above a level is written as that level: RMS of min(x, top)."""
    off = spread * norm.ppf((np.arange(10_000) + 0.5) / 10_000)
    return ShotStop(level, float(np.sqrt(np.mean(np.minimum(off, top - level) ** 2))))


def planned(clip) -> Plan:
    """Return a plan with a `[camera.clip]`."""
    return Plan.model_validate(
        {"schema": 1, "camera": {"clip": clip.model_dump(exclude_none=True)}}
    )


@pytest.mark.parametrize("seed", [*SHOWN, *MORE])
def test_two_stops_over_each_colours_stop_and_its_scatter_are_read(seed):
    exposed = shot_over(seed, stops=2.0)
    shown = stops_of(exposed)
    assert shown.why is None
    for name, true in true_stops(exposed).items():
        room = 0.1 * true.spread + 0.0005 * exposed.sensor.span + 0.5
        assert shown.stops[name].level == pytest.approx(true.level, abs=room)
        assert shown.stops[name].spread == pytest.approx(true.spread, rel=0.1, abs=0.5)


def test_light_that_piles_up_below_the_stop_is_refused_and_no_level_is_made_up():
    """It isn't told from a second stop; one white thing alone, as is then asked for, tells."""
    shown = stops_of(shot_over(HUMP, stops=2.0))
    assert (shown.why, shown.channels, shown.stops) == ("two levels", ("R",), {})


@pytest.mark.parametrize("seed", [*SHOWN, *MORE])
def test_a_frame_of_which_nothing_is_full_tells_no_stop_and_has_nothing_counted_by_the_true(seed):
    fine = clean(seed)
    shown = stops_of(fine)
    assert shown.why == "not over"
    assert shown.stops == {}
    clip = clip_of(fine.frame, true_stops(fine))
    assert measure(fine.frame, planned(clip)).clipping.any < 0.0005


def test_a_frame_in_which_only_the_greens_are_full_names_the_others():
    exposed = shot_over(FIRST_PROVING + 8, stops=0.1)
    shown = stops_of(exposed)
    assert shown.why == "not over"
    assert "G" not in shown.channels


def test_a_sensor_of_which_one_half_stops_lower_is_refused():
    exposed = shot_over(FIRST_PROVING + 8, stops=2.0)
    mosaic = exposed.frame.mosaic.copy()
    half = mosaic[:, : mosaic.shape[1] // 2]
    levels = np.random.default_rng(3).normal(0.95, 0.001, half.shape) * mosaic.max()
    np.minimum(half, np.rint(levels).astype(np.uint16), out=half)
    shown = stops_of(exposed, mosaic=mosaic)
    assert shown.why == "two levels"


@pytest.mark.parametrize("seed", [*SHOWN, *MORE])
def test_what_is_full_is_counted_once_the_stops_are_known(seed):
    """By the true stops, within 1 % of the frame."""
    exposed = blown(seed)
    clip = clip_of(exposed.frame, true_stops(exposed))
    measured = measure(exposed.frame, planned(clip))
    assert measured.levels.saturation_source == "shot"
    assert measured.clipping.any == pytest.approx(exposed.any_clipped, abs=0.01)
    assert measured.clipping.may_be is None


def test_a_stop_where_light_stands_above_is_not_used_and_said():
    exposed = blown(SHOWN[0])
    stops = {
        name: ShotStop(0.9 * at, scatter) for name, (at, scatter) in true_stops(exposed).items()
    }
    without = measure(exposed.frame).levels
    levels = measure(exposed.frame, planned(clip_of(exposed.frame, stops))).levels
    assert levels.why["saturation"] == "above_shot"
    assert levels.saturation == without.saturation


def test_zones_stand_where_they_stood():
    exposed = blown(SHOWN[0])
    clip = clip_of(exposed.frame, true_stops(exposed))
    assert (
        measure(exposed.frame, planned(clip)).levels.anchor == measure(exposed.frame).levels.anchor
    )


def test_another_body_or_named_white_takes_nothing_and_another_iso_what_is_likely():
    exposed = blown(SHOWN[0])
    body = Camera("Made", "One", None)
    frame = replace(exposed.frame, camera=body, exposure=replace(exposed.frame.exposure, iso=100.0))
    clip = clip_of(frame, true_stops(exposed))
    assert stops_known(clip, frame).stops.keys() == set(frame.colours)
    other = replace(frame, camera=Camera("Made", "Two", None))
    named = replace(frame, levels=replace(frame.levels, white=frame.levels.white - 1.0))
    for one in (other, named):
        assert (stops_known(clip, one).stops, stops_known(clip, one).likely) == ({}, {})
    faster = replace(frame, exposure=replace(frame.exposure, iso=400.0))
    assert stops_known(clip, faster).stops == {}
    assert stops_known(clip, faster).likely == clip.level
    cells = cells_of(faster)
    levels = find_levels(cells, noise=None, learned=stops_known(clip, faster).likely)
    assert levels.saturation_source in ("observed", "learned")


def test_below_a_known_stop_nothing_is_full():
    counts = np.zeros(65536, np.int64)
    counts[1000:1200] = 50
    assert full_from(counts, ShotStop(2000.0, 10.0)) == 2000
    counts[1990:2011] = 500
    assert full_from(counts, ShotStop(2000.0, 6.0)) < 1995
