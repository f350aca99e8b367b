"""Where photosites stop: pile-ups told from walls, the order of sources, their tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stopwise.cells import cells_of
from stopwise.measurement.levels import find_levels, share_above, thresholds
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.saturation import comb_step
from support.light_frames import Sensor, expose, frame_of

SHAPE = (480, 640)


@dataclass(frozen=True)
class Counted:
    """Levels of a frame, photosites counted as clipped, and those that truly are."""

    levels: object
    counted: int
    true: int
    photosites: int


def counted(light, sensor, *, seed=0, **options):
    frame, full = expose(light, sensor, rng=np.random.default_rng(seed))
    cells = cells_of(frame)
    levels = find_levels(cells, noise=sensor_noise(cells), **options)
    total = sum(
        int(histogram[limit:].sum())
        for histogram, limit in zip(cells.histograms, thresholds(levels), strict=True)
    )
    return Counted(levels, total, int(full.sum()), full.size)


def ceiling(under=0.06, *, spread=0.0, hot=1e-5, **parts):
    """Return a sensor that stops at a share of its range under white; neutrals have R = G = B."""
    level = 512.0 + (16383.0 - 512.0) * (1.0 - under)
    return Sensor(ceiling=level, spread=spread, hot=hot, multipliers=(1.0, 1.0, 1.0), **parts)


def ground():
    """Return a dim ground, brighter to the right."""
    return np.tile(np.linspace(0.03, 0.3, SHAPE[1]), (SHAPE[0], 1))


def disc(radius):
    rows, columns = np.indices(SHAPE)
    return np.hypot(rows - 200, columns - 400) < radius


def blown_disc():
    return np.where(disc(60), 2.5, ground())


def blown_glow():
    rows, columns = np.indices(SHAPE)
    return ground() + 3.0 * np.exp(-((rows - 200.0) ** 2 + (columns - 400.0) ** 2) / 40.0**2)


def blown_ramp():
    return np.tile(np.linspace(0.0, 1.2, SHAPE[1]), (SHAPE[0], 1))


def blown_cloth():
    rng = np.random.default_rng(9)
    weave = np.exp(rng.normal(0.0, 0.25, (SHAPE[0] // 2, SHAPE[1] // 2))).repeat(2, 0).repeat(2, 1)
    return np.where(np.indices(SHAPE)[1] > 300, 0.65 * weave, ground())


BLOWN = {"disc": blown_disc, "glow": blown_glow, "ramp": blown_ramp, "cloth": blown_cloth}


@pytest.mark.parametrize("spread", [0.0, 0.1, 0.4])
@pytest.mark.parametrize("scene", BLOWN)
def test_a_pile_up_is_found_and_counted(scene, spread):
    found = counted(BLOWN[scene](), ceiling(spread=spread))
    assert found.levels.saturation_source == "observed"
    assert found.levels.saturation == pytest.approx([15430.7] * 4, abs=3.0)
    assert found.counted == pytest.approx(found.true, rel=0.03)


@pytest.mark.parametrize("off", [0.0, 0.2, 0.45, 0.7])
@pytest.mark.parametrize("spread", [0.003, 0.006, 0.012])
def test_a_spike_that_spreads_over_two_levels_is_counted_whole(off, spread):
    sensor = Sensor(ceiling=15198.0 + off, spread=spread, hot=1e-5, multipliers=(1.0, 1.0, 1.0))
    found = counted(blown_glow(), sensor)
    assert found.levels.saturation_source == "observed"
    assert found.counted == pytest.approx(found.true, rel=0.02)


def shelf(end):
    """Light that runs evenly up to an end and makes no peak there, in a quarter of the frame."""
    rows, columns = np.indices(SHAPE)
    across = (columns / SHAPE[1]) * (end - 0.6) + 0.6
    return np.where(rows < SHAPE[0] // 4, across, ground())


@pytest.mark.parametrize("spread", [0.2, 0.35])
def test_light_that_just_passes_the_stops_is_told_by_its_edge_though_no_peak_stands_out(spread):
    """Light can't end more sharply than shot noise leaves it (EMVA 1288's photon noise)."""
    found = counted(shelf(0.945), ceiling(spread=spread))
    assert found.levels.saturation_source == "observed"
    assert found.levels.saturation == pytest.approx([15430.7] * 4, abs=15.0)
    assert found.counted == pytest.approx(found.true, rel=0.2)


@pytest.mark.parametrize("end", [0.86, 0.9, 0.93])
def test_light_that_ends_below_the_stops_is_not_told_as_full(end):
    found = counted(shelf(end), ceiling())
    assert found.levels.saturation_source == "file"
    assert found.counted == 0


@pytest.mark.slow
@pytest.mark.parametrize("scene", ["disc", "glow", "ramp"])
@pytest.mark.parametrize("under", [0.017, 0.06, 0.14])
@pytest.mark.parametrize("spread", [0.05, 0.2, 0.4])
def test_soft_pile_ups_are_counted_within_two_hundredths(scene, under, spread):
    light = np.tile(BLOWN[scene](), (3, 3))
    found = counted(light, ceiling(under, spread=spread), seed=int(1000 * under))
    assert found.levels.saturation_source == "observed"
    assert found.counted == pytest.approx(found.true, rel=0.02)


def wall(texture=0.0, *, coarse=4, level=0.92):
    rng = np.random.default_rng(3)
    weave = rng.normal(0.0, texture, (SHAPE[0] // coarse, SHAPE[1] // coarse))
    light = level * np.exp(weave).repeat(coarse, 0).repeat(coarse, 1)
    return np.where(np.indices(SHAPE)[1] > 250, np.minimum(light, 0.93), ground())


@pytest.mark.parametrize("texture", [0.0, 0.005, 0.02, 0.1])
@pytest.mark.parametrize("coarse", [1, 4])
def test_a_bright_wall_under_saturation_even_or_textured_is_no_pile_up(texture, coarse):
    found = counted(wall(texture, coarse=coarse), ceiling(0.0))
    assert found.levels.saturation_source == "file"
    assert found.counted <= 1e-5 * found.photosites


@pytest.mark.parametrize("level", [0.2, 0.6, 0.85, 0.95])
def test_a_frame_without_highlights_shows_no_pile_up(level):
    light = np.minimum(ground() / 0.3, 1.0) * level
    assert counted(light, ceiling(0.0)).levels.saturation_source == "file"


def test_a_frame_in_the_dark_shows_no_pile_up_whatever_its_hot_photosites():
    found = counted(np.full(SHAPE, 0.001), ceiling(0.0, hot=3e-4))
    assert found.levels.saturation_source == "file"


def test_a_small_peak_over_a_large_bright_wall_is_found():
    light = np.where(disc(12), 1.6, np.where(np.indices(SHAPE)[1] > 200, 0.88, ground()))
    found = counted(light, ceiling(spread=0.3))
    assert found.levels.saturation_source == "observed"
    assert found.levels.saturation == pytest.approx([15430.7] * 4, abs=15.0)
    assert found.counted == pytest.approx(found.true, rel=0.1)


def test_hot_photosites_over_a_peak_dont_hide_it():
    found = counted(blown_disc(), ceiling(spread=0.3, hot=5e-5))
    assert found.levels.saturation_source == "observed"


def test_a_peak_as_wide_as_its_shot_noise_cant_be_told_from_a_wall():
    assert counted(blown_disc(), ceiling(spread=1.1)).levels.saturation_source == "file"


@pytest.mark.parametrize("gain", [0.06, 0.25, 2.0, 10.0])
def test_pile_ups_are_found_at_every_gain_from_low_iso_to_high(gain):
    found = counted(blown_disc(), ceiling(spread=0.3, gain=gain))
    assert found.levels.saturation_source == "observed"
    assert found.counted == pytest.approx(found.true, rel=0.03)


def test_twelve_bits_that_pile_up_from_3800_to_3868_are_seen():
    sensor = Sensor(
        black=128.0, white=4095.0, gain=0.5, read=2.0, ceiling=3834.0, spread=0.3,
        multipliers=(1.0, 1.0, 1.0),
    )  # fmt: skip
    found = counted(blown_glow(), sensor)
    assert found.levels.saturation_source == "observed"
    assert found.counted == pytest.approx(found.true, rel=0.03)


def test_levels_with_gaps_from_lossy_compression_still_show_their_peak():
    frame, full = expose(blown_disc(), ceiling(spread=0.1, gain=8.0))
    mosaic = (frame.mosaic // 32 * 32 + 16).astype(np.uint16)
    cells = cells_of(frame_of(mosaic, ceiling(spread=0.1, gain=8.0)))
    levels = find_levels(cells, noise=sensor_noise(cells))
    assert levels.saturation_source == "observed"
    total = sum(int(h[t:].sum()) for h, t in zip(cells.histograms, thresholds(levels), strict=True))
    assert total == pytest.approx(int(full.sum()), rel=0.03)


def test_the_comb_of_a_lossy_file_has_the_step_of_its_levels():
    assert comb_step(np.array([16, 48, 112, 144])) == 32
    assert comb_step(np.array([16, 47, 112, 144])) == 1
    assert comb_step(np.array([5])) == 1


def test_a_colour_without_a_peak_takes_the_median_of_those_that_have_one():
    sensor = Sensor(ceiling=15430.0, spread=0.2, multipliers=(3.0, 1.0, 3.0))
    found = counted(np.where(disc(60), 1.5, ground()), sensor).levels
    assert set(found.observed) == {"G", "G2"}
    assert found.saturation == pytest.approx([15430.0] * 4, abs=5.0)
    assert found.saturation_source == "observed"


# --- the order of sources ---------------------------------------------------------------------


LEARNED = dict.fromkeys(("R", "G", "B", "G2"), 15430.0)


def test_the_plan_overrules_what_is_seen():
    levels = counted(blown_disc(), ceiling(), raw_clip=15000.0, learned=LEARNED).levels
    assert levels.saturation == levels.anchor == (15000.0,) * 4
    assert (levels.saturation_source, levels.tolerance) == ("plan", (0.0,) * 4)


def test_what_is_seen_overrules_what_was_learned():
    learned = dict.fromkeys(LEARNED, 15900.0)
    levels = counted(blown_disc(), ceiling(), learned=learned).levels
    assert levels.saturation == pytest.approx([15431.0] * 4, abs=1.0)
    assert levels.saturation_source == "observed"


def test_a_learned_level_holds_for_a_frame_without_a_pile_up():
    levels = counted(ground(), ceiling(), learned=LEARNED).levels
    assert levels.saturation == (15430.0,) * 4
    assert levels.saturation_source == "learned"
    due = np.sqrt(0.25 * (15430.0 - 512.0) + 9.0)
    assert levels.tolerance == pytest.approx([due / 2.0] * 4, rel=0.05)
    assert levels.observed == {}


def test_a_learned_level_that_too_many_photosites_stand_above_is_not_used():
    levels = counted(wall(0.02), ceiling(0.0), learned=dict.fromkeys(LEARNED, 14000.0)).levels
    assert levels.saturation_source == "file"
    assert levels.saturation == (16383.0,) * 4


def test_the_weakest_source_of_the_colours_is_told():
    levels = counted(ground(), ceiling(), learned={"G": 15430.0}).levels
    assert levels.saturation_source == "file"
    assert levels.saturation == (16383.0, 15430.0, 16383.0, 16383.0)


def test_anchor_never_moves_with_what_is_seen_or_learned():
    for options in ({}, {"learned": LEARNED}):
        assert counted(blown_disc(), ceiling(), **options).levels.anchor == (16383.0,) * 4


def test_the_share_above_a_learned_level_leaves_room_for_a_peaks_width():
    cells = cells_of(expose(blown_disc(), ceiling(spread=0.3))[0])
    above = share_above(cells, LEARNED)
    assert set(above) == set(LEARNED)
    assert max(above.values()) < 0.02
    assert share_above(cells, {"G": 14000.0})["G"] > 1e-3


@settings(max_examples=15, deadline=None)
@given(level=st.floats(0.1, 0.97), texture=st.floats(0.0, 0.3), seed=st.integers(0, 99))
@example(level=0.71875, texture=0.25, seed=1)  # texture all over, and hardly a block under 0.7
def test_no_unclipped_frame_has_more_than_one_photosite_in_100_000_called_clipped(
    level, texture, seed
):
    rng = np.random.default_rng(seed)
    weave = np.exp(rng.normal(0.0, texture, (SHAPE[0] // 4, SHAPE[1] // 4)))
    light = np.minimum(level * weave, 0.97).repeat(4, 0).repeat(4, 1)
    found = counted(light, ceiling(0.0, hot=0.0), seed=seed)
    assert found.counted - found.true <= 1e-5 * found.photosites
