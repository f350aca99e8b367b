"""What a patch holds: zone, uncertainty, top, headroom, texture, SNR, colours."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stopwise.measurement.patches import lost_patch, read_patch
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone
from support.light_frames import COLOURS, Sensor, exact, expose, ground_of

WHOLE = (0.0, 0.0, 1.0, 1.0)
LEFT, RIGHT = (0.0, 0.0, 0.5, 1.0), (0.5, 0.0, 1.0, 1.0)


def of_zone(zone, shape=(240, 360)):
    return np.full(shape, luminance_of_zone(zone))


PLAIN = Sensor()


def read(light, sensor=PLAIN, *, box=WHOLE, read_at=50.0, mid_grey=MID_GREY_OF_SATURATION):
    frame, _ = expose(light, sensor)
    return read_patch(ground_of(frame, mid_grey=mid_grey), box, read_at=read_at)


@pytest.mark.parametrize("kind", COLOURS)
@pytest.mark.parametrize("zone", [2.0, 5.0, 7.0])
def test_an_even_patch_reads_its_zone_in_every_mosaic(kind, zone):
    reading = read(of_zone(zone), Sensor(kind))
    assert reading.uncertainty is not None
    assert reading.zone == pytest.approx(zone, abs=0.002 + 3.0 * reading.uncertainty)
    assert reading.log2_y == pytest.approx(math.log2(luminance_of_zone(zone)), abs=0.02)


def test_an_18_percent_card_lies_on_zone_5_and_a_white_one_two_and_a_half_stops_up():
    # ISO 12232: 18 % lies at 0.1273 of saturation, a 100 % white at 0.7071: zone 7.473931
    assert read(np.full((240, 360), 0.18 / math.sqrt(2))).zone == pytest.approx(5.0, abs=0.001)
    assert read(np.full((240, 360), math.sqrt(0.5))).zone == pytest.approx(7.473931, abs=0.001)


@settings(deadline=None, max_examples=25)
@given(stops=st.integers(-3, 2), seed=st.integers(0, 99))
def test_scaling_light_by_powers_of_two_moves_a_zone_by_whole_stops(stops, seed):
    rng = np.random.default_rng(seed)
    signal = 64 * rng.integers(8, 40, (64, 64))
    ground = [levels_ground(signal), levels_ground((signal * 2.0**stops).astype(int))]
    first, other = (read_patch(one, LEFT) for one in ground)
    assert first.zone is not None
    assert other.zone == pytest.approx(first.zone + stops, abs=2e-5)
    pairs = [read_patch(one, LEFT).log2_y - read_patch(one, RIGHT).log2_y for one in ground]
    assert pairs[0] == pytest.approx(pairs[1], abs=2e-5)


def levels_ground(signal):
    """Return the ground of exact levels above black."""
    frame = exact(np.zeros(signal.shape))
    return ground_of(replace(frame, mosaic=(signal + 512).astype(np.uint16)))


def test_the_zone_is_the_medians_whatever_a_few_cells_do():
    light = of_zone(5.0)
    light[:, :30] = luminance_of_zone(7.5)
    assert read(light).zone == pytest.approx(5.0, abs=0.01)


def test_hair_is_read_at_its_90th_percentile_between_the_gaps():
    rng = np.random.default_rng(1)
    strands = rng.random((120, 180)).repeat(2, 0).repeat(2, 1) < 0.3
    light = np.where(strands, luminance_of_zone(6.0), luminance_of_zone(3.0))
    assert read(light).zone == pytest.approx(3.0, abs=0.05)
    assert read(light, read_at=90.0).zone == pytest.approx(6.0, abs=0.02)


def test_noise_doesnt_lift_the_90th_percentile_of_an_even_patch():
    reading = read(of_zone(1.0), Sensor(gain=2.0), read_at=90.0)
    assert reading.zone == pytest.approx(1.0, abs=0.02)


# --- uncertainty ----------------------------------------------------------------------------------


def cases(light, sensor, *, count, read_at=50.0, seed=0):
    """Yield (error, stated) of boxes of frames of one light."""
    rng = np.random.default_rng(seed)
    while count > 0:
        frame, _ = expose(light, sensor, rng=rng)
        ground = ground_of(frame)
        for _ in range(min(count, 20)):
            x, y = rng.uniform(0.0, 0.85, 2)
            box = (x, y, x + rng.uniform(0.03, 0.15), y + rng.uniform(0.03, 0.15))
            reading = read_patch(ground, box, read_at=read_at)
            yield true_zone(light, box, ground.cells.shape, read_at), reading
        count -= 20


def true_zone(light, box, shape, read_at):
    from stopwise.frame import window

    side = light.shape[0] // shape[0]
    whole = light[: shape[0] * side, : shape[1] * side]
    means = whole.reshape(shape[0], side, shape[1], side).mean(axis=(1, 3))
    level = float(np.percentile(means[window(box, shape)], read_at))
    return 5.0 + math.log2(level / MID_GREY_OF_SATURATION)


def scenes():
    """Return light that falls off over paper, a face's round shading, and cloth in it."""
    rng = np.random.default_rng(11)
    rows, columns = np.meshgrid(np.linspace(-1, 1, 480), np.linspace(-1, 1, 720), indexing="ij")
    paper = 0.1 * 2.0 ** (-1.5 * columns - 0.7 * rows)
    round_one = 0.25 * np.exp2(-3.0 * np.hypot(rows - 0.2, columns + 0.3))
    weave = rng.normal(0.0, 0.12, (240, 360)).repeat(2, 0).repeat(2, 1)
    folds = 0.3 * np.sin(9.0 * columns + 4.0 * rows)
    return {
        "even": np.full((480, 720), 0.02),
        "paper": paper,
        "face": round_one,
        "cloth": round_one * np.exp2(weave),
        "folds": paper * np.exp2(folds),
    }


