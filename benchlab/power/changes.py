"""Weighted generalised least squares on changes from row to row, and the search for its two shape parameters."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import next_fast_len, rfft
from scipy.linalg import solve_toeplitz
from scipy.linalg.lapack import dgeqrf, dpttrf, dtbtrs
from scipy.special import ndtr

from benchlab.power.record import Array, Mask

LONG = 5.0
"""Intervals longer than so many short ones say nothing about the prompt answer and are left out."""
_HUBER = 2.5
"""Residuals beyond this many standard deviations get less weight: 1 % of normal ones, little is lost on good data."""
_FASTEST_INTERVALS, _SLOWEST_SHARE, _SLOWEST_S, _LONGEST_SHARE = 5.0, 0.1, 300.0, 0.3
"""Polarisation is looked for between five sampling intervals (faster is prompt) and a tenth of the log or 300 s."""
_CHARGE_POWERS = 3
_LAG_STEPS, _LAG_DONE = 8, 0.02
LAG = 1 + _CHARGE_POWERS
"""Column of the lag; the next one is its change from tau / STRETCH to tau x STRETCH."""
STRETCH = 1.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """Rows and the links (intervals) between them over which changes are taken."""

    v: Array
    i: Array
    dt: Array
    """(n - 1,) interval to the next row, 0 where nothing was recorded between."""
    linked: Mask
    """(n - 1,) whether the change to the next row is used."""


def head(data: Changes, n: int) -> Changes:
    """The stretch of ``n`` rows in which the current changes most."""
    if len(data.v) <= n:
        return data
    moved = np.cumsum(np.concatenate([[0.0], np.diff(data.i) ** 2]))
    start = int(np.argmax(moved[n:] - moved[:-n]))
    s = slice(start, start + n)
    link = slice(start, start + n - 1)
    return Changes(v=data.v[s], i=data.i[s], dt=data.dt[link], linked=data.linked[link])


def lag_of(i: Array, dt: Array, tau: float) -> Array:
    """First-order lag of the current, time constant ``tau`` s, starting at rest; straight lines between rows.

    Exact solution of ``tau dx/dt = i - x`` for a current that is piecewise linear; unlinked rows hold the value.
    """
    h = dt / tau
    fall = -np.expm1(-h)
    ramp = np.where(h > 1e-6, fall / np.where(h > 0, h, 1.0), 1 - h / 2)
    source = np.concatenate([[0.0], (ramp - (1 - fall)) * i[:-1] + (1 - ramp) * i[1:]])
    band = np.ones((2, len(i)), order="F")
    band[1, :-1] = fall - 1
    return np.asarray(dtbtrs(band, source, uplo="L", diag="U")[0])


class Whitening:
    """Makes the noise of changes independent, each with the variance of one reading.

    Their covariance, in units of the noise variance, is tridiagonal (noise of two rows plus wander over the interval)
    and taken apart as L D L' with ones on the diagonal of L.
    """

    def __init__(self, weights: Array, data: Changes, rho: float) -> None:
        linked, variance = data.linked, 1 / weights
        diagonal = np.where(linked, variance[1:] + variance[:-1] + rho * data.dt, 1.0)
        beside = np.where(linked[1:] & linked[:-1], -variance[1:-1], 0.0)
        d, lower, wrong = dpttrf(diagonal, beside)
        if wrong:
            msg = "the covariance of the changes is not positive definite"
            raise np.linalg.LinAlgError(msg)
        self.root = np.sqrt(d)
        self.band = np.ones((2, len(d)), order="F")
        self.band[1, :-1] = lower

    def white(self, columns: Array) -> Array:
        """Whitened columns (n - 1, m); quickest where they lie one after the other (Fortran order)."""
        return np.asarray(dtbtrs(self.band, columns, uplo="L", diag="U")[0] / self.root[:, None])

    def back(self, white: Array) -> Array:
        """The transposed operation on one whitened column (n - 1,)."""
        return np.asarray(dtbtrs(self.band, white / self.root, uplo="L", trans="T", diag="U")[0])

    def log_det(self) -> float:
        """Logarithm of the covariance's determinant."""
        return 2 * float(np.log(self.root).sum())


