"""Source resistance: how voltage answers current from sample to sample, slow changes removed.

Model: ``V(t) = level(t) - R I(t) - P lag(I, tau) - f(charge) + noise``. ``level`` wanders slowly (a random walk:
warming and whatever else is slow), ``lag`` is the first-order lag of the current (polarisation), ``f`` the fall of the
open-circuit voltage with the charge drawn (a cubic). Taking changes from row to row removes the level; neighbouring
changes share the noise of the row between them, so they are whitened first (their covariance is tridiagonal:
noise of two rows plus wander over the interval). With much wander this is plain regression on changes, with none it
is regression on the readings; the likelihood decides. Rows far off the fit (dips, voltage and current not read at
the same moment) get less weight (P. J. Huber 1964). Own composition of standard methods: generalised least squares,
restricted maximum likelihood, sandwich covariance over blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky_banded, solve_banded
from scipy.optimize import minimize_scalar

from benchlab.power.record import Array, Mask, Record
from benchlab.results import Estimate
from benchlab.stats.uncertainty import combine, estimate, from_resolution

_ROWS_FOR_SEARCH = 20_000
_BLOCKS = 60
_HUBER = 2.5
"""Residuals beyond this many standard deviations get less weight: 1 % of normal ones, little is lost on good data."""
_FASTEST_INTERVALS, _SLOWEST_SHARE, _SLOWEST_S = 5.0, 0.1, 300.0
"""Polarisation is looked for between five sampling intervals (faster is prompt) and a tenth of the log or 300 s."""
_CHARGE_POWERS = 3
_LAG = 1 + _CHARGE_POWERS
"""Column of the lag."""
_LONG = 5.0
"""Intervals longer than so many short ones say nothing about the prompt answer and are left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFit:
    """The fitted source; arrays have one entry per row of the record."""

    resistance: Estimate
    polarisation_ohm: float
    """Resistance of the slow answer, 0 where none was found."""
    polarisation_s: float | None
    noise_v: float
    slow_v: Array
    """Voltage without the prompt answer: level and polarisation."""
    open_circuit_v: Array
    """Voltage without the prompt and the slow answer."""
    residual_v: Array
    used: int

    @property
    def sure_sign(self) -> bool:
        """Whether the sign of the resistance is beyond doubt: five standard uncertainties, whatever the noise."""
        r = self.resistance
        return r.value is not None and r.u is not None and abs(r.value) > 5 * r.u


@dataclass(frozen=True, slots=True, kw_only=True)
class _Changes:
    """Rows and the links (intervals) between them over which changes are taken."""

    v: Array
    i: Array
    dt: Array
    """(n - 1,) interval to the next row, 0 where nothing was recorded between."""
    linked: Mask
    """(n - 1,) whether the change to the next row is used."""


def fit_source(record: Record) -> SourceFit | str:
    """Fit the source model; a string says why that is not possible."""
    if record.voltage_v is None or record.voltage is None:
        return "the log has no voltage"
    seen = np.isfinite(record.voltage_v)
    rows = np.flatnonzero(seen)
    # an interval beside a row without voltage is lost as well
    dt = np.where(np.diff(rows) == 1, record.interval_s[rows[:-1]], 0.0)
    short = float(np.quantile(dt[dt > 0], 0.25)) if (dt > 0).any() else 0.0
    data = _Changes(v=record.voltage_v[rows], i=record.current_a[rows], dt=dt, linked=(dt > 0) & (dt <= _LONG * short))
    if why := _too_still(data, record):
        return why
    few = _head(data, _ROWS_FOR_SEARCH)
    tau, rho = _search(few)
    fit = _Fit(data, tau, rho)
    if fit.design_rank < fit.columns.shape[1]:
        return "the current does not change enough to tell the prompt answer from the slow one"
    return _as_result(record, rows, data, fit)


def reversed_fit(fit: SourceFit) -> SourceFit:
    """The fit of the same record with the sign of the current reversed: only the resistances change, in sign."""
    r = fit.resistance
    turned = replace(r, value=-(r.value or 0.0), lo=None if r.hi is None else -r.hi, hi=None if r.lo is None else -r.lo)
    return replace(fit, resistance=turned, polarisation_ohm=-fit.polarisation_ohm)


def _too_still(data: _Changes, record: Record) -> str | None:
    if data.linked.sum() < 10:
        return "fewer than ten pairs of successive rows have voltage and current"
    change = np.abs(np.diff(data.i))[data.linked]
    if change.max() <= 6 * max(record.current.noise, from_resolution(record.current.step)):
        return "the current never changes by more than its noise: nothing for the voltage to answer"
    if np.ptp(data.v) == 0:
        return "the voltage reads the same throughout"
    return None


def _head(data: _Changes, n: int) -> _Changes:
    """The stretch of ``n`` rows in which the current changes most."""
    if len(data.v) <= n:
        return data
    moved = np.cumsum(np.concatenate([[0.0], np.diff(data.i) ** 2]))
    start = int(np.argmax(moved[n:] - moved[:-n]))
    s = slice(start, start + n)
    link = slice(start, start + n - 1)
    return _Changes(v=data.v[s], i=data.i[s], dt=data.dt[link], linked=data.linked[link])


