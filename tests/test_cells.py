"""A frame as cells: histograms, upright planes, luminance of every kind of mosaic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.cells import cells_of
from stopwise.frame import NamedLevels
from support.light_frames import BGGR, COLOURS, GBRG, GRBG, RGGB, Sensor, exact, expose, frame_of


def some_light(shape=(24, 36), *, seed=0):
    return np.random.default_rng(seed).uniform(0.01, 0.4, shape)


def test_histograms_count_every_photosite_at_its_level():
    levels = np.random.default_rng(1).integers(0, 16384, (40, 60)).astype(np.uint16)
    cells = cells_of(frame_of(levels))
    for colour, (row, column) in enumerate([(0, 0), (0, 1), (1, 1), (1, 0)]):
        values, counts = np.unique(levels[row::2, column::2], return_counts=True)
        assert np.array_equal(np.flatnonzero(cells.histograms[colour]), values)
        assert np.array_equal(cells.histograms[colour][values], counts)


@pytest.mark.parametrize("kind", COLOURS)
def test_a_neutral_has_the_luminance_of_its_green_in_every_mosaic(kind):
    cells = cells_of(exact(np.full((24, 36), 0.2), Sensor(kind)))
    assert cells.luminance() == pytest.approx(np.full(cells.shape, 0.2), abs=1e-4)
    for name in cells.channels:
        assert cells.signal(name) == pytest.approx(np.full(cells.shape, 0.2), abs=1e-4)


@pytest.mark.parametrize("kind", COLOURS)
def test_a_cell_is_one_repeat_of_the_pattern_and_odd_edges_are_left_out(kind):
    pattern = COLOURS[kind][0]
    cells = cells_of(exact(some_light((25, 37)), Sensor(kind)))
    assert cells.shape == (25 // pattern.shape[0], 37 // pattern.shape[1])
    assert len(cells.planes) == pattern.size
    assert int(cells.histograms.sum()) == pattern.size * cells.size


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_turns_planes_and_luminance_alike(orientation):
    frame = exact(some_light())
    plain, turned = cells_of(frame), cells_of(replace(frame, orientation=orientation))
    for straight, plane in zip(plain.planes, turned.planes, strict=True):
        assert np.array_equal(plane, replace(frame, orientation=orientation).upright(straight))
    upright = replace(frame, orientation=orientation).upright(plain.luminance())
    assert np.array_equal(turned.luminance(), upright)
    assert np.array_equal(turned.histograms, plain.histograms)


@given(
    pattern=st.sampled_from([GRBG, GBRG, BGGR]),
    black=st.tuples(*[st.integers(0, 900)] * 4),
    seed=st.integers(0, 1000),
)
def test_order_of_colours_and_black_change_no_tone(pattern, black, seed):
    signal = np.random.default_rng(seed).integers(0, 9000, (4, 6, 8))  # colour, then cells
    first = mosaic(signal, RGGB, (512,) * 4)
    other = mosaic(signal, pattern, black)
    assert cells_of(other).luminance() == pytest.approx(cells_of(first).luminance(), abs=2e-6)


def mosaic(signal, pattern, black):
    """Lay out signals above black so that the span to white is the same for every black."""
    levels = np.empty((2 * signal.shape[1], 2 * signal.shape[2]), np.uint16)
    for place in np.ndindex(2, 2):
        colour = pattern[place]
        levels[place[0] :: 2, place[1] :: 2] = signal[colour] + black[colour]
    anchor = tuple(float(level + 15000) for level in black)
    named = NamedLevels(tuple(map(float, black)), anchor, "white", 16383.0)
    return frame_of(levels, pattern=pattern, levels=named)


def test_black_that_changes_from_place_to_place_is_taken_off_there():
    frame = exact(some_light())
    deltas = np.arange(36, dtype=np.float32)[None, :]
    shifted = replace(frame, mosaic=(frame.mosaic + deltas).astype(np.uint16), black_offset=deltas)
    assert cells_of(shifted).luminance() == pytest.approx(cells_of(frame).luminance(), abs=1e-6)
    assert cells_of(shifted).signal("R") == pytest.approx(cells_of(frame).signal("R"), abs=1e-6)


def test_the_mosaic_is_never_written_to_and_planes_are_views_of_it():
    frame, _ = expose(some_light())
    before = frame.mosaic.copy()
    cells = cells_of(frame)
    cells.signal("G")
    assert np.array_equal(frame.mosaic, before)
    assert all(np.shares_memory(plane, frame.mosaic) for plane in cells.planes)


def test_a_frame_without_a_whole_cell_or_with_white_under_black_is_refused():
    with pytest.raises(ValueError, match="holds no cell of 2 x 2"):
        cells_of(frame_of(np.zeros((1, 8), np.uint16)))
    with pytest.raises(ValueError, match="white of R must lie above its black"):
        cells_of(frame_of(np.zeros((4, 4), np.uint16), Sensor(black=16383.0)))


def test_a_channel_that_a_frame_lacks_is_named_in_the_refusal():
    cells = cells_of(exact(some_light(), Sensor("mono")))
    with pytest.raises(ValueError, match="no channel 'R'; it has M"):
        cells.signal("R")
