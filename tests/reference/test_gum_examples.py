"""Uncertainty and conformity against the examples of JCGM 100:2008 and JCGM 106:2012 (gum/SOURCE.md)."""

import math
from pathlib import Path

import numpy as np
import pytest

from benchlab.stats.conformity import probability_of_conformity
from benchlab.stats.separable import fit_separable
from benchlab.stats.uncertainty import combine, coverage_factor, effective_dof, rectangular
from benchlab.tank.budget import combined, line

DATA = Path(__file__).parent / "gum"


def test_h1_end_gauge():
    """JCGM 100 H.1, second-hand. Lengths in nm; the mean gauge temperature and the cycle drop out to first order."""
    comparison = [(5.8, 24), (3.9, 5), (6.7, 8)]
    u_comparison = combine(*[u for u, _ in comparison])
    dof_comparison = effective_dof([(u, nu) for u, nu in comparison])
    assert u_comparison == pytest.approx(9.7, abs=0.05)
    assert dof_comparison == pytest.approx(25.6, abs=0.2)  # the guide first rounds u to 9.7
    standard = 50000623.0
    u_expansion = standard * 0.1 * rectangular(1e-6)
    u_temperature = standard * 11.5e-6 * rectangular(0.05)
    assert u_expansion == pytest.approx(2.88679, abs=1e-5)
    assert u_temperature == pytest.approx(16.599, abs=0.001)
    rows = [  # the table of H.1: source, value, distribution, u, sensitivity
        ("calibration of the standard", standard, "nm", "normal", 25.0, 1.0),
        ("comparison", 215.0, "nm", "normal", u_comparison, 1.0),
        ("expansion of the standard", 11.5e-6, "1/K", "rectangular", rectangular(2e-6), 0.0),
        ("mean temperature of the bed", -0.1, "K", "normal", combine(0.2, 0.5 / math.sqrt(2)), 0.0),
        ("difference of the expansions", 0.0, "1/K", "rectangular", rectangular(1e-6), -standard * -0.1),
        ("difference of the temperatures", 0.0, "K", "rectangular", rectangular(0.05), -standard * 11.5e-6),
    ]
    budget = [line("length", *row) for row in rows]
    assert [b.contribution for b in budget] == pytest.approx([25, 9.7, 0, 0, 2.88679, 16.599], abs=0.02)
    u = combined(budget)
    assert standard + 215 == 50000838
    assert u == pytest.approx(31.664, abs=5e-4)
    assert u == pytest.approx(combine(25.0, u_comparison, u_expansion, u_temperature), rel=1e-12)
    dof = effective_dof([(25, 18), (u_comparison, dof_comparison), (u_expansion, 50), (u_temperature, 2)])
    assert round(u) == 32
    assert math.floor(dof) == 16
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.005)  # from memory
    assert coverage_factor(16, 0.99) * u == pytest.approx(93, abs=1)  # from memory; the guide rounds u to 32 first


def test_h3_thermometer_calibration_line():
    """JCGM 100 H.3, second-hand: correction against reading, reference temperature 20 C."""
    _, reading, correction = np.loadtxt(DATA / "h3_thermometer.csv", delimiter=",", skiprows=1, unpack=True)
    x = np.column_stack([np.ones_like(reading), reading - 20])
    fit = fit_separable(lambda _: x, correction, np.empty((1, 0)))
    assert fit.linear == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.linear == pytest.approx([-0.171203790, 0.002182698], abs=1e-9)
    assert fit.u == pytest.approx([0.002877598, 0.000667939], abs=1e-9)
    assert fit.covariance[0, 1] / fit.u.prod() == pytest.approx(-0.930, abs=5e-4)
    assert fit.residual_sd == pytest.approx(0.0035, abs=5e-5)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ fit.linear == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ fit.covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)
    assert fit.dof == 9
    # the same as a budget with correlated lines, once from the fit and once from the printed figures
    r = fit.covariance[0, 1] / fit.u.prod()
    for (intercept, slope), (u1, u2), corr in (
        (fit.linear, fit.u, r),
        ((-0.1712, 0.00218), (0.0029, 0.00067), -0.930),
    ):
        budget = [
            line("correction at 30 C", "intercept", intercept, "C", "normal", u1, 1.0),
            line("correction at 30 C", "slope", slope, "1", "normal", u2, 10.0),
        ]
        assert sum(b.sensitivity * b.value for b in budget) == pytest.approx(-0.1494, abs=5e-5)
        assert combined(budget, {("intercept", "slope"): corr}) == pytest.approx(0.0041, abs=5e-5)
    # uncorrelated it would be 0.0073
    assert combined(budget) == pytest.approx(math.hypot(0.0029, 0.0067), rel=1e-12)


@pytest.mark.parametrize(
    ("dof", "probability", "factor"), [(1, 0.95, 12.71), (20, 0.90, 1.72), (5, 0.9973, 5.51), (None, 0.95, 1.96)]
)
def test_student_factors_of_table_g2(dof, probability, factor):
    """JCGM 100 table G.2, second-hand; two decimals."""
    assert coverage_factor(dof, probability) == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "printed", "computed"),
    [
        (-5.47, 0.05, None, -5.40, 0.92, 0.919243),
        (509.7, 8.6, 490, None, 0.99, 0.989010),
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.662630),
    ],
)
def test_conformance_probabilities_of_jcgm_106(value, u, lower, upper, printed, computed):
    """JCGM 106:2012 clause 7 (examples from memory), with the figures recomputed from the formula."""
    p = probability_of_conformity(value, u, lower, upper)
    assert round(p, 2) == printed
    assert p == pytest.approx(computed, abs=1e-6)


@pytest.mark.parametrize(("z", "p"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)])
def test_distance_to_a_limit_and_conformance_probability(z, p):
    """JCGM 106:2012 table 1 (from memory): z has two decimals, so p is off by up to 0.005 times the density."""
    assert probability_of_conformity(0.0, 1.0, None, z) == pytest.approx(p, abs=0.0015)
