"""What noise does to a percentile: the textbook's standard error, and honest coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from stopwise.measurement.patches import (
    level_at,
    local_spread,
    median_drift,
    percentile_scatter,
    percentile_uncertainty,
    percentile_without_noise,
)


def normal(count, *, noise=1.0, spread=0.0, seed=0):
    """Return true values that spread like a normal, and the same with noise."""
    true = stats.norm.ppf((np.arange(count) + 0.5) / count) * spread if spread else np.zeros(count)
    return true, true + np.random.default_rng(seed).normal(0.0, noise, count)


def test_a_flat_patch_has_the_textbooks_error_of_a_median():
    # standard error of the median of n normal values: sqrt(pi / 2) sd / sqrt(n)
    _, seen = normal(10_000)
    expected = np.sqrt(np.pi / 2.0) / 100.0
    assert percentile_scatter(seen, noise=1.0) == pytest.approx(expected, rel=0.03)


def test_a_flat_patchs_upper_percentile_has_the_textbooks_error_too():
    # standard error of a percentile q of n values: the root of q (1 - q) / n, over the density
    _, seen = normal(10_000)
    expected = np.sqrt(0.09) / stats.norm.pdf(stats.norm.ppf(0.9)) / 100.0
    found = percentile_scatter(seen, noise=1.0, percentile=90.0)
    assert found == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("percentile", [50.0, 90.0])
@pytest.mark.parametrize("spread", [0.5, 2.0, 8.0])
def test_the_stated_scatter_is_the_scatter_that_is_seen(spread, percentile):
    rng = np.random.default_rng(4)
    true, seen = normal(900, spread=spread)
    levels = [np.percentile(true + rng.normal(0, 1, 900), percentile) for _ in range(600)]
    stated = percentile_scatter(seen, noise=1.0, percentile=percentile)
    assert stated == pytest.approx(np.std(levels), rel=0.15)


def test_steps_of_light_make_a_median_drift_and_the_uncertainty_says_so():
    # four tenths dark, a third middle, the rest light: noise carries the median off the middle
    rng = np.random.default_rng(6)
    true = np.repeat([0.0, 50.0, 100.0], [4000, 3000, 3000])
    seen = true + rng.normal(0.0, 1.0, 10_000)
    error = abs(np.median(seen) - np.median(true))
    assert error > 4.0 * percentile_scatter(seen, noise=1.0)
    assert median_drift(seen, noise=1.0) == pytest.approx(np.median(seen) - 50.0, rel=0.25)
    assert error <= 1.2 * percentile_uncertainty(seen, noise=1.0)


def test_a_single_cell_is_as_unsure_as_its_noise():
    assert percentile_uncertainty(np.array([3.0]), noise=0.2) == pytest.approx(0.2)


def test_no_noise_on_equal_values_leaves_nothing_unsure():
    assert percentile_uncertainty(np.full(50, 2.0), noise=0.0) == 0.0


def test_local_spread_of_a_normal_is_its_standard_deviation():
    values = stats.norm.ppf((np.arange(5000) + 0.5) / 5000) * 3.0
    for percentile in (50.0, 90.0):
        assert local_spread(values, percentile=percentile) == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize("spread", [0.0, 1.0, 5.0])
def test_noise_is_taken_out_of_an_upper_percentile(spread):
    true, seen = normal(40_000, spread=spread)
    found = percentile_without_noise(seen, noise=1.0, percentile=90.0)
    assert found == pytest.approx(np.percentile(true, 90.0), abs=0.1)


def test_a_median_stays_the_median():
    _, seen = normal(999)
    assert percentile_without_noise(seen, noise=1.0, percentile=50.0) == np.median(seen)


def test_percentiles_are_numpys_linear_ones():
    # numpy's default definition of a percentile: 1.09, 5.5, 9.91 of 1 to 10
    values = np.arange(1.0, 11.0)
    assert [level_at(values, p) for p in (1, 50, 99)] == pytest.approx([1.09, 5.5, 9.91])


def test_rounding_doesnt_hold_a_dark_median_to_its_lattice():
    rng = np.random.default_rng(5)
    off, plain = [], []
    for true in np.linspace(7.0, 8.0, 21):
        rounded = np.rint(rng.normal(true, 0.8, 4000))
        off.append(level_at(rounded, 50.0, noise=0.85, step=np.sqrt(1 / 12)) - true)
        plain.append(np.median(rounded) - true)
    assert np.abs(plain).max() > 0.4
    assert np.abs(off).max() < 0.12
