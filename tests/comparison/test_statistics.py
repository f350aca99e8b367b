"""Robust statistics, held against scipy, numpy and published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from stopwise.comparison.events import slope, spread, weighted_median

RNG = np.random.default_rng(5)


def test_spread_of_published_samples():
    """Documented examples of scipy.stats.median_abs_deviation: it is 1, a sigma 1.482602."""
    assert spread([1, 1, 2, 2, 4, 6, 9]) == pytest.approx(1.482602, abs=1e-6)
    assert spread([10, 11, 9, 10, 12, 8, 10, 250]) == pytest.approx(1.482602, abs=1e-6)


@pytest.mark.parametrize("size", [1, 2, 5, 30])
def test_spread_is_scipys_scaled_deviation(size):
    values = RNG.normal(0.0, 0.1, size)
    wanted = stats.median_abs_deviation(values, scale="normal")
    assert spread(list(values)) == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("size", [2, 3, 9, 24])
def test_slope_is_scipys_theil_slope(size):
    values = 0.02 * np.arange(size) + RNG.normal(0.0, 0.05, size)
    places = np.sort(RNG.choice(100, size, replace=False)).astype(float)
    assert slope(list(values)) == pytest.approx(stats.theilslopes(values).slope, abs=1e-12)
    wanted = stats.theilslopes(values, places).slope
    assert slope(list(values), list(places)) == pytest.approx(wanted, abs=1e-12)


def test_slope_of_one_value_is_nothing():
    assert slope([3.0]) == 0.0


@pytest.mark.parametrize("size", [1, 2, 5, 8, 31])
def test_weighted_median_with_equal_weights_is_the_median(size):
    values = RNG.normal(size=size)
    assert weighted_median(list(values), [0.3] * size) == pytest.approx(np.median(values))


def test_weighted_median_with_whole_weights_repeats_values():
    values, weights = RNG.normal(size=9), RNG.integers(1, 6, 9)
    wanted = np.median(np.repeat(values, weights))
    assert weighted_median(list(values), list(weights.astype(float))) == pytest.approx(wanted)