@pytest.mark.slow
@pytest.mark.parametrize("read_at", [50.0, 90.0])
def test_68_of_100_boxes_lie_within_the_stated_uncertainty(read_at):
    inside, count = 0, 0
    for seed, (kind, light, gain) in enumerate(
        (kind, light, gain)
        for kind in ("rggb", "mono")
        for light in scenes().values()
        for gain in (0.25, 3.0)
    ):
        sensor = Sensor(kind, gain=gain)
        for zone, reading in cases(light, sensor, count=60, read_at=read_at, seed=seed):
            inside += abs(reading.zone - zone) <= reading.uncertainty
            count += 1
    assert count >= 1000
    assert 0.60 <= inside / count <= 0.76


# --- top, headroom, texture -----------------------------------------------------------------------


def test_a_hot_centre_shows_in_top_and_headroom_while_the_median_is_on_plan():
    light = of_zone(6.5)
    rows, columns = np.indices(light.shape)
    light[np.hypot(rows - 120, columns - 180) < 30] = luminance_of_zone(7.9 - 0.15)
    reading = read(light, Sensor(multipliers=(1.0, 1.0, 1.0)))
    assert reading.zone == pytest.approx(6.5, abs=0.01)
    assert reading.top == pytest.approx(7.75, abs=0.03)
    assert reading.headroom == pytest.approx(7.973931 - 7.75, abs=0.03)
    assert reading.clipped == 0.0


def test_headroom_is_that_of_the_fullest_colour():
    reading = read(of_zone(6.0), Sensor(multipliers=(0.5, 1.0, 1.0)))
    assert reading.headroom == pytest.approx(7.973931 - 6.0 - 1.0, abs=0.03)


@pytest.mark.parametrize("rms", [0.0, 0.05, 0.2])
def test_texture_is_the_rms_in_stops_with_noise_taken_out(rms):
    weave = np.random.default_rng(2).normal(0.0, rms, (120, 180)).repeat(2, 0).repeat(2, 1)
    shaded = of_zone(3.0) * 2.0**weave
    assert read(shaded, Sensor(gain=1.0)).texture == pytest.approx(rms, abs=0.01)


def test_texture_in_the_dark_isnt_made_of_noise():
    assert read(of_zone(0.0), Sensor(gain=2.0)).texture < 0.15


# --- noise ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("electrons", "snr"), [(400, 20.0), (1000, 31.62), (10_000, 100.0)])
def test_snr_is_the_root_of_the_electrons_where_shot_noise_rules(electrons, snr):
    # EMVA 1288: SNR = sqrt(N) for shot noise; a monochrome cell is one photosite
    sensor = Sensor("mono", gain=1.0, read=0.5)
    light = np.full((240, 360), electrons / (16383.0 - 512.0))
    assert read(light, sensor).snr == pytest.approx(snr, rel=0.05)


def test_texture_doesnt_lower_the_snr():
    light = np.tile(of_zone(5.0), (2, 2))
    even = read(light, box=(0.0, 0.0, 0.2, 0.2)).snr
    weave = np.random.default_rng(3).normal(0.0, 0.2, (240, 360)).repeat(2, 0).repeat(2, 1)
    light[:240, :360] *= 2.0 ** weave[:240, :360]
    assert read(light, box=(0.0, 0.0, 0.2, 0.2)).snr == pytest.approx(even, rel=0.1)


