"""Trend fits against general statistics libraries on the same data (statsmodels GLS, GLSAR and GLM, lmfit)."""

import lmfit
import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import toeplitz
from scipy.signal import lfilter

from benchlab.stats.autocorrelation import whiten
from benchlab.stats.spread import spread_change
from benchlab.stats.surface import design, surface
from benchlab.stats.trend import fit_trend


def ar1(rng, n, rho):
    e = rng.normal(size=n) * np.sqrt(1 - rho**2)
    e[0] = rng.normal()
    return lfilter([1.0], [1.0, -rho], e)


@pytest.fixture(scope="module")
def drifting():
    k = np.arange(1.0, 501)
    return k, 7.4 + 0.002 * k + ar1(np.random.default_rng(20), 500, 0.6)


def test_closed_form_at_a_known_correlation_equals_generalised_least_squares(drifting):
    k, y = drifting
    k, y = np.delete(k, [40, 41, 300]), np.delete(y, [40, 41, 300])  # gaps: correlation rho^2 and rho^3 across them
    x = np.column_stack([np.ones_like(k), k])
    gls = sm.GLS(y, x, sigma=0.6 ** np.abs(k[:, None] - k)).fit()
    d = design(k, y, x)
    s = surface(d, np.array([0.6]), np.empty(0))
    coefficients = np.linalg.solve(d.r, d.fitted + np.linalg.solve(s.lower[0].T, s.wy[0]))
    # both are exact solutions of the same equations: only rounding between them
    np.testing.assert_allclose(coefficients, gls.params, rtol=1e-10)
    assert s.rss[0] == pytest.approx(gls.ssr, rel=1e-10)
    inverse = np.linalg.inv(d.r) @ np.linalg.inv(s.lower[0] @ s.lower[0].T) @ np.linalg.inv(d.r).T
    np.testing.assert_allclose(np.sqrt(np.diag(inverse) * s.rss[0] / (len(y) - 2)), gls.bse, rtol=1e-10)


def test_log_determinant_and_whitening_agree_with_the_full_matrix():
    k = np.array([1.0, 2, 3, 5, 6, 9])
    y = np.array([0.3, -0.2, 0.5, 1.0, 0.1, -0.4])
    v = 0.7 ** np.abs(k[:, None] - k)
    d = design(k, y, np.ones((6, 1)))
    assert surface(d, np.array([0.7]), np.empty(0)).log_det[0] == pytest.approx(np.linalg.slogdet(v)[1], rel=1e-12)
    w = whiten(y, k, 0.7)
    assert w @ w == pytest.approx(y @ np.linalg.solve(v, y), rel=1e-12)
    assert v[:3, :3] == pytest.approx(toeplitz(0.7 ** np.arange(3)))


def test_drift_agrees_with_glsar(drifting):
    k, y = drifting
    model = sm.GLSAR(y, sm.add_constant(k), rho=1)
    glsar = model.iterative_fit(maxiter=20)
    t = fit_trend(k, y, unit="1", models=("drift",)).trend
    # GLSAR leaves the first row out (a value of weight (1 + rho)/(1 - rho) = 4 at the very end of the line) and takes
    # the correlation without correction for the fit: a fifth of u at most
    assert t.drift_per_1000.value == pytest.approx(1000 * glsar.params[1], abs=0.2 * t.drift_per_1000.u)
    assert t.rho == pytest.approx(float(model.rho[0]), abs=0.02)
    assert t.drift_per_1000.u == pytest.approx(1000 * glsar.bse[1], rel=0.08)


def test_settling_agrees_with_lmfit():
    rng = np.random.default_rng(21)
    k = np.arange(1.0, 991)
    y = 20 + 10 * np.exp(-(k - 1) / 90) + 0.001 * k + ar1(rng, 990, 0.3)
    t = fit_trend(k, y, unit="1", models=("settling+drift",)).trend

    def residual(p):
        curve = p["c"] + p["a"] * np.exp(-(k - 1) / p["tau"]) + p["b"] * k / 1000
        return whiten(y - curve, k, t.rho)

    start = lmfit.create_params(c=20, a=10, tau={"value": 90, "min": 1}, b=1)
    best = lmfit.minimize(residual, start)
    # lmfit linearises at the optimum, ours is the middle of the posterior: a tenth of u apart at this much settling
    for ours, theirs in ((t.tau_cycles, best.params["tau"]), (t.drift_per_1000, best.params["b"])):
        assert ours.value == pytest.approx(theirs.value, abs=0.15 * theirs.stderr)
        assert ours.u == pytest.approx(theirs.stderr, rel=0.1)


def test_growth_of_spread_agrees_with_a_gamma_regression():
    k = np.arange(1.0, 991)
    x = (k - 1) / 989
    rng = np.random.default_rng(22)
    relative = []
    for _ in range(20):
        e = rng.normal(size=990) * 2**x
        glm = sm.GLM(np.abs(e), sm.add_constant(x), family=sm.families.Gamma(link=sm.families.links.Log()))
        theirs = glm.fit(cov_type="HC0")
        ours = spread_change(k, e).ratio
        # means of blocks in logarithm instead of single values: at most u apart, on the same data
        assert np.log(ours.value) == pytest.approx(theirs.params[1], abs=theirs.bse[1])
        relative.append(ours.u / ours.value / theirs.bse[1])
    # learnt from 20 blocks, an uncertainty has itself 1/sqrt(2 * 18) = 17 %, its mean over 20 series 4 %; logarithms
    # of blocks lose some per cent of information more
    assert np.mean(relative) == pytest.approx(1.0, abs=0.12)
