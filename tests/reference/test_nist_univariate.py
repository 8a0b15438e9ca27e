"""Mean, standard deviation and lag-1 autocorrelation against NIST's certified values (nist_strd/SOURCE.md)."""

from pathlib import Path

import numpy as np
import pytest

from benchlab.stats.autocorrelation import autocorrelation, effective_sample_size, lag1
from benchlab.stats.separable import fit_separable

DATA = Path(__file__).parent / "nist_strd"


def load(name):
    return np.loadtxt(DATA / f"{name}.csv", skiprows=1)


@pytest.mark.parametrize(
    ("name", "mean", "sd", "r1"),
    [
        ("Mavro", 2.001856, 0.000429123454003053, 0.937989183438248),
        ("Michelso", 299.8524, 0.0790105478190518, 0.535199668621283),
        ("Lew", -177.435, 277.332168044316, -0.307304800605679),
        ("Lottery", 518.95871559633, 291.699727470969, -0.120948622967393),
    ],
)
def test_certified_mean_deviation_and_lag_1(name, mean, sd, r1):
    y = load(name)
    fit = fit_separable(lambda _: np.ones((len(y), 1)), y, np.empty((1, 0)))
    assert fit.linear[0] == pytest.approx(mean, rel=1e-13)
    # the values have 6 digits and vary in the last 3 or 4: double precision keeps 12 of the deviation's 15
    assert fit.residual_sd == pytest.approx(sd, rel=1e-11)
    assert lag1(y) == pytest.approx(r1, rel=1e-11)


@pytest.mark.parametrize(
    ("centre", "digits"),
    [
        (1.2, 13),
        (1000000.2, 9),  # the data themselves are only that near to the printed numbers in double precision
        (10000000.2, 8),
    ],
)
def test_numerically_hard_series(centre, digits):
    """NumAcc2, 3 and 4: one value at the centre, then 500 pairs of 0.1 less and 0.1 more."""
    y = np.concatenate([[centre], np.tile([centre - 0.1, centre + 0.1], 500)])
    fit = fit_separable(lambda _: np.ones((len(y), 1)), y, np.empty((1, 0)))
    assert fit.linear[0] == pytest.approx(centre, rel=1e-15)
    assert fit.residual_sd == pytest.approx(0.1, rel=10.0**-digits)
    assert lag1(y) == pytest.approx(-0.999, rel=10.0**-digits)


def test_numacc1():
    assert lag1([10000001, 10000003, 10000002]) == -0.5


def test_autocorrelation_of_lew_as_printed_in_the_e_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.12, second-hand; printed with two decimals."""
    printed = [1.00, -0.31, -0.74, 0.77, 0.21, -0.90, 0.38, 0.63, -0.77, -0.12, 0.82, -0.40, -0.55]
    np.testing.assert_allclose(autocorrelation(load("Lew"), 12), printed, atol=0.005)


@pytest.mark.parametrize(
    ("rho", "limit", "exact"),
    [(0.5, 33.333, 33.784), (0.9, 5.263, 5.814)],
)
def test_effective_sample_size_of_100_values(rho, limit, exact):
    """Limit form n (1 - r) / (1 + r): F. Zwiers and H. von Storch, J. Climate 8 (1995) 336, second-hand.

    The exact form is a textbook one (from memory); figures computed independently from the two formulas.
    """
    assert effective_sample_size(100, rho) == pytest.approx(exact, abs=0.0005)
    assert 100 * effective_sample_size(100_000, rho) / 100_000 == pytest.approx(limit, abs=0.002)
