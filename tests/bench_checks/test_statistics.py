"""Level, noise and slope of a run of readings, against numpy and scipy."""

import numpy as np
import pytest
from scipy.stats import linregress

from ground.bench.statistics import level, line, noise

RNG = np.random.default_rng(20270522)


def test_line_is_scipys():
    x = np.sort(RNG.uniform(0, 100, 60))
    y = 3.0 * x - 5.0 + RNG.normal(0, 2.0, 60)
    theirs = linregress(x, y)
    assert line(x, y) == pytest.approx((theirs.slope, theirs.stderr, theirs.intercept), rel=1e-9)


def test_line_through_one_moment_has_no_slope():
    assert np.isnan(line([5.0, 5.0], [1.0, 2.0])[0])


def test_noise_is_the_scatter_and_drift_is_not():
    values = RNG.normal(1000.0, 0.5, 4000)
    assert noise(values) == pytest.approx(0.5, rel=0.05)
    assert noise(values + np.linspace(0, 30, 4000)) == pytest.approx(0.5, rel=0.05)


def test_uncertainty_of_a_level_is_that_of_independent_readings_and_more_with_drift():
    """White noise: sigma over the root of n; a drift shows in the means of the tenths."""
    values = RNG.normal(0.0, 1.0, 10_000)
    mean, own = level(values)
    assert abs(mean) < 0.04 and own == pytest.approx(0.01, rel=0.6)
    assert level(values + np.linspace(0, 1, 10_000))[1] > 5 * own


def test_few_readings_have_a_level_too():
    assert level([4.0]) == (4.0, 0.0)
    assert level([1.0, 3.0]) == (2.0, pytest.approx(np.sqrt(2.0)))