def changes_of(data: Changes, columns: Array) -> Array:
    """Changes of the columns (n, p) and, last, of the voltage from row to row; 0 where rows are not linked."""
    return np.asarray((np.diff(np.vstack([columns.T, data.v])) * data.linked).T)


class Fit:
    """Weighted generalised least squares on the whitened changes, for one lag and one wander ratio."""

    def __init__(
        self, data: Changes, tau: float | None, rho: float, iterations: int = 8, columns: Array | None = None
    ) -> None:
        self.data, self.tau, self.rho = data, tau, rho
        self.columns = _design(data, tau) if columns is None else columns
        self.weights = np.ones(len(data.v))
        changes = changes_of(data, self.columns)
        self._solve(changes)
        for _ in range(iterations):
            scale = 1.4826 * float(np.median(np.abs(self.noise))) or 1.0
            weights = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(self.noise), 1e-300))
            done = np.abs(weights - self.weights).max() < 0.01
            self.weights = weights
            self._solve(changes)
            if done:
                break

    def _solve(self, changes: Array) -> None:
        linked, whitening = self.data.linked, Whitening(self.weights, self.data, self.rho)
        white = whitening.white(changes)
        self.x, self.y = white[:, :-1], white[:, -1]
        self.scale_x = np.sqrt((self.x**2).sum(0)) + 1e-300
        self.beta, _, self.design_rank, _ = np.linalg.lstsq(self.x / self.scale_x, self.y, rcond=1e-9)
        self.beta = self.beta / self.scale_x
        self.r = (self.y - self.x @ self.beta) * linked
        # best prediction of each row's own noise: W^-1 D' T^-1 (changes of the residual)
        back = whitening.back(self.r) * linked
        self.noise = (np.concatenate([[0.0], back]) - np.concatenate([back, [0.0]])) / self.weights


def deviance(data: Changes, changes: Array, rho: float) -> float:
    """Minus twice the restricted log likelihood of all rows at equal weight, scale profiled out."""
    whitening = Whitening(np.ones(len(data.v)), data, rho)
    # the triangular factor of columns and voltage together holds all that is asked: no solution is needed
    r = np.triu(dgeqrf(whitening.white(changes), overwrite_a=True)[0][: changes.shape[1]])
    n, p = int(data.linked.sum()), len(r) - 1
    x = r[:p, :p]
    _, log_a = np.linalg.slogdet(x.T @ x + 1e-12 * np.diag((x**2).sum(0)))
    return float((n - p) * math.log(max(float(r[p, p] ** 2), 1e-300)) + whitening.log_det() + float(log_a))


@dataclass(frozen=True, slots=True, kw_only=True)
class Filtered:
    """The whitened system of a fit after the correlation that was left in its residuals is filtered out."""

    x: Array
    r: Array
    beta: Array


_ORDERS = (1, 2, 4, 8, 16, 32)
_ROWS_PER_ORDER = 40
_LINES, _SLOWEST_LINE, _FINER = 3, 0.04, 17
_LINE_SURPRISE = 9.0
"""A line of the spectrum stands out if noise would show one like it in e^-9 = one log in 8000."""


def filtered(fit: Fit) -> Filtered:
    """Take ripple and whatever else makes residuals alike out of the whitened system, and solve it again.

    Ripple of a steady frequency is a line in the spectrum of the residuals: up to three become columns of cosine and
    sine. What is left is filtered by an autoregression (Yule-Walker, order by BIC, 0 to 32) on both sides of the
    equations: D. Cochrane, G. H. Orcutt 1949.
    """
    x, r = fit.x, fit.r
    for _ in range(_LINES):
        line = _spectral_line(r)
        if line is None:
            break
        angle = 2 * math.pi * line * np.arange(len(r))
        x = np.column_stack([x, np.cos(angle) * fit.data.linked, np.sin(angle) * fit.data.linked])
        r = fit.y - x @ _solve(x, fit.y)
    taps = np.concatenate([[1.0], -_autoregression(r, int(fit.data.linked.sum()))])
    y, *x_columns = (np.convolve(taps, column)[: len(r)] for column in (fit.y, *x.T))
    x = np.column_stack(x_columns)
    beta = _solve(x, y)
    return Filtered(x=x, r=y - x @ beta, beta=beta)


