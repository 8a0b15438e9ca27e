"""The separable fitter against certified values of NIST's Statistical Reference Datasets (nist_strd/SOURCE.md).

Asked for: 6 certified digits on parameters, 4 on their standard deviations, from no start value at all: the grids
below span decades around nothing in particular. NIST certifies 11 digits.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from benchlab.stats.separable import fit_separable, log_grid

DATA = Path(__file__).parent / "nist_strd"


def load(name):
    y, x = np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1, unpack=True)
    return x, y


def rise(x):
    return lambda theta: (1 - np.exp(-theta[0] * x))[:, None]


def assert_certified(got, certified, digits):
    np.testing.assert_allclose(got, certified, rtol=0.5 * 10.0**-digits)


@pytest.mark.parametrize(
    ("name", "values", "deviations", "rss"),
    [
        ("Misra1a", [2.3894212918e02, 5.5015643181e-04], [2.7070075241e00, 7.2668688436e-06], 1.2455138894e-01),
        ("BoxBOD", [2.1380940889e02, 5.4723748542e-01], [1.2354515176e01, 1.0455993237e-01], 1.1680088766e03),
    ],
)
def test_rise_to_a_plateau(name, values, deviations, rss):
    x, y = load(name)
    fit = fit_separable(rise(x), y, log_grid((1e-6, 1e2), points=60))
    assert_certified(fit.parameters, values, 8)
    assert_certified(fit.u, deviations, 7)
    assert_certified(fit.rss, rss, 9)
    assert fit.converged
    assert fit.dof == len(y) - 2


@pytest.mark.parametrize("start", [[1.0, 1.0], [100.0, 0.75]])
def test_both_published_starts_of_boxbod_lead_to_the_certified_optimum(start):
    """From (1, 1) a plain search runs off to a false optimum; here the linear parameter needs no start at all."""
    x, y = load("BoxBOD")
    fit = fit_separable(rise(x), y, log_grid((start[1] / 1e4, start[1] * 1e4), points=60))
    assert_certified(fit.parameters, [2.1380940889e02, 5.4723748542e-01], 8)


def test_a_plain_search_is_caught_in_the_false_optimum_of_boxbod():
    x, y = load("BoxBOD")
    false = least_squares(lambda b: y - b[0] * (1 - np.exp(-b[1] * x)), [1.0, 1.0], method="lm")
    assert 2 * false.cost == pytest.approx(9771.5, abs=0.1)  # certified: 1168.0


def test_mgh17_offset_and_two_exponentials():
    x, y = load("MGH17")
    fit = fit_separable(
        lambda b: np.column_stack([np.ones_like(x), np.exp(-x * b[0]), np.exp(-x * b[1])]),
        y,
        log_grid((1e-4, 1e2), (1e-4, 1e2), points=20),
    )
    order = [0, 1, 2, 3, 4] if fit.nonlinear[0] < fit.nonlinear[1] else [0, 2, 1, 4, 3]
    certified = [3.7541005211e-01, 1.9358469127e00, -1.4646871366e00, 1.2867534640e-02, 2.2122699662e-02]
    assert_certified(fit.parameters[order], certified, 6)
    assert_certified(
        fit.u[order], [2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04, 8.9471996575e-04], 5
    )
    assert_certified(fit.rss, 5.4648946975e-05, 9)
    assert_certified(fit.residual_sd, 1.3970497866e-03, 9)


def test_lanczos3_sum_of_three_exponentials():
    x, y = load("Lanczos3")
    fit = fit_separable(lambda b: np.exp(-np.outer(x, b)), y, log_grid(*[(1e-1, 3e1)] * 3, points=9))
    order = np.argsort(fit.nonlinear)
    order = np.concatenate([order, order + 3])
    certified = [
        8.6816414977e-02,
        8.4400777463e-01,
        1.5825685901e00,
        9.5498101505e-01,
        2.9515951832e00,
        4.9863565084e00,
    ]
    deviations = [1.7197908859e-02, 4.1488663282e-02, 5.8371576281e-02, 9.7041624475e-02, 1.0766312506e-01]
    assert_certified(fit.parameters[order], certified, 6)
    assert_certified(fit.u[order], [*deviations, 3.4436403035e-02], 5)
    assert_certified(fit.rss, 1.6117193594e-08, 8)


@pytest.mark.parametrize(
    ("name", "values", "deviations", "rss"),
    [
        (
            "Chwirut1",
            [1.9027818370e-01, 6.1314004477e-03, 1.0530908399e-02],
            [2.1938557035e-02, 3.4500025051e-04, 7.9281847748e-04],
            2.3844771393e03,
        ),
        (
            "Chwirut2",
            [1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02],
            [3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03],
            5.1304802941e02,
        ),
    ],
)
def test_chwirut_decay_over_a_straight_line(name, values, deviations, rss):
    """``exp(-b1 x) / (b2 + b3 x)`` is separable as ``a exp(-b1 x) / (1 + d x)``, with b2 = 1/a and b3 = d/a."""
    x, y = load(name)
    fit = fit_separable(
        lambda b: (np.exp(-b[0] * x) / (1 + b[1] * x))[:, None], y, log_grid((1e-3, 10), (1e-3, 1e2), points=16)
    )
    a, b1, d = fit.parameters
    assert_certified([b1, 1 / a, d / a], values, 7)
    to_published = np.array([[0, 1, 0], [-1 / a**2, 0, 0], [-d / a**2, 0, 1 / a]])
    assert_certified(np.sqrt(np.diag(to_published @ fit.covariance @ to_published.T)), deviations, 6)
    assert_certified(fit.rss, rss, 9)


def test_norris_straight_line():
    x, y = load("Norris")
    fit = fit_separable(lambda _: np.column_stack([np.ones_like(x), x]), y, np.empty((1, 0)))
    assert_certified(fit.linear, [-0.262323073774029, 1.00211681802045], 10)
    assert_certified(fit.u, [0.232818234301152, 0.429796848199937e-03], 10)
    assert_certified([fit.residual_sd, fit.rss], [0.884796396144373, 26.6173985294224], 10)
