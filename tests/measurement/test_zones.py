"""Zones against the zone table of the handbooks and ISO 12232."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.frame import Camera, Exposure
from stopwise.grid import is_blocked
from stopwise.measurement.reading import mid_grey_for, read_zones
from stopwise.plan import Plan
from stopwise.reduction import Asked, reduce
from stopwise.stops import MID_GREY_OF_SATURATION
from support.grids import Signals
from support.light_frames import frame_of


def grid(values, mid_grey=0.18, clipped=None):
    light = Signals(np.asarray(values, np.float32)[None])
    asked = Asked(mid_grey=mid_grey)
    return reduce(light, weights=(1.0,), ceiling=(1.0,), clipped=clipped, asked=asked)


def shares(values, *, mid_grey=0.18):
    return read_zones(grid(values, mid_grey), mid_grey=mid_grey).share


# zone system, zone table of "The Negative": reflectance in %, and the edges half a stop away
ZONE_TABLE = [
    (0, 0.5625, None, 0.7955),
    (1, 1.125, 0.7955, 1.5910),
    (2, 2.25, 1.5910, 3.1820),
    (3, 4.5, 3.1820, 6.3640),
    (4, 9.0, 6.3640, 12.7279),
    (5, 18.0, 12.7279, 25.4558),
    (6, 36.0, 25.4558, 50.9117),
    (7, 72.0, 50.9117, 101.82),
    (8, 144.0, 101.82, 203.65),
    (9, 288.0, 203.65, 407.29),
    (10, 576.0, 407.29, None),
]


@pytest.mark.parametrize(("zone", "middle", "low", "high"), ZONE_TABLE)
def test_each_zone_of_the_table_holds_its_reflectances(zone, middle, low, high):
    inside = [middle]
    inside += [] if low is None else [low * 1.0001]
    inside += [] if high is None else [high * 0.9999]
    found = shares(np.array([inside]) / 100.0)
    assert found[zone] == 1.0
    assert sum(found) == 1.0


def test_a_uniform_ramp_to_white_spreads_as_its_edges_say():
    # edges of the zone table on a uniform ramp 0 to 1: shares are differences of the edges
    found = shares((np.arange(1_000_000) + 0.5)[None] / 1e6)
    expected = [0.7955, 0.7955, 1.5910, 3.1820, 6.3640, 12.7279, 25.4558, 49.0883, 0, 0, 0]
    assert 100 * np.array(found) == pytest.approx(expected, abs=1e-3)


def test_a_uniform_ramp_to_saturation_spreads_by_octaves():
    # ISO 12232: mid-grey lies at 0.18 / sqrt(2) of saturation
    found = shares((np.arange(1_000_000) + 0.5)[None] / 1e6, mid_grey=0.18 / math.sqrt(2))
    expected = [0.5625, 0.5625, 1.125, 2.25, 4.5, 9, 18, 36, 28, 0, 0]
    assert 100 * np.array(found) == pytest.approx(expected, abs=1e-3)


def test_a_ramp_even_in_stops_gives_every_zone_the_same():
    ramp = 0.18 * 2.0 ** (np.linspace(-0.5, 10.5, 110_001)[:-1] - 5.0)
    assert shares(ramp[None]) == pytest.approx([1 / 11] * 11, abs=1e-4)


def test_zones_end_at_7_97_where_the_sensor_does():
    # ISO 12232: 5 + log2(sqrt(2) / 0.18) = 7.973931
    found = shares([[1.0]], mid_grey=MID_GREY_OF_SATURATION)
    assert found[8] == 1.0
    assert 5 + math.log2(1.0 / MID_GREY_OF_SATURATION) == pytest.approx(7.973931, abs=1e-6)


def test_clipped_cells_are_counted_apart():
    light = np.full((2, 4), 0.18, np.float32)
    clipped = np.zeros((2, 4), bool)
    clipped[0, :2] = True
    zones = read_zones(grid(light, clipped=clipped), mid_grey=0.18)
    assert zones.clipped == 0.25
    assert zones.share is not None
    assert zones.share[5] == 0.75


def test_darkness_and_noise_under_black_fall_into_zone_0():
    assert shares([[0.0, -0.01, 1e-9]])[0] == 1.0


@given(st.integers(-3, 3), st.integers(0, 100))
def test_a_stop_more_light_moves_every_zone_up_by_one(stops, seed):
    zone = np.random.default_rng(seed).uniform(3.0, 7.0, 500)
    light = 0.18 * 2.0 ** (zone - 5.0)
    before, after = shares([light]), shares([light * 2.0**stops])
    assert np.roll(before, stops) == pytest.approx(after)


def test_blocked_begins_four_stops_under_mid_grey():
    assert is_blocked(np.array([0.0099, 0.0101]), 0.16).tolist() == [True, False]


def plan(**camera):
    return Plan.model_validate({"schema": 1, "camera": camera})


def frame(model="LF-1", iso=100.0):
    return frame_of(
        np.zeros((2, 2), np.uint16), camera=Camera("Lumenfold", model), exposure=Exposure(iso=iso)
    )


def test_mid_grey_is_12_73_percent_of_saturation_until_calibrated():
    # ISO 12232, saturation-based speed: 0.18 / sqrt(2) = 0.127279
    assert mid_grey_for(frame(), None) == pytest.approx(0.127279, abs=1e-6)
    assert mid_grey_for(frame(), plan()) == pytest.approx(0.127279, abs=1e-6)


@pytest.mark.parametrize(
    ("model", "iso", "seen"),
    [
        ("LF-1", 100.0, True),
        ("LF-1", 101.0, True),
        ("LF-1", 125.0, False),
        ("LF-2", 100.0, False),
        (None, 100.0, False),
        ("LF-1", None, False),
    ],
)
def test_calibrated_mid_grey_holds_for_its_body_and_iso_only(model, iso, seen):
    calibrated = plan(mid_grey=0.14, mid_grey_model="LF-1", mid_grey_iso=100)
    assert mid_grey_for(frame(model, iso), calibrated) == (0.14 if seen else None)


def test_mid_grey_that_names_no_body_holds_for_all():
    assert mid_grey_for(frame("other", 800.0), plan(mid_grey=0.14)) == 0.14


def test_without_mid_grey_the_shares_are_not_seen_but_clipping_is():
    zones = read_zones(grid(np.ones((2, 2)), clipped=np.ones((2, 2), bool)), mid_grey=None)
    assert zones.share is None
    assert zones.clipped == 1.0