def _solve(x: Array, y: Array) -> Array:
    scale = np.sqrt((x**2).sum(0)) + 1e-300
    return np.asarray(np.linalg.lstsq(x / scale, y, rcond=1e-9)[0] / scale)


def _spectral_line(r: Array) -> float | None:
    """Frequency, per row, of a line that stands out of the spectrum of ``r``; None if none does."""
    n = len(r)
    if n < 10 * _ROWS_PER_ORDER:
        return None
    size = next_fast_len(2 * n, real=True)
    power = np.abs(rfft(r, size)) ** 2
    power[: int(_SLOWEST_LINE * size)] = 0  # slower than that is no ripple
    power[-2:] = 0  # at half the sampling frequency cosine and sine are the same
    k = int(np.argmax(power))
    # the power of noise is distributed exponentially: its mean is its median / ln 2
    if power[k] * math.log(2) <= (math.log(n) + _LINE_SURPRISE) * np.median(power[max(k - 200, 0) : k + 200]):
        return None
    near = (k + np.linspace(-1, 1, _FINER)) / size
    turns = -2j * math.pi * np.arange(n)
    return float(near[int(np.argmax([abs(np.exp(turns * f) @ r) for f in near]))])


def _autoregression(r: Array, n: int) -> Array:
    """Coefficients by which ``r`` (of ``n`` rows in use) is predicted from the rows before."""
    lags = np.array([float(r[k:] @ r[: len(r) - k]) for k in range(max(_ORDERS) + 1)])
    best, score = np.zeros(0), n * math.log(max(lags[0], 1e-300))
    for order in _ORDERS:
        if lags[0] <= 0 or n < _ROWS_PER_ORDER * order:
            break
        a = solve_toeplitz(lags[:order], lags[1 : order + 1])
        left = lags[0] - float(a @ lags[1 : order + 1])
        if left > 0 and (s := n * math.log(left) + order * math.log(n)) < score:
            best, score = a, s
    return best


def _design(data: Changes, tau: float | None) -> Array:
    """Columns: minus current, minus powers of the charge, and with a lag: minus the lag, and its change with tau."""
    charge = np.concatenate([[0.0], np.cumsum((data.i[1:] + data.i[:-1]) / 2 * data.dt)])
    scaled = (charge - charge.min()) / (np.ptp(charge) or 1.0)
    columns = [-data.i, *(-(scaled**power) for power in range(1, _CHARGE_POWERS + 1))]
    if tau is not None:
        columns.append(-lag_of(data.i, data.dt, tau))
        columns.append(-(lag_of(data.i, data.dt, STRETCH * tau) - lag_of(data.i, data.dt, tau / STRETCH)))
    return np.array(columns).T


