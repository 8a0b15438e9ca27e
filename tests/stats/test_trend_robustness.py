"""What must not fool a trend: glitches, heavy tails, coarse readings, missing cycles, few cycles."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from benchlab.stats.trend import fit_trend

K = np.arange(1, 991)


def noise(seed, n, rho=0.0, draw="normal"):
    """Stationary AR(1) noise; for normal draws of unit standard deviation."""
    rng = np.random.default_rng(seed)
    e = (rng.normal(size=n) if draw == "normal" else rng.standard_t(3, size=n)) * np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], e)


def contains(estimate, truth):
    return estimate.lo <= truth <= estimate.hi


def covered(fits, drift, settled):
    """How many intervals of drift and of settled value hold the truth."""
    return (
        sum(contains(f.trend.drift_per_1000, drift) for f in fits),
        sum(contains(f.trend.settled, settled) for f in fits),
    )


@pytest.mark.parametrize("amplitude", [0.0, 5.0])
@pytest.mark.parametrize("size", [-300.0, 8.0, 1e6])
def test_a_glitch_anywhere_changes_no_number_beyond_its_uncertainty(amplitude, size):
    y = amplitude * np.exp(-(K - 1) / 80) + noise(1, 990, 0.3)
    clean = fit_trend(K, y, unit="deg").trend
    for where in (0, 2, 100, 988, 989):
        hit = y.copy()
        hit[where] += size
        fit = fit_trend(K, hit, unit="deg")
        assert (fit.trend.model, fit.steps) == (clean.model, ())
        for name in ("settled", "drift_per_1000", "start", "end"):
            a, b = getattr(clean, name), getattr(fit.trend, name)
            # one of 990 values is missing: at an end of the log it carries a few per cent of the information on it
            assert b.value == pytest.approx(a.value, abs=0.5 * a.u)
            assert b.u == pytest.approx(a.u, rel=0.25)


@pytest.mark.parametrize("n", [15, 20, 40])
def test_a_glitch_in_a_short_log_is_set_aside_too(n):
    y = noise([12, n], n)
    clean = fit_trend(np.arange(n), y, unit="deg").trend.settled
    for where in range(n):
        hit = y.copy()
        hit[where] += 30
        fit = fit_trend(np.arange(n), hit, unit="deg")
        assert fit.outliers == (where,)
        # one value of at least fifteen is missing
        assert fit.trend.settled.value == pytest.approx(clean.value, abs=clean.u)


def test_three_glitches_in_a_row_are_no_step():
    y = noise(2, 990, 0.5)
    for where in (0, 300, 987):
        hit = y.copy()
        hit[where : where + 3] += 30
        fit = fit_trend(K, hit, unit="deg")
        assert fit.steps == ()
        assert set(fit.outliers) == set(K[where : where + 3])


def test_heavy_tails_leave_the_intervals_honest_and_make_no_steps():
    fits = [fit_trend(K, K / 1000 + noise([3, i], 990, 0.4, "t3"), unit="A") for i in range(40)]
    # 38 of 40 expected, 3 standard deviations of the binomial are 4
    assert min(covered(fits, 1.0, 0.99)) >= 34
    assert sum(bool(f.steps) for f in fits) == 0


@pytest.mark.parametrize("seed", [13, 30, 35, 39])
def test_jumps_of_heavy_tailed_correlated_noise_are_no_steps(seed):
    # likelihood alone sees steps in these: a jump that dies away over some ten cycles
    assert fit_trend(K, noise([3, seed], 990, 0.7, "t3"), unit="A").steps == ()


@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_a_third_of_the_cycles_missing_is_bridged(rho):
    keep = np.random.default_rng(5).random(990) > 0.3
    y = [np.where(keep, 5 * np.exp(-(K - 1) / 80) + K / 1000 + noise([6, i], 990, rho), np.nan) for i in range(40)]
    fits = [fit_trend(K, one, unit="A") for one in y]
    assert min(covered(fits, 1.0, 0.99)) >= 34  # as above
    assert all(f.trend.n == keep.sum() for f in fits)


def test_a_long_gap_and_uneven_cycles_are_bridged():
    keep = ((K < 150) & (K % 2 == 0)) | (K > 700)
    fits = [
        fit_trend(K[keep], (5 * np.exp(-(K - 1) / 80) + noise([7, i], 990, 0.5))[keep], unit="A") for i in range(40)
    ]
    assert min(covered(fits, 0.0, 0.0)) >= 34  # as above


@pytest.mark.parametrize("drift", [1.0, 3.0])
@pytest.mark.parametrize("scatter", [0.0, 0.05, 0.2, 0.4])
def test_readings_coarser_than_the_noise_give_wide_intervals_and_no_steps(drift, scatter):
    offset = np.random.default_rng(8).random(12)
    fits = [
        fit_trend(K, np.round(b + drift * K / 1000 + scatter * noise([8, i], 990, 0.3)), unit="deg")
        for i, b in enumerate(offset)
    ]
    seen = [f for f in fits if f.sigma > 0]  # a reading that never changes has no uncertainty but the instrument's
    assert len(seen) >= 8
    assert sum(contains(f.trend.drift_per_1000, drift) for f in seen) >= len(seen) - 1
    assert all(f.steps == () for f in seen)
    # what a grid of 1 deg can hide on 1000 cycles is 3/sqrt(12) deg, less where noise carries over the steps
    assert min(f.trend.drift_per_1000.u for f in seen) > (0.8 if scatter < 0.3 else 0.3)


def test_one_change_of_the_last_digit_is_no_step_but_a_jump_over_many_is():
    flip, jump = np.where(K < 400, 7.0, 8.0), np.where(K < 400, 7.4, 8.6)
    assert fit_trend(K, flip, unit="V").steps == ()
    (step,) = fit_trend(K, jump, unit="V").steps
    assert (step.cycle, step.size.value) == (400, pytest.approx(1.2, abs=1e-3))


def test_a_glitch_in_a_constant_reading_is_an_outlier():
    y = np.full(990, 7.4)
    y[[3, 700]] = 9.9
    fit = fit_trend(K, y, unit="V")
    assert (fit.trend.model, fit.outliers) == ("constant", (4, 701))


def test_a_few_equal_values_prove_no_certainty():
    assert fit_trend([1, 2, 3], [7.4, 7.4, 7.4], unit="V").trend.settled.u is None


@pytest.mark.parametrize(("n", "amplitude"), [(4, 0.0), (6, 0.0), (6, 5.0), (9, 5.0), (15, 0.0), (15, 5.0), (30, 5.0)])
def test_few_cycles_give_honest_intervals_even_amid_settling(n, amplitude):
    # below 6 cycles settling cannot be told from drift
    k = np.arange(n)
    fits = [fit_trend(k, amplitude * np.exp(-6 * k / n) + noise([9, n, i], n), unit="A") for i in range(60)]
    drift, settled = covered(fits, 0.0, 0.0)
    # 57 of 60 expected, 3 standard deviations of the binomial are 5
    assert drift >= 52
    assert settled >= 52
    # the least of 60 estimated standard deviations on 2 degrees of freedom is about a tenth of the true one
    assert min(f.trend.settled.u for f in fits) > 0.1 / np.sqrt(n)


@given(
    st.lists(
        st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")), st.sampled_from([0.0, 1.0, 7.4])),
        min_size=2,
        max_size=30,
    ),
    st.integers(1, 400),
)
@settings(deadline=None, max_examples=100)
def test_nothing_finite_makes_it_fail(values, stride):
    y = np.array(values)
    if np.isfinite(y).sum() < 2:
        return
    fit = fit_trend(np.arange(len(y)) * stride, y, unit="A")
    for e in (fit.trend.settled, fit.trend.drift_per_1000, fit.trend.start, fit.trend.end, fit.trend.change):
        assert np.isfinite(e.value)
        assert e.u is None or (np.isfinite(e.u) and e.lo <= e.hi)


def test_growing_scatter_is_told_and_steady_scatter_is_not():
    grown = fit_trend(K, 3 * np.exp(-(K - 1) / 80) + noise(10, 990, 0.5) * 2.0 ** (K / 990), unit="deg")
    steady = fit_trend(K, 3 * np.exp(-(K - 1) / 80) + noise(10, 990, 0.5), unit="deg")
    assert grown.spread_grows
    assert contains(grown.spread_ratio, 2.0)
    assert not steady.spread_grows
    assert contains(steady.spread_ratio, 1.0)
    assert fit_trend(np.arange(50), noise(11, 50), unit="deg").spread_ratio is None