def lag_of(i: Array, dt: Array, tau: float) -> Array:
    """First-order lag of the current, time constant ``tau`` s, starting at rest; straight lines between rows.

    Exact solution of ``tau dx/dt = i - x`` for a current that is piecewise linear; unlinked rows hold the value.
    """
    h = dt / tau
    a = np.exp(-h)
    ramp = np.where(h > 1e-6, -np.expm1(-h) / np.where(h > 0, h, 1.0), 1 - h / 2)
    source = np.concatenate([[0.0], (ramp - a) * i[:-1] + (1 - ramp) * i[1:]])
    band = np.ones((2, len(i)))
    band[1, :-1] = -a
    return np.asarray(solve_banded((1, 0), band, source, check_finite=False))


class _Fit:
    """Weighted generalised least squares on the whitened changes, for one lag and one wander ratio."""

    def __init__(self, data: _Changes, tau: float | None, rho: float, iterations: int = 8) -> None:
        self.data, self.tau, self.rho = data, tau, rho
        self.columns = _design(data, tau)
        self.weights = np.ones(len(data.v))
        self._solve()
        for _ in range(iterations if iterations else 0):
            scale = 1.4826 * float(np.median(np.abs(self.noise))) or 1.0
            weights = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(self.noise), 1e-300))
            done = np.abs(weights - self.weights).max() < 0.01
            self.weights = weights
            self._solve()
            if done:
                break

    def _solve(self) -> None:
        d, linked = self.data, self.data.linked
        band = tridiagonal(self.weights, d.dt, linked, self.rho)
        self.factor = np.asarray(cholesky_banded(band, lower=True, check_finite=False))
        changes = np.diff(np.column_stack([d.v, self.columns]), axis=0) * linked[:, None]
        white = solve_banded((1, 0), self.factor, changes, check_finite=False)
        self.y, self.x = white[:, 0], white[:, 1:]
        self.scale_x = np.sqrt((self.x**2).sum(0)) + 1e-300
        self.beta, _, self.design_rank, _ = np.linalg.lstsq(self.x / self.scale_x, self.y, rcond=1e-9)
        self.beta = self.beta / self.scale_x
        self.r = (self.y - self.x @ self.beta) * linked
        self.noise = self._row_noise()

    def _row_noise(self) -> Array:
        """Best prediction of each row's own noise: W^-1 D' T^-1 (changes of the residual)."""
        n = len(self.r)
        upper = np.zeros((2, n))
        upper[1], upper[0, 1:] = self.factor[0], self.factor[1, :-1]
        back = solve_banded((0, 1), upper, self.r, check_finite=False) * self.data.linked
        return np.asarray((np.concatenate([[0.0], back]) - np.concatenate([back, [0.0]])) / self.weights)

    def deviance(self) -> float:
        """Minus twice the restricted log likelihood, scale profiled out."""
        n, p = int(self.data.linked.sum()), self.x.shape[1]
        log_det = 2 * float(np.log(self.factor[0][self.data.linked]).sum())
        _, log_a = np.linalg.slogdet(self.x.T @ self.x + 1e-12 * np.diag(self.scale_x**2))
        return float((n - p) * math.log(max(float(self.r @ self.r), 1e-300)) + log_det + float(log_a))


def tridiagonal(weights: Array, dt: Array, linked: Mask, rho: float) -> Array:
    """Covariance of the changes in units of the noise variance, as lower bands (2, n - 1)."""
    variance = 1 / weights
    band = np.zeros((2, len(dt)))
    band[0] = np.where(linked, variance[1:] + variance[:-1] + rho * dt, 1.0)
    band[1, :-1] = np.where(linked[1:] & linked[:-1], -variance[1:-1], 0.0)
    return band


def _design(data: _Changes, tau: float | None) -> Array:
    """Columns: minus current, minus powers of the charge, and with a lag: minus the lag, and its change with tau."""
    charge = np.concatenate([[0.0], np.cumsum((data.i[1:] + data.i[:-1]) / 2 * data.dt)])
    scaled = (charge - charge.min()) / (np.ptp(charge) or 1.0)
    columns = [-data.i, *(-(scaled**power) for power in range(1, _CHARGE_POWERS + 1))]
    if tau is not None:
        columns.append(-lag_of(data.i, data.dt, tau))
        columns.append(-(lag_of(data.i, data.dt, 1.05 * tau) - lag_of(data.i, data.dt, tau / 1.05)))
    return np.column_stack(columns)


