"""Clipping against brute counts, the normal distribution and scikit-image's labels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from skimage.measure import label, regionprops

from stopwise.cells import cells_of
from stopwise.measurement.clipping import find_clipped, headroom_stops, read_clipping
from stopwise.measurement.figures import Levels
from support.light_frames import Sensor, exact, frame_of


def file_levels(cells, saturation=16383.0, tolerance=0.0):
    every = (saturation,) * len(cells.colours)
    return Levels(cells.black, every, cells.anchor, "file", (tolerance,) * len(every))


def clipping_of(frame, *, pinpoint_largest=0.00005, saturation=16383.0, **options):
    cells = cells_of(frame)
    levels = file_levels(cells, saturation)
    masks = find_clipped(cells, levels, pinpoint_largest=pinpoint_largest)
    return read_clipping(cells, levels, masks, **options), masks


def blobs(seed=0, shape=(120, 160), share=0.02):
    """Return cells that are full in random blobs of many sizes."""
    rng = np.random.default_rng(seed)
    full = rng.random(shape) < share / 4.0
    for _ in range(6):
        row, column = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        tall, wide = rng.integers(2, 20, 2)
        full[row : row + tall, column : column + wide] = True
    return full


def full_where(mask, level=1.2):
    """Return a frame whose cells in a mask are full in every colour."""
    return exact(np.where(mask, level * 2.0, 0.1).repeat(2, 0).repeat(2, 1))


def test_nothing_clipped_is_told_from_the_histograms_alone():
    found, masks = clipping_of(exact(np.full((20, 20), 0.3)))
    assert masks is None
    assert (found.any, found.all, found.areas, found.pinpoints.count) == (0.0, 0.0, (), 0)


@given(st.integers(0, 10_000))
def test_shares_of_cells_and_photosites_are_those_of_a_plain_count(seed):
    rng = np.random.default_rng(seed)
    mosaic = np.where(rng.random((12, 16)) < 0.2, 16383, 4000).astype(np.uint16)
    found, _ = clipping_of(frame_of(mosaic))
    full = mosaic.reshape(6, 2, 8, 2).transpose(0, 2, 1, 3).reshape(48, 4) == 16383
    assert found.any == pytest.approx(full.any(axis=1).mean())
    assert found.all == pytest.approx(full.all(axis=1).mean())
    expected = {"R": full[:, 0].mean(), "G": full[:, 1:3].mean(), "B": full[:, 3].mean()}
    assert found.by_colour == pytest.approx(expected)


@pytest.mark.parametrize("seed", range(4))
def test_areas_are_those_of_an_independent_labelling(seed):
    full = blobs(seed)
    found, masks = clipping_of(full_where(full), pinpoint_largest=0.001)
    reference = regionprops(label(full, connectivity=2))
    large = [region for region in reference if region.area >= 0.001 * full.size]
    assert len(found.areas) == len(large)
    assert found.pinpoints.count == len(reference) - len(large)
    assert found.pinpoints.fraction == pytest.approx(
        sum(r.area for r in reference if r not in large) / full.size
    )
    assert masks is not None
    assert masks.blown.sum() == sum(region.area for region in large)
    by_size = sorted(large, key=lambda region: -region.area)
    for area, region in zip(found.areas, by_size, strict=True):
        assert area.fraction == pytest.approx(region.area / full.size)
    top, left, bottom, right = by_size[0].bbox
    tall, wide = full.shape
    if by_size[0].area > by_size[1].area:
        assert found.areas[0].box == (left / wide, top / tall, right / wide, bottom / tall)
        row, column = by_size[0].centroid
        assert found.areas[0].centre == pytest.approx(((column + 0.5) / wide, (row + 0.5) / tall))


def test_cells_that_touch_by_a_corner_are_one_area():
    full = np.zeros((20, 20), bool)
    full[3:6, 3:6] = full[6:9, 6:9] = True
    found, _ = clipping_of(full_where(full))
    assert len(found.areas) == 1


def test_an_area_names_the_patch_that_its_centre_lies_in():
    full = np.zeros((40, 40), bool)
    full[8:12, 8:12] = full[28:34, 28:34] = True
    found, _ = clipping_of(full_where(full), patches={"cheek": (0.15, 0.15, 0.35, 0.35)})
    assert [area.patch for area in found.areas] == [None, "cheek"]


@pytest.mark.parametrize(("mean", "spread"), [(0.98, 0.01), (0.99, 0.02), (1.0, 0.02)])
def test_a_normal_patch_is_clipped_as_far_as_its_tail_reaches(mean, spread):
    # the normal distribution's upper tail: 2.2750 %, 30.8538 % and 50 % over saturation
    rng = np.random.default_rng(7)
    span = 16383.0 - 512.0
    levels = 512.0 + span * rng.normal(mean, spread, (800, 800))
    mosaic = np.minimum(np.ceil(levels), 16383.0).astype(np.uint16)
    found, _ = clipping_of(frame_of(mosaic))
    expected = stats.norm.sf(1.0 - 1.0 / span, mean, spread)
    assert found.by_colour["G"] == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize(("level", "stops"), [(1.0, 0.0), (0.7071068, 0.5), (0.25, 2.0)])
def test_headroom_is_stops_up_to_saturation(level, stops):
    # ISO 12232: half a stop of headroom lies over a white at 0.707 of saturation
    frame = exact(np.full((40, 40), level), Sensor(multipliers=(1.0, 1.0, 1.0)))
    found, _ = clipping_of(frame)
    assert found.headroom_stops == pytest.approx(dict.fromkeys("RGB", stops), abs=1e-3)


def test_headroom_stands_on_the_99_9th_percentile():
    counts = np.zeros(65536, np.int64)
    counts[1000], counts[8000] = 9989, 11
    reading = headroom_stops(counts, black=0, saturation=8000, percentile=99.9)
    assert reading == 0.0
    counts[1000], counts[8000] = 9991, 9
    reading = headroom_stops(counts, black=0, saturation=8000, percentile=99.9)
    assert reading == pytest.approx(math.log2(8))


def test_headroom_of_a_frame_without_light_is_not_seen():
    found, _ = clipping_of(exact(np.zeros((20, 20))))
    assert found.headroom_stops == {"R": None, "G": None, "B": None}


def test_blocked_counts_cells_under_zone_1():
    light = np.full((20, 20), 0.2)
    light[:4] = 0.001
    cells_frame = exact(light)
    found, _ = clipping_of(cells_frame, blocked=20)
    assert found.blocked == pytest.approx(0.2)
    assert clipping_of(cells_frame)[0].blocked is None


def test_one_colour_alone_can_clip():
    frame = exact(np.full((20, 20), 1.1), Sensor(multipliers=(2.0, 1.0, 2.0)))
    found, _ = clipping_of(frame)
    assert found.by_colour == {"R": 0.0, "G": 1.0, "B": 0.0}
    assert (found.any, found.all) == (1.0, 0.0)


def test_tolerance_lowers_the_level_that_counts():
    cells = cells_of(exact(np.full((20, 20), 0.99), Sensor(multipliers=(1.0, 1.0, 1.0))))
    assert find_clipped(cells, file_levels(cells)) is None
    masks = find_clipped(cells, file_levels(cells, tolerance=200.0))
    assert masks is not None
    assert masks.every == cells.size
