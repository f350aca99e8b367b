"""Read noise and gain against the linear camera model of EMVA 1288."""

from __future__ import annotations

import numpy as np
import pytest

from stopwise.cells import cells_of
from stopwise.frame import Masked
from stopwise.measurement.noise import QUANTISING, MaskedLevels, photon_transfer, sensor_noise
from support.light_frames import COLOURS, Sensor, expose


def test_the_linear_model_of_emva_1288_is_found_from_its_own_variances():
    # EMVA 1288: variance = K^2 sd^2 + 1/12 + K mean; K = 0.25, sd = 3 e-: 0.645833 at 0, 25.645833
    # at 100, 250.645833 at 1000, 2000.645833 at 8000 levels
    means = np.array([0.0, 100.0, 1000.0, 8000.0])
    variances = np.array([0.645833, 25.645833, 250.645833, 2000.645833])
    line = photon_transfer(means, variances, free=1e9)
    assert line.gain == pytest.approx(0.25, rel=1e-6)
    assert line.dark == pytest.approx(0.25**2 * 3.0**2 + QUANTISING, abs=1e-4)


def test_quantising_adds_a_twelfth_of_a_level_squared():
    # EMVA 1288: standard deviation 1/sqrt(12) = 0.288675 levels
    assert np.sqrt(QUANTISING) == pytest.approx(0.288675, abs=1e-6)


def test_gain_of_a_simulated_sensor_comes_out_within_a_hundredth():
    # the photon transfer method of EMVA 1288 on Poisson light of 200 to 6400 electrons
    rng = np.random.default_rng(12345)
    electrons = np.array([200, 400, 800, 1600, 3200, 6400])
    seen = [0.25 * (rng.poisson(n, 200_000) + rng.normal(0, 3, 200_000)) for n in electrons]
    line = photon_transfer(
        np.array([one.mean() for one in seen]), np.array([one.var() for one in seen]), free=2e5
    )
    assert line.gain == pytest.approx(0.25, rel=0.01)
    assert line.gain_error < 0.0025


def test_a_known_dark_variance_is_kept():
    line = photon_transfer(np.array([100.0, 200.0]), np.array([30.0, 55.0]), dark=5.0)
    assert line.dark == 5.0
    assert line.gain == pytest.approx(0.25)


def test_no_points_make_no_line():
    with pytest.raises(ValueError, match="at least one mean"):
        photon_transfer(np.empty(0), np.empty(0))


def steps(shape=(512, 768)):
    """Grey steps from black to half of white, side by side."""
    return np.tile(np.linspace(0.0, 0.5, 12).repeat(shape[1] // 12), (shape[0], 1))


@pytest.mark.parametrize("kind", COLOURS)
def test_a_frame_tells_its_own_noise_in_every_mosaic(kind):
    light = steps((1200, 1800)) if kind == "x-trans" else steps()
    frame, _ = expose(light, Sensor(kind, gain=0.5, read=4.0))
    noise = sensor_noise(cells_of(frame))
    assert noise is not None
    assert noise.gain == pytest.approx([0.5] * len(noise.gain), rel=0.08)
    assert np.sqrt(noise.dark) == pytest.approx([4.0] * len(noise.dark), rel=0.2)


@pytest.mark.parametrize("coarse", [1, 4])
def test_texture_over_most_of_the_frame_doesnt_raise_the_gain(coarse):
    rng = np.random.default_rng(2)
    light = steps()
    cloth = np.exp(rng.normal(0.0, 0.2, (512 // coarse, 500 // coarse)))
    light[:, :500] = 0.15 * cloth.repeat(coarse, 0).repeat(coarse, 1)
    noise = sensor_noise(cells_of(expose(light, Sensor(gain=0.5))[0]))
    assert noise is not None
    assert noise.gain == pytest.approx([0.5] * 4, rel=0.05)


def test_a_frame_of_one_brightness_lays_its_noise_to_photons():
    noise = sensor_noise(cells_of(expose(np.full((512, 768), 0.2), Sensor(gain=0.5))[0]))
    assert noise is not None
    assert noise.variance(1, 0.2 * 15871) == pytest.approx(0.5 * 0.2 * 15871 + 9.0, rel=0.03)


def test_too_small_a_frame_tells_no_noise():
    assert sensor_noise(cells_of(expose(np.full((32, 32), 0.2))[0])) is None


def masked(rng, black=512.0, read=5.0):
    levels = rng.normal(black, read, 4000)
    levels[:10] = 9000.0  # hot
    return Masked(np.rint(levels).astype(np.uint16), np.repeat([0, 1, 2, 3], 1000).astype(np.uint8))


def test_masked_photosites_give_black_and_read_noise_without_the_hot_ones():
    margin = masked(np.random.default_rng(3))
    assert MaskedLevels.of(margin, 0).mean == pytest.approx(512.0, abs=0.6)
    assert MaskedLevels.of(margin, 0).variance == pytest.approx(25.0 + QUANTISING, rel=0.15)


def test_masked_margins_set_the_dark_noise_of_a_frame():
    frame, _ = expose(
        steps() * 0.5 + 0.1, Sensor(read=5.0), masked=masked(np.random.default_rng(3))
    )
    noise = sensor_noise(cells_of(frame), frame.masked)
    assert noise is not None
    assert np.sqrt(noise.dark) == pytest.approx([5.0] * 4, rel=0.1)


def test_too_few_masked_photosites_say_nothing():
    few = Masked(np.full(20, 512, np.uint16), np.zeros(20, np.uint8))
    assert MaskedLevels.of(few, 0) == MaskedLevels.of(None, 0) == MaskedLevels()


def test_a_frame_that_is_texture_all_over_says_that_its_noise_isnt_known():
    # one colour, so no twin greens: patches of 4 photosites of many tones, nowhere even
    weave = np.exp(np.random.default_rng(8).normal(0.0, 0.1, (120, 160))).repeat(4, 0).repeat(4, 1)
    textured = sensor_noise(cells_of(expose(0.3 * weave, Sensor("mono"))[0]))
    even = sensor_noise(cells_of(expose(np.full((480, 640), 0.3), Sensor("mono"))[0]))
    assert textured is not None
    assert even is not None
    assert (textured.is_noise, even.is_noise) == (False, True)


def test_twin_greens_tell_the_gain_of_a_frame_that_is_texture_all_over():
    weave = np.exp(np.random.default_rng(8).normal(0.0, 0.2, (240, 320))).repeat(2, 0).repeat(2, 1)
    noise = sensor_noise(cells_of(expose(0.2 * weave, Sensor(gain=0.5))[0]))
    assert noise is not None
    assert noise.gain == pytest.approx([0.5] * 4, rel=0.1)


def test_a_colours_own_line_that_takes_texture_for_noise_gives_way_to_the_twins():
    rng = np.random.default_rng(8)
    weave = np.exp(rng.normal(0.0, 0.3, (60, 80))).repeat(8, 0).repeat(8, 1)
    noise = sensor_noise(cells_of(expose(np.minimum(0.6 * weave, 0.9), Sensor(gain=4.0))[0]))
    assert noise is not None
    assert noise.variance(0, 6000.0) == pytest.approx(4.0 * 6000.0, rel=0.3)


def test_a_few_blocks_of_one_colour_show_no_noise_free_of_texture():
    light = np.full((480, 640), 0.9)
    light[:160, :160] = 0.3
    noise = sensor_noise(cells_of(expose(light, Sensor("mono"))[0]))
    assert noise is not None
    assert not noise.is_noise
