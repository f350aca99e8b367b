"""The sensor's noise, levels and ceilings, held against the EMVA 1288 linear camera model."""

from __future__ import annotations

import numpy as np
import pytest

from lightmodel.colour import (
    MULTIPLIERS,
    NEUTRAL,
    RGB_TO_CAMERA,
    RGB_TO_XYZ,
    WEIGHTS,
    XYZ_TO_CAMERA,
)
from lightmodel.sensor import SaturationPeak, Sensor

colour = pytest.importorskip("colour")

GREY = Sensor(pattern=((1,),))


def expose(signal: float, sensor: Sensor = GREY, count: int = 200_000) -> np.ndarray:
    due = np.full((count // 400, 400), signal, np.float32)
    return sensor.expose(due, np.random.default_rng(5))[0].astype(np.float64)


@pytest.mark.parametrize("signal", [0.001, 0.01, 0.05, 0.2, 0.7])
def test_variance_grows_with_the_mean_by_the_gain(signal: float) -> None:
    """EMVA 1288, linear camera model: var = K^2 read^2 + 1/12 + K (mean - dark), K in DN/e-."""
    levels = expose(signal)
    gain = 1.0 / GREY.electrons_per_level
    mean = levels.mean() - GREY.black[1]
    expected = gain**2 * GREY.read_noise_e**2 + 1.0 / 12.0 + gain * mean
    spread = np.sqrt(2.0 / levels.size)  # relative standard error of a variance
    assert mean == pytest.approx(signal * (GREY.white - GREY.black[1]), rel=4e-3)
    assert levels.var() == pytest.approx(expected, rel=5.0 * spread)


@pytest.mark.parametrize(
    ("mean", "variance"), [(0, 0.645833), (100, 25.645833), (1000, 250.645833), (8000, 2000.645833)]
)
def test_the_worked_photon_transfer_curve_comes_out(mean: float, variance: float) -> None:
    """EMVA 1288 model with K = 0.25 DN/e- and 3 e- of read noise."""
    sensor = Sensor(pattern=((1,),), electrons_per_level=4.0, read_noise_e=3.0)
    levels = expose(mean / (sensor.white - sensor.black[1]), sensor)
    assert levels.var() == pytest.approx(variance, rel=0.02)


def test_two_frames_differ_by_noise_alone() -> None:
    """Half the variance of a difference is one frame's noise: fixed pattern falls out."""
    due = np.tile(np.linspace(0.1, 0.5, 500, dtype=np.float32), (400, 1))
    first, second = (
        GREY.expose(due, np.random.default_rng(seed))[0].astype(float) for seed in (1, 2)
    )
    span = GREY.white - GREY.black[1]
    expected = (16.0 + due.mean() * span * 3.6) / 3.6**2 + 1.0 / 12.0
    assert (first - second).var() / 2.0 == pytest.approx(expected, rel=0.02)


def test_each_colour_stands_on_its_own_black() -> None:
    sensor = Sensor()
    dark, _ = sensor.expose(np.zeros((400, 400), np.float32), np.random.default_rng(0))
    means = [dark[0::2, 0::2].mean(), dark[0::2, 1::2].mean(), dark[1::2, 1::2].mean()]
    assert means == pytest.approx(sensor.black[:3], abs=0.02)
    assert dark[1::2, 0::2].mean() == pytest.approx(sensor.black[3], abs=0.02)


def test_photosites_stop_at_the_named_white_and_say_so() -> None:
    sensor = Sensor()
    levels, clipped = sensor.expose(np.full((200, 200), 1.3, np.float32), np.random.default_rng(0))
    assert levels.min() == levels.max() == sensor.white
    assert clipped.all()
    _, clear = sensor.expose(np.full((200, 200), 0.9, np.float32), np.random.default_rng(0))
    assert not clear.any()


def test_a_soft_ceiling_piles_up_under_the_named_white_with_hot_photosites_above() -> None:
    sensor = Sensor(peak=SaturationPeak(level=14_900.0, width=12.0, hot_share=0.001))
    levels, clipped = sensor.expose(np.full((400, 400), 1.4, np.float32), np.random.default_rng(3))
    heaped = levels[levels < sensor.white]
    assert np.median(heaped) == pytest.approx(14_900.0, abs=1.0)
    assert heaped.std() == pytest.approx(12.0, rel=0.05)
    assert (levels > sensor.white).mean() == pytest.approx(0.001, abs=0.0004)
    assert clipped.mean() > 0.99


def test_the_same_seed_gives_the_same_photosites() -> None:
    assert np.array_equal(expose(0.3), expose(0.3))


@pytest.mark.parametrize(
    ("pattern", "first_row"),
    [(((0, 1), (3, 2)), [0, 1]), (((1, 0), (2, 3)), [1, 0]), (((2, 3), (1, 0)), [2, 1])],
)
def test_every_photosite_sees_its_own_colour(
    pattern: tuple[tuple[int, ...], ...], first_row: list[int]
) -> None:
    light = np.ones((2, 2, 3), np.float32) * np.array([0.5, 0.25, 0.1], np.float32)
    signals = Sensor(pattern=pattern).signals(light)
    camera = RGB_TO_CAMERA @ np.array([0.5, 0.25, 0.1])
    assert signals[0] == pytest.approx(camera[first_row], rel=1e-5)


def test_a_neutral_has_equal_balanced_colours_and_its_green_is_its_luminance() -> None:
    assert np.full(3, 1.0) @ RGB_TO_CAMERA.T * MULTIPLIERS == pytest.approx(np.ones(3), rel=1e-9)
    assert NEUTRAL[1] == 1.0
    assert WEIGHTS.sum() == pytest.approx(1.0)


def test_blue_has_no_share_in_luminance_since_its_weight_is_negative() -> None:
    balanced = XYZ_TO_CAMERA / (XYZ_TO_CAMERA @ RGB_TO_XYZ.sum(axis=1))[:, None]
    assert np.linalg.inv(balanced)[1, 2] < 0.0
    assert WEIGHTS[2] == 0.0


def test_linear_rgb_becomes_xyz_as_in_the_published_matrix() -> None:
    """IEC 61966-2-1 as colour-science keeps it."""
    published = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    assert np.abs(RGB_TO_XYZ - np.asarray(published)).max() < 1e-4
