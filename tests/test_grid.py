"""The reduced picture: block means, noise, shares, tones and sums, against plain numpy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import block_reduce

from stopwise.cells import cells_of
from stopwise.frame import window
from stopwise.grid import combine, fitted_blocks, moved, pooled
from stopwise.reduction import Asked, reduce, reduce_frame
from support.grids import Signals
from support.light_frames import COLOURS, Sensor, exact, expose

WEIGHTS = (0.25, 0.65, 0.1)
TOP = (1.0, 1.0, 1.0)


def some_light(shape=(120, 200), *, seed=0):
    return np.random.default_rng(seed).uniform(0.001, 0.9, (3, *shape)).astype(np.float32)


def grid_of(light, clipped=None, **asked):
    return reduce(
        Signals(light), weights=WEIGHTS, ceiling=TOP, clipped=clipped, asked=Asked(**asked)
    )


@pytest.mark.parametrize("across", [25, 40, 200])
def test_means_are_those_of_a_reference_library(across):
    light = some_light()
    grid = grid_of(light, across=across)
    assert grid.block == 200 // across
    expected = block_reduce(light, (1, grid.block, grid.block), np.mean)
    assert grid.mean == pytest.approx(expected, rel=1e-5)
    assert grid.luminance == pytest.approx(np.tensordot(WEIGHTS, expected, 1), rel=1e-5)


def test_blocks_lie_centred_so_that_each_has_a_mirror_image():
    grid = grid_of(some_light((103, 205)), across=30)
    assert grid.shape == (14, 29)
    assert grid.x + grid.x[::-1] == pytest.approx(np.ones(29), abs=1.0 / 205)
    assert grid.y[0] == pytest.approx((2 + 3.5) / 103)


@pytest.mark.parametrize("size", [(96, 160), (800, 1200)])  # blocks of 2 and of 12 cells
def test_noise_is_the_scatter_of_block_means_over_many_exposures(size):
    rng = np.random.default_rng(2)
    flat = np.full((3, *size), 0.3, np.float32)
    grids = [
        grid_of(flat + rng.normal(0, 0.02, flat.shape).astype(np.float32), across=100)
        for _ in range(12)
    ]
    scatter = np.std([grid.luminance for grid in grids], axis=0, ddof=1)
    told = np.mean([grid.noise for grid in grids], axis=0)
    assert np.sqrt(np.mean(told**2)) == pytest.approx(np.sqrt(np.mean(scatter**2)), rel=0.05)


def test_clipped_and_blocked_are_shares_of_a_block_and_a_clipped_block_is_not_seen():
    light = np.full((3, 80, 80), 0.2, np.float32)
    light[:, :, :40] = 0.001
    clipped = np.zeros((80, 80), bool)
    clipped[:20, :40], clipped[30, 60] = True, True
    grid = grid_of(light, clipped, across=4)
    assert grid.clipped[0].tolist() == [1.0, 1.0, 0.0, 0.0]
    assert grid.clipped[1, 3] == pytest.approx(1 / 400)
    assert np.array_equal(grid.blocked, np.tile([1.0, 1.0, 0.0, 0.0], (4, 1)))
    assert not grid.seen[0, 0]
    assert grid.seen[1, 3]
    assert np.isnan(grid.log2_y[0, 0])


@given(seed=st.integers(0, 1000), mid_grey=st.floats(0.05, 0.3))
def test_zones_are_counted_exactly_and_clipped_cells_left_out(seed, mid_grey):
    rng = np.random.default_rng(seed)
    light = np.repeat(2.0 ** rng.uniform(-14, 1, (1, 61, 83)), 3, axis=0).astype(np.float32)
    clipped = rng.random((61, 83)) < 0.1
    tones = grid_of(light, clipped, across=20, mid_grey=mid_grey).tones
    zone = 5.0 + np.log2(light[0].astype(float) / mid_grey)
    expected = np.bincount(np.clip(np.floor(zone + 0.5), 0, 10).astype(int)[~clipped], minlength=11)
    assert np.abs(tones.zones() - expected).sum() <= 2  # a cell on a border is rounded
    assert abs(tones.blocked - int((zone < 1.0).sum())) <= 1
    middle = np.median(zone[~clipped]) - 5.0
    assert tones.stops_at(50.0) == pytest.approx(middle, abs=0.02)


def test_an_unlit_frame_has_no_middle_tone():
    assert grid_of(np.zeros((3, 20, 20), np.float32)).tones.stops_at(50.0) is None


@pytest.mark.parametrize("kind", COLOURS)
def test_every_mosaic_gives_the_light_of_its_cells(kind):
    frame = exact(np.full((48, 72), 0.2), Sensor(kind))
    cells = cells_of(frame)
    grid = reduce_frame(cells, (16383.0,) * len(frame.colours))
    assert grid.mean == pytest.approx(np.full((len(cells.channels), *grid.shape), 0.2), abs=1e-4)
    assert grid.ceiling[0] == pytest.approx(2.0 if "R" in cells.channels else 1.0)
    assert (grid.camera, grid.exposure, grid.size) == (frame.camera, frame.exposure, (72, 48))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_frame_has_the_turned_grid(orientation):
    frame, _ = expose(np.random.default_rng(3).uniform(0.01, 0.4, (120, 180)))
    turned = replace(frame, orientation=orientation)
    clipped = np.random.default_rng(4).random((60, 90)) < 0.2
    plain, other = (
        reduce_frame(
            cells_of(one),
            (16383.0,) * 4,
            clipped=one.upright(clipped),
            asked=Asked(across=45, tails=True, boxes={"a": (0.1, 0.1, 0.5, 0.7)}),
        )
        for one in (frame, turned)
    )
    assert other.size == turned.size
    held = cells_of(turned).signals(window((0.1, 0.1, 0.5, 0.7), other.cells))
    assert np.array_equal(other.boxes["a"].light, held.reshape(3, -1))
    for name in ("clipped", "blocked"):
        assert np.array_equal(getattr(other, name), turned.upright(getattr(plain, name)))
    assert other.luminance == pytest.approx(turned.upright(plain.luminance), abs=1e-6)
    for one, two in zip(plain.tail, other.tail, strict=True):
        assert two == pytest.approx(turned.upright(one), abs=1e-6)
    assert np.array_equal(other.tones.counts, plain.tones.counts)


def test_light_adds():
    one, two = some_light(seed=5), some_light(seed=6)
    asked = {"across": 50, "tails": False, "boxes": {"cheek": (0.2, 0.2, 0.4, 0.5)}}
    total = combine([grid_of(one, **asked), grid_of(two, **asked)], [2.0, -0.5])
    expected = grid_of(2.0 * one - 0.5 * two, **asked)
    assert total.mean == pytest.approx(expected.mean, abs=1e-5)
    assert total.boxes["cheek"].light == pytest.approx(expected.boxes["cheek"].light, abs=1e-5)
    assert total.box_luminance("cheek") == pytest.approx(expected.box_luminance("cheek"), abs=1e-5)
    assert total.tail is None


def test_a_bound_stays_a_bound_and_noise_adds_in_squares():
    one, two = (grid_of(some_light(seed=seed), across=20) for seed in (7, 8))
    one = replace(one, clipped=np.full(one.shape, 0.3, np.float32))
    total = combine([one, two], [3.0, 1.0])
    assert (total.clipped == np.float32(0.3)).all()
    assert total.noise == pytest.approx(np.hypot(3.0 * one.noise, two.noise), rel=1e-5)
    assert (one.scaled(2.0).mean == 2.0 * one.mean).all()


def test_grids_of_frames_of_other_sizes_are_refused():
    with pytest.raises(ValueError, match="grids of one size are needed"):
        combine([grid_of(some_light()), grid_of(some_light((100, 200)))], [1.0, 1.0])


def test_a_tail_is_what_a_sixteenth_of_the_cells_stands_above():
    light = some_light((64, 64))
    tail = grid_of(light, across=4, tails=True).tail
    assert np.mean(light[1, :16, :16] > tail[1, 0, 0]) == pytest.approx(1 / 16)


def test_what_clips_first_is_a_cells_fullest_photosite():
    frame, _ = expose(np.full((48, 72), 0.2))
    greens = np.nonzero(np.isin(np.asarray(frame.colours)[frame.pattern], ("G", "G2")))
    mosaic = frame.mosaic.copy()
    mosaic[greens[0][0] :: 2, greens[1][0] :: 2] += 1000  # one of the two greens
    grid = reduce_frame(
        cells_of(replace(frame, mosaic=mosaic)), (16383.0,) * 4, asked=Asked(tails=True)
    )
    over = (grid.fullest - grid.mean).mean(axis=(1, 2))
    span = frame.levels.anchor[1] - frame.levels.black[1]
    assert over == pytest.approx([0.0, 500.0 / span, 0.0], abs=1e-4)  # the mean of its noise
    assert combine([grid], [2.0]).fullest == pytest.approx(2.0 * grid.fullest)


def test_a_large_box_keeps_an_even_lattice_of_its_cells():
    light = some_light((400, 600))
    kept = grid_of(light, boxes={"all": (0.0, 0.0, 1.0, 1.0)}).boxes["all"]
    assert kept.light.shape == (3, 50 * 75)
    assert np.array_equal(kept.light, light[:, ::8, ::8].reshape(3, -1))


def test_blocks_in_a_box_by_their_middles_or_whole():
    grid = grid_of(some_light((100, 100)), across=10)
    box = (0.04, 0.04, 0.36, 0.30)
    assert np.argwhere(grid.inside([box])).max(axis=0).tolist() == [2, 3]
    assert np.argwhere(grid.inside([box], whole=True)).tolist() == [[1, 1], [1, 2], [2, 1], [2, 2]]
    assert grid.inside([(0.5, 0.5, 0.5, 0.5)], whole=True).sum() == 1
    assert grid.spread(grid.inside([box])).sum() == 3 * 4 * 100


def test_moved_light_lies_where_it_went_and_is_unknown_at_the_rim_it_left():
    plane = some_light()[0][None]
    there = moved(plane, 2.0, -3.0)
    assert there[0, 2:, :-3] == pytest.approx(plane[0, :-2, 3:])
    assert np.isnan(there[0, :2]).all()
    half = moved(plane, 0.0, 0.5)
    assert half[0, :, 1:] == pytest.approx((plane[0, :, 1:] + plane[0, :, :-1]) / 2.0, abs=1e-6)


def test_pooled_planes_are_those_of_a_reference_library():
    light = some_light((31, 44))
    assert pooled(light, 4) == pytest.approx(block_reduce(light[:, :28], (1, 4, 4), np.mean))


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 40))
def test_reducing_keeps_the_whole_light_and_covers_the_whole_picture(
    height: int, width: int, edge: int
) -> None:
    plane = np.random.default_rng(height * 61 + width).random((height, width))
    small = fitted_blocks(plane, edge)
    assert max(small.shape) <= max(edge, 1)
    assert small.min() >= plane.min() - 1e-9
    assert small.max() <= plane.max() + 1e-9
    across = np.broadcast_to((np.arange(width) + 0.5) / width, (height, width))
    middles = fitted_blocks(across, edge)[0]
    evenly = (np.arange(len(middles)) + 0.5) / len(middles)
    assert middles == pytest.approx(evenly, abs=1 / width)
