"""Drift of two published series (epa_trend/SOURCE.md) against the published slopes, which are Sen's medians of slopes.

Least squares with correlated noise is another estimator: it must agree within the published limits, not to digits.
"""

from pathlib import Path

import numpy as np
import pytest

from benchlab.stats.trend import fit_trend


@pytest.mark.parametrize(
    ("name", "slope", "low", "high"),
    [("sodium", 1.3333333, 0.3992083, 2.3333333), ("sulfate", 26.6666667, 20.0, 35.71182)],
)
def test_drift_lies_within_the_published_limits(name, slope, low, high):
    year, ppm = np.loadtxt(Path(__file__).parent / "epa_trend" / f"{name}.csv", delimiter=",", skiprows=1, unpack=True)
    # a cycle is a tenth of the guidance's year here
    drift = fit_trend(10 * year, ppm, unit="ppm", models=("drift",)).trend.drift_per_1000
    value, lo, hi = (x / 100 for x in (drift.value, drift.lo, drift.hi))
    assert low < value < high
    assert lo < slope < hi
    assert lo > 0  # the guidance finds both rising: p = 0.03 and 3e-7
    # the guidance takes the values for independent; a correlation of 0.4, which 10 and 23 values cannot exclude,
    # widens an interval by sqrt((1 + 0.4) / (1 - 0.4)) = 1.53
    assert 1.0 < (hi - lo) / (high - low) < 1.53