def test_four_times_the_cells_halve_the_uncertainty():
    ground = ground_of(expose(of_zone(5.0, (960, 1440)))[0])

    def middling(side):
        corners = [(x / 10, y / 10) for x in range(6) for y in range(6)]
        boxes = [(x, y, x + side, y + side) for x, y in corners]
        return np.median([read_patch(ground, box).uncertainty for box in boxes])

    assert middling(0.2) == pytest.approx(middling(0.1) / 2.0, rel=0.2)


# --- colours, shares, reasons -----------------------------------------------------------------


def test_tints_are_stops_of_balanced_colour_over_green():
    warm = Sensor(multipliers=(1.0, 1.0, 3.0))  # the frame is balanced for (2, 1, 1.5)
    frame, _ = expose(of_zone(5.0), warm)
    reading = read_patch(ground_of(replace(frame, daylight=(2.0, 1.0, 1.5))), WHOLE)
    assert reading.red_green == pytest.approx(1.0, abs=0.01)
    assert reading.blue_green == pytest.approx(-1.0, abs=0.01)


def test_blocked_is_the_share_under_zone_1():
    light = of_zone(3.0)
    light[:60] = luminance_of_zone(-1.0)
    assert read(light).blocked == pytest.approx(0.25, abs=0.005)


def test_clipped_counts_blown_areas_and_no_pinpoints():
    light = of_zone(5.0, (400, 400))
    light[100:140, 100:140] = 3.0
    light[300:302, 300:302] = 3.0
    sensor = Sensor(multipliers=(1.0, 1.0, 1.0))
    ground = ground_of(expose(light, sensor)[0])
    assert read_patch(ground, LEFT).clipped == pytest.approx(400 / 20_000)
    assert read_patch(ground, RIGHT).clipped == 0.0


def test_a_patch_that_is_clipped_where_it_is_read_has_no_zone():
    reading = read(np.full((240, 360), 3.0))
    assert (reading.zone, reading.log2_y, reading.uncertainty) == (None, None, None)
    assert reading.why["zone"] == "all_clipped"
    assert reading.clipped == 1.0
    assert reading.headroom == 0.0


def test_a_patch_without_light_has_no_zone():
    reading = read(np.zeros((240, 360)), Sensor(read=0.1))
    assert reading.zone is None
    assert reading.why["zone"] == "no_light"


def test_another_camera_keeps_zones_from_being_seen_but_not_the_rest():
    reading = read(of_zone(5.0), mid_grey=None)
    assert (reading.zone, reading.top, reading.blocked) == (None, None, None)
    assert {reading.why[key] for key in ("zone", "top", "blocked")} == {"other_camera"}
    assert reading.log2_y is not None
    assert reading.uncertainty is not None
    assert reading.headroom is not None


def test_one_colour_has_no_tint():
    reading = read(of_zone(5.0), Sensor("mono"))
    assert reading.red_green is None
    assert reading.why["red_green"] == "no_colour"


@settings(deadline=None, max_examples=30)
@given(
    level=st.one_of(st.floats(0.0, 2.0), st.just(0.0)),
    box=st.tuples(*[st.floats(0.0, 1.0)] * 4),
    read_at=st.sampled_from([50.0, 90.0]),
    kind=st.sampled_from(sorted(COLOURS)),
)
def test_every_figure_is_finite_or_absent_with_a_reason(level, box, read_at, kind):
    x, y = sorted((box[0], box[2])), sorted((box[1], box[3]))
    frame, _ = expose(np.full((36, 48), level), Sensor(kind))
    reading = read_patch(ground_of(frame), (x[0], y[0], x[1], y[1]), read_at=read_at)
    for name in ("zone", "uncertainty", "top", "headroom", "texture", "snr", "log2_y",
                 "blocked", "red_green", "blue_green"):  # fmt: skip
        value = getattr(reading, name)
        assert (value is None) == (name in reading.why)
        assert value is None or math.isfinite(value)


def test_a_lost_patch_holds_nothing_but_where_it_was_looked_for():
    reading = lost_patch((0.1, 0.1, 0.2, 0.2), 0.3)
    assert (reading.zone, reading.log2_y, reading.score) == (None, None, 0.3)
    assert set(reading.why.values()) == {"not_followed"}
