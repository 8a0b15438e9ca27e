import numpy as np
import pytest
from scipy.signal import lfilter

from benchlab.stats.trend import fit_trend


def noise(seed, n, rho=0.0):
    """Stationary AR(1) noise of unit standard deviation."""
    rng = np.random.default_rng(seed)
    e = rng.normal(size=n) * np.sqrt(1 - rho**2)
    e[0] = rng.normal()
    return lfilter([1.0], [1.0, -rho], e)


K = np.arange(1, 991)


def contains(estimate, truth):
    return estimate.lo <= truth <= estimate.hi


@pytest.mark.parametrize(
    ("model", "amplitude", "tau", "drift"),
    [
        ("constant", 0.0, 1.0, 0.0),
        ("drift", 0.0, 1.0, 2.0),
        ("settling", 10.0, 80.0, 0.0),
        ("settling+drift", 10.0, 80.0, 4.0),
    ],
)
def test_names_the_model_and_recovers_its_numbers(model, amplitude, tau, drift):
    y = 50 + amplitude * np.exp(-(K - 1) / tau) + drift * K / 1000 + noise(1, 990, 0.3)
    fit = fit_trend(K, y, unit="A")
    assert fit.trend.model == model
    assert contains(fit.trend.drift_per_1000, drift)
    assert contains(fit.trend.settled, 50 + drift * 0.99)
    assert fit.trend.drift_per_1000.unit == "A/1000 cycles"
    assert fit.trend.rho == pytest.approx(0.3, abs=0.1)  # 3 standard deviations: 3 sqrt((1 - rho^2) / n) = 0.09
    assert fit.sigma == pytest.approx(1.0, abs=0.1)  # 3 standard deviations of sigma from 990 correlated values
    if amplitude:
        assert contains(fit.trend.tau_cycles, tau)
        assert fit.trend.settled_at_cycle == pytest.approx(1 + tau * np.log(20), abs=60)


def test_change_is_end_minus_start_and_contains_everything():
    y = 10 * np.exp(-(K - 1) / 80) + 2 * K / 1000 + noise(2, 990)
    t = fit_trend(K, y, unit="deg").trend
    assert t.change.value == pytest.approx(t.end.value - t.start.value, abs=1e-2 * t.change.u)
    assert contains(t.change, -10 + 2 * 0.989)


def test_drift_is_reported_with_what_the_data_leave_open_even_if_constant_was_chosen():
    t = fit_trend(K, noise(3, 990), unit="deg").trend
    assert t.model == "constant"
    # by hand: standard deviation of a slope on 990 points is sqrt(12 / 990) / 990 a cycle = 0.111 per 1000
    assert t.drift_per_1000.u == pytest.approx(0.111, rel=0.25)
    assert contains(t.drift_per_1000, 0.0)


def test_correlated_noise_makes_the_drift_less_certain():
    white, red = (fit_trend(K, noise(4, 990, rho), unit="deg").trend.drift_per_1000.u for rho in (0.0, 0.7))
    # the variance of a slope grows by (1 + rho) / (1 - rho) = 5.7 at rho 0.7
    assert red / white == pytest.approx(np.sqrt(1.7 / 0.3), rel=0.3)


def test_unfinished_run_in_says_how_many_cycles_it_needs():
    fit = fit_trend(K, 30 * np.exp(-(K - 1) / 500) + 0.3 * noise(5, 990), unit="A")
    assert not fit.run_in_complete
    # 95 % done at 1 + 500 ln 20 = 1499
    assert fit.trend.settled_at_cycle == pytest.approx(1499, abs=200)
    assert fit.cycles_needed == fit.trend.settled_at_cycle - 990


def test_share_of_settling_is_a_setting():
    y = 10 * np.exp(-(K - 1) / 80) + noise(2, 990)
    half = fit_trend(K, y, unit="A", settled_share=0.5).trend
    assert half.settled_at_cycle == np.ceil(1 + half.tau_cycles.value * np.log(2))


@pytest.mark.parametrize("settling", [0.0, 10.0])
def test_a_step_is_found_with_its_size_and_place(settling):
    y = settling * np.exp(-(K - 1) / 60) + noise(6, 990, 0.3) + 3 * (K >= 612)
    fit = fit_trend(K, y, unit="deg")
    (step,) = fit.steps
    assert fit.trend.model.endswith("+steps")
    assert abs(step.cycle - 612) <= 3
    assert step.lo <= 612 <= step.hi
    assert contains(step.size, 3.0)
    assert contains(fit.trend.drift_per_1000, 0.0)


def test_a_level_that_comes_and_goes_is_two_steps():
    y = noise(7, 990) + 3 * ((K > 300) & (K <= 330))
    fit = fit_trend(K, y, unit="deg")
    assert [abs(s.cycle - at) <= 2 for s, at in zip(fit.steps, (301, 331), strict=True)] == [True, True]


@pytest.mark.parametrize("where", [[0], [0, 1], [1], [500], [500, 501, 502], [989], [100, 101, 300, 700]])
def test_glitches_are_outliers_and_never_steps_or_settling(where):
    y = noise(8, 990, 0.3)
    y[where] += 25
    fit = fit_trend(K, y, unit="deg")
    assert fit.outliers == tuple(K[where])
    assert fit.steps == ()
    assert fit.trend.model == "constant"
    assert fit.trend.n == 990 - len(where)