def search(data: Changes) -> tuple[float | None, float]:
    """Choose lag time constant (or none) and wander ratio by restricted likelihood."""
    from scipy.optimize import minimize_scalar  # slow to load, and most logs have no circuit

    step, span = float(np.median(data.dt[data.linked])), float(data.dt.sum())
    slowest = max(min(_SLOWEST_SHARE * span, _SLOWEST_S), 6 * step)
    rhos = 10.0 ** np.arange(-8.0, 3.0) / step
    rho_plain, plain = _best_rho(data, None, rhos)
    rho, lagged = rho_plain, plain
    taus = np.geomspace(_FASTEST_INTERVALS * step, slowest, 10)
    for _ in range(2):
        scores = [deviance(data, changes_of(data, _design(data, tau)), rho) for tau in taus]
        k = int(np.argmin(scores))
        lo, hi = math.log(taus[max(k - 1, 0)]), math.log(taus[min(k + 1, len(taus) - 1)])
        found = minimize_scalar(
            lambda x, r=rho: deviance(data, changes_of(data, _design(data, math.exp(x))), r), bounds=(lo, hi),
            method="bounded", options={"xatol": 0.02},
        )  # fmt: skip
        tau = math.exp(found.x)
        rho, lagged = _best_rho(data, tau, rhos)
        taus = np.geomspace(max(tau / 3, _FASTEST_INTERVALS * step), min(tau * 3, slowest), 5)
    # Bayesian information criterion for two more parameters; a voltage that rises with past current is no polarisation
    if lagged + 2 * math.log(int(data.linked.sum())) < plain:
        beta = Fit(data, tau, rho, 0).beta
        if beta[LAG] * beta[0] > 0:
            return tau, rho
    return None, rho_plain


def nearest_lag(fit: Fit) -> Fit:
    """Move the lag's time constant to where the column of its change is not needed (Gauss-Newton); the wander is kept.

    The search cannot: with that column every time constant near the true one fits alike.
    """
    if fit.tau is None:
        return fit
    least = _FASTEST_INTERVALS * float(np.median(fit.data.dt[fit.data.linked]))
    most = slowest_lag(fit.data)
    for _ in range(_LAG_STEPS):
        shift = 2 * math.log(STRETCH) * fit.beta[LAG + 1] / fit.beta[LAG] if fit.beta[LAG] else 0.0
        tau = min(max(fit.tau * math.exp(min(max(shift, -0.3), 0.3)), least), most)
        if abs(math.log(tau / fit.tau)) < _LAG_DONE:
            break
        fit = Fit(fit.data, tau, fit.rho)
    return fit


def slowest_lag(data: Changes) -> float:
    """Time constant beyond which a slow answer cannot be told from the fall of the open-circuit voltage."""
    return _LONGEST_SHARE * float(data.dt.sum())


def _best_rho(data: Changes, tau: float | None, rhos: Array) -> tuple[float, float]:
    """The wander ratio of the least deviance, and that deviance."""
    from scipy.optimize import minimize_scalar

    changes = changes_of(data, _design(data, tau))
    scores = [deviance(data, changes, float(r)) for r in rhos]
    k = int(np.argmin(scores))
    found = minimize_scalar(
        lambda x: deviance(data, changes, 10.0**x),
        bounds=(math.log10(rhos[max(k - 1, 0)]), math.log10(rhos[min(k + 1, len(rhos) - 1)])), method="bounded",
        options={"xatol": 0.1},
    )  # fmt: skip
    return float(10.0 ** float(found.x)), float(found.fun)


def unrounded(data: Changes, fit: Fit, step: float, noise: float, iterations: int = 30) -> Array:
    """Expected voltages before rounding, given the readings and the model, shape (n,).

    Expectation maximisation for grouped data: every reading says only that the voltage lay within half a step; where
    the model puts it there anyway it keeps the model's value, elsewhere it moves to the near end (mean of a normal
    distribution cut to the step). A. P. Dempster, N. M. Laird, D. B. Rubin 1977 (from memory).
    """
    s = max(noise, 0.1 * step)
    read, v = data.v, fit.data.v
    for _ in range(iterations):
        expected = v - fit.noise
        low, high = (read - step / 2 - expected) / s, (read + step / 2 - expected) / s
        share = ndtr(high) - ndtr(low)
        density = (np.exp(-(low**2) / 2) - np.exp(-(high**2) / 2)) / math.sqrt(2 * math.pi)
        moved = np.where(share > 1e-10, density / np.maximum(share, 1e-10), np.clip(0.0, low, high))
        v = np.clip(expected + s * moved, read - step / 2, read + step / 2)
        fit = Fit(replace(data, v=v), fit.tau, fit.rho, 0, fit.columns)
    return v