def _search(data: _Changes) -> tuple[float | None, float]:
    """Choose lag time constant (or none) and wander ratio by restricted likelihood."""
    step, span = float(np.median(data.dt[data.linked])), float(data.dt.sum())
    slowest = max(min(_SLOWEST_SHARE * span, _SLOWEST_S), 6 * step)
    rhos = 10.0 ** np.arange(-8.0, 3.0) / step
    rho = _best_rho(data, None, rhos)
    taus = np.geomspace(_FASTEST_INTERVALS * step, slowest, 10)
    for _ in range(2):
        scores = [_Fit(data, tau, rho, 0).deviance() for tau in taus]
        k = int(np.argmin(scores))
        lo, hi = math.log(taus[max(k - 1, 0)]), math.log(taus[min(k + 1, len(taus) - 1)])
        found = minimize_scalar(
            lambda x, r=rho: _Fit(data, math.exp(x), r, 0).deviance(), bounds=(lo, hi), method="bounded",
            options={"xatol": 0.02},
        )  # fmt: skip
        tau = math.exp(found.x)
        rho = _best_rho(data, tau, rhos)
        taus = np.geomspace(max(tau / 3, _FASTEST_INTERVALS * step), min(tau * 3, slowest), 5)
    lagged = _Fit(data, tau, rho, 0)
    rho_plain = _best_rho(data, None, rhos)
    plain = _Fit(data, None, rho_plain, 0).deviance()
    # Bayesian information criterion for two more parameters; a voltage that rises with past current is no polarisation
    if lagged.beta[_LAG] * lagged.beta[0] > 0 and lagged.deviance() + 2 * math.log(int(data.linked.sum())) < plain:
        return tau, rho
    return None, rho_plain


def _best_rho(data: _Changes, tau: float | None, rhos: Array) -> float:
    scores = [_Fit(data, tau, float(r), 0).deviance() for r in rhos]
    k = int(np.argmin(scores))
    found = minimize_scalar(
        lambda x: _Fit(data, tau, 10.0**x, 0).deviance(),
        bounds=(math.log10(rhos[max(k - 1, 0)]), math.log10(rhos[min(k + 1, len(rhos) - 1)])), method="bounded",
        options={"xatol": 0.1},
    )  # fmt: skip
    return float(10.0 ** float(found.x))


def _as_result(record: Record, rows: NDArray[np.intp], data: _Changes, fit: _Fit) -> SourceFit:
    r0, u, dof = _resistance(fit)
    low, high = _attenuation(record, fit)
    r0 *= 1 + (low + high) / 2
    u = combine(u, abs(r0) * (high - low) / 2 / math.sqrt(3))
    prompt = r0 * data.i
    slow_part = fit.columns[:, _LAG] * fit.beta[_LAG] if fit.tau is not None else np.zeros(len(data.v))
    n = len(record.time_s)

    def spread(x: Array) -> Array:
        out = np.full(n, np.nan)
        out[rows] = x
        return out

    return SourceFit(
        resistance=estimate(r0, u, "ohm", dof),
        polarisation_ohm=float(fit.beta[_LAG]) if fit.tau is not None else 0.0, polarisation_s=fit.tau,
        noise_v=float(np.std(fit.noise)), slow_v=spread(data.v + prompt - fit.noise),
        open_circuit_v=spread(data.v + prompt - slow_part), residual_v=spread(fit.noise), used=int(data.linked.sum()),
    )  # fmt: skip


def _resistance(fit: _Fit) -> tuple[float, float, float]:
    """Prompt resistance, its standard uncertainty and degrees of freedom from a sandwich over blocks of rows.

    Blocks of successive rows are taken as independent of each other, whatever the noise does inside one (ripple,
    quantisation, load-dependent scatter). Degrees of freedom: Satterthwaite on the blocks' share in the estimate.
    """
    x, n, p = fit.x, len(fit.r), fit.x.shape[1]
    q, r = np.linalg.qr(x / fit.scale_x)
    pull = (q @ np.linalg.inv(r).T)[:, 0] / fit.scale_x[0]  # beta[0] = pull @ y
    blocks = min(_BLOCKS, max(n // 5, 2))
    block = np.arange(n) * blocks // n
    share = np.bincount(block, pull**2, blocks)
    sums = np.bincount(block, pull * fit.r, blocks)
    dof = float(share.sum() ** 2 / (share @ share))
    robust = float(sums @ sums) * dof / max(dof - 1, 0.5)
    model = float(pull @ pull) * float(fit.r @ fit.r) / max(int(fit.data.linked.sum()) - p, 1)
    u = math.sqrt(max(robust, model))
    return float(fit.beta[0]), u, max(dof - 1, 1.0)


def _attenuation(record: Record, fit: _Fit) -> tuple[float, float]:
    """Share by which noise in the current makes the resistance read low: least and most.

    Least: rounding alone is noise. Most: all of the scatter of the current at rest is noise, none of it real.
    """
    step = float(np.median(fit.data.dt[fit.data.linked])) * fit.rho
    kept = 1 - math.sqrt(step / (step + 4))  # share of white noise that whitening lets through
    r = np.linalg.qr(fit.x / fit.scale_x, mode="r")
    information = (fit.scale_x[0] / float(np.linalg.norm(np.linalg.inv(r)[0]))) ** 2
    rows = float(fit.data.linked.sum()) * kept
    least = from_resolution(record.current.step) ** 2
    most = max(record.current.noise**2, least)
    return least * rows / information, most * rows / information