def test_no_more_outliers_than_the_share_allowed():
    y = noise(9, 200)
    y[::10] += 50
    assert len(fit_trend(np.arange(200), y, unit="deg", max_outlier_share=0.05).outliers) <= 10


def test_fast_settling_is_not_an_outlier():
    fit = fit_trend(K, 20 * np.exp(-(K - 1) / 5) + noise(10, 990), unit="A")
    assert fit.trend.model == "settling"
    assert fit.outliers == ()


def test_missing_cycles_are_bridged():
    y = 10 * np.exp(-(K - 1) / 80) + noise(11, 990, 0.5)
    keep = np.r_[0:200, 500:990]
    t = fit_trend(K[keep], y[keep], unit="A").trend
    assert contains(t.tau_cycles, 80)
    assert contains(t.settled, 0.0)


def test_nan_and_order_do_not_matter():
    y = 10 * np.exp(-(K - 1) / 80) + noise(12, 990)
    gap = y.copy()
    gap[[3, 400, 401]] = np.nan
    shuffled = np.random.default_rng(0).permutation(990)
    keep = np.isfinite(gap)
    a = fit_trend(K[shuffled], gap[shuffled], unit="A").trend
    b = fit_trend(K[keep], y[keep], unit="A").trend
    assert a == b


@pytest.mark.parametrize(("scale", "shift"), [(1e-6, 0.0), (1e4, 0.0), (1.0, 1e6)])
def test_unit_and_origin_do_not_matter(scale, shift):
    y = 10 * np.exp(-(K - 1) / 80) + K / 1000 + noise(13, 990, 0.3)
    a, b = fit_trend(K, y, unit="A").trend, fit_trend(K, scale * y + shift, unit="mA").trend
    assert a.model == b.model
    # an offset of 1e6 costs 6 of 16 digits, the rest is lost in the grids' ends moving with rounding
    assert b.drift_per_1000.value == pytest.approx(scale * a.drift_per_1000.value, rel=1e-3)
    assert b.settled.u == pytest.approx(scale * a.settled.u, rel=1e-3)


def test_a_constant_signal_is_constant_with_no_uncertainty_of_its_own():
    fit = fit_trend(K, np.full(990, 7.4), unit="V")
    assert fit.trend.model == "constant"
    assert (fit.trend.drift_per_1000.value, fit.trend.drift_per_1000.u) == (0.0, 0.0)
    assert fit.trend.settled.value == 7.4
    assert fit.run_in_complete


def test_a_quantised_drift_is_a_drift_and_no_staircase():
    y = np.round(K / 300 + 0.1 * noise(14, 990))
    fit = fit_trend(K, y, unit="deg")
    assert fit.steps == ()
    assert fit.trend.model == "drift"
    assert fit.trend.drift_per_1000.value == pytest.approx(3.33, abs=0.15)


def test_a_rare_flicker_of_the_last_digit_is_no_outlier():
    y = np.where(np.random.default_rng(15).random(990) < 0.02, 1001.0, 1000.0)
    assert fit_trend(K, y, unit="us").outliers == ()


@pytest.mark.parametrize("n", [3, 5, 8, 20])
def test_few_cycles_give_intervals_wide_enough(n):
    fits = [fit_trend(np.arange(n), 5 + noise([16, i], n), unit="deg") for i in range(60)]
    assert all(fit.curve.notna().all(axis=None) for fit in fits)
    # 57 of 60 expected; 3 standard deviations of the binomial are 5
    assert sum(contains(fit.trend.settled, 5.0) for fit in fits) >= 52
    assert sum(contains(fit.trend.drift_per_1000, 0.0) for fit in fits) >= 52


def test_two_values_have_a_slope_but_no_uncertainty():
    t = fit_trend([1, 3], [5.0, 6.0], unit="deg").trend
    assert t.drift_per_1000.value == pytest.approx(500.0)
    assert t.drift_per_1000.u is None


@pytest.mark.parametrize("values", [[], [1.0], [1.0, np.nan], [np.inf, 2.0, np.nan]])
def test_fewer_than_two_finite_values_are_refused(values):
    with pytest.raises(ValueError, match="2 finite values"):
        fit_trend(np.arange(len(values)), values, unit="deg")


def test_the_curve_has_at_most_400_rows_and_a_band_around_the_fit():
    curve = fit_trend(np.arange(5000), noise(17, 5000), unit="deg").curve
    assert list(curve.columns) == ["cycle", "fit", "lo", "hi"]
    assert len(curve) <= 400
    assert (curve["lo"] < curve["fit"]).all()
    assert (curve["fit"] < curve["hi"]).all()


def test_known_models_narrow_the_choice():
    y = 3 * np.exp(-(K - 1) / 60) + noise(18, 990)
    t = fit_trend(K, y, unit="A", models=("settling",)).trend
    assert (t.drift_per_1000.value, t.drift_per_1000.u) == (0.0, 0.0)
    assert contains(t.settled, 0.0)


def test_the_same_input_gives_the_same_result():
    y = noise(19, 300, 0.4)
    a, b = (fit_trend(np.arange(300), y, unit="A") for _ in range(2))
    assert a.trend == b.trend
    assert a.curve.equals(b.curve)
