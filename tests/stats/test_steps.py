from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.stats.autocorrelation import log_determinant, whiten
from benchlab.stats.steps import RHO, best_pulse, critical_drop, optimal_partition, place_interval, scan


def cost(y, cuts, penalty):
    return sum(((p - p.mean()) ** 2).sum() for p in np.split(y, cuts)) + penalty * len(cuts)


@given(st.lists(st.integers(-5, 5), min_size=2, max_size=9), st.sampled_from([0.5, 3.0, 20.0]), st.sampled_from([1, 2]))
@settings(deadline=None, max_examples=60)
def test_partition_is_as_good_as_the_best_of_all(values, penalty, min_size):
    y = np.array(values, dtype=float)
    every = [c for r in range(len(y)) for c in combinations(range(1, len(y)), r)]
    every = [c for c in every if all(len(p) >= min_size for p in np.split(y, c))]
    best = min(cost(y, c, penalty) for c in every)
    # sums of squares of small integers: rounding only
    assert cost(y, optimal_partition(y, penalty, min_size), penalty) == pytest.approx(best, abs=1e-9)


def test_partition_of_two_levels():
    assert optimal_partition([0, 0, 0, 5, 5, 5], penalty=1.0) == [3]
    assert optimal_partition([0, 0, 0, 5, 5, 5], penalty=100.0) == []


def test_partition_needs_a_whole_piece():
    with pytest.raises(ValueError, match="cannot form a piece of 3"):
        optimal_partition([1.0, 2.0], penalty=1.0, min_size=3)


def test_scan_equals_a_fit_at_every_place():
    rng = np.random.default_rng(1)
    k = np.r_[1:20, 23:35].astype(float)  # with a gap
    y = rng.normal(size=len(k)) + 2 * (k > 15)
    x = np.column_stack([np.ones_like(k), k])

    def deviance(columns):
        out = []
        for rho in RHO:
            a, b = whiten(columns, k, rho), whiten(y, k, rho)
            rss = np.linalg.lstsq(a, b)[1][0] + len(y) * (1e-4 * y.std()) ** 2
            out.append(len(y) * np.log(rss) + log_determinant(k, rho))
        return min(out)

    s = scan(k, y, x, [], 5)
    # the parabola between grid points reaches a little below the lowest of them
    assert s.without == pytest.approx(deviance(x), abs=0.05)
    assert s.without <= deviance(x) + 1e-9
    for i in range(5, len(k) - 5):
        direct = deviance(np.column_stack([x, k >= k[i]]))
        assert s.at[i] == pytest.approx(direct, abs=0.1)
    assert np.isinf(s.at[:5]).all()
    assert np.isinf(s.at[-4:]).all()


def test_places_near_a_known_step_are_barred():
    k = np.arange(40.0)
    s = scan(k, np.sin(k), np.ones((40, 1)), [20], 5)
    assert np.isinf(s.at[16:25]).all()
    assert np.isfinite(s.at[[15, 25]]).all()


def test_place_interval_is_as_short_as_the_likelihood_allows():
    deviance = np.array([np.inf, 20.0, 6.0, 0.0, 6.0, 20.0])
    # weights: 1 and twice exp(-3) = 0.05, so that the middle alone holds 0.909 and two of three 0.955
    assert place_interval(deviance, 3) in {(2, 3), (3, 4)}
    assert place_interval(deviance, 3, probability=0.9) == (3, 3)


def test_more_values_need_more_proof():
    # chi-squared with 1 degree of freedom at 0.001 / 2000 places is 25.3; Student's t adds little at n = 1000
    assert critical_drop(1000, 2, 0.001) == pytest.approx(25.3, abs=0.4)
    assert critical_drop(1000, 2, 0.001) > critical_drop(200, 2, 0.001)


def test_best_pulse_finds_there_and_back():
    residual = np.zeros(100)
    residual[40:60] = 1.0
    pair, gain = best_pulse(residual - residual.mean() + 1e-3 * np.cos(np.arange(100)), 5)
    assert pair == [40, 60]
    assert gain > 100
