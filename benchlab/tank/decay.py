"""Leak and settling of a sealed tank: the posterior of the decay rate given the corrected pressure.

Model (DESIGN section 7): ``p_c(t) = p1 exp(-r t) + settling`` with ``r = 1 / tau_leak``, so that a tight tank (r near
0, slightly negative in noise) is an ordinary point. Settling is the sum of a quick part (gas cooling after filling)
and a slow one (wall creep). Given the three rates the rest is linear and Gaussian and is integrated exactly; the rates
and the size and memory of the noise are averaged over a grid, weighted by how well they explain the log (Bayes). A
settling that the log cannot tell from a leak thus widens the interval instead of passing for one or the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solve_triangular

Array = NDArray[np.float64]

QUICK_S = (15.0, 600.0)
"""Range of the time constant of gas cooling (litre-sized tanks; common practice, no source)."""
SLOW_S = (600.0, 7200.0)
"""Range of the time constant of wall creep (common practice, no source)."""
_HYPER_POINTS = 15
_SHORT = 0.2
"""A wall has no single time constant: a part of its creep may be this much quicker than the rest."""
_LAMINAR_LAW = 0.25
"""Up to this p1 / (2 p_atm) the leak is taken as laminar; beyond, the law is not known: an exponential is fitted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What is known beforehand of the settling: mean and standard deviation of its parts, as shares of p1."""

    quick_share: float
    quick_share_u: float
    slow_share: float
    slow_share_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """What the log says of the decay; rates per second, pressures in kPa."""

    rate: float
    rate_u: float
    rate_lo: float
    rate_hi: float
    """95 % interval; negative rates are noise about a tight tank."""
    p1: float
    p1_u: float
    slope: float
    """p1 x rate (kPa/s): what the leak takes at the start."""
    slope_u: float
    settling: float
    settling_u: float
    """What settling takes in the end (kPa)."""
    parts: Mapping[str, float]
    """Contribution of each known source, of the scatter and of the settling to ``rate_u`` (1/s)."""
    fit: Array
    fit_u: Array
    """Fitted pressure at the given times, and its standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    white: float
    slow: float
    memory_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Data:
    time: Array
    value: Array
    white: Array
    known: Array
    level: float
    settling: Settling
    quick: Array
    slow: Array
    lag: Array
    """(m, Q): what a gas that follows the thermometer with each quick time constant does to the corrected pressure."""
    law: float
    """p1 / (2 p_atm): how far a laminar leak is from being proportional to the gauge pressure; 0 for an exponential."""

    def leak(self, rates: Array) -> Array:
        """Leak component per unit of p1, shape (m, R), for the rates at the start."""
        decay = np.exp(-rates * self.time[:, None] / (1 + self.law))
        return np.asarray(decay / np.maximum(1 + self.law * (1 - decay), 0.1))

    def settling_columns(self, j: int, k: int) -> Array:
        """Columns of the settling for the j-th quick and the k-th slow time constant, in the order of the priors."""
        t, slow = self.time, self.slow[k]
        return np.column_stack([
            np.exp(-t / self.quick[j]), np.exp(-t / slow), np.exp(-t / (slow * _SHORT)), self.lag[:, j],
        ])  # fmt: skip

    def covariance(self, noise: _Noise) -> Array:
        c = self.known + np.diag((noise.white * self.white) ** 2)
        if noise.slow > 0:
            c = c + noise.slow**2 * np.exp(-np.abs(self.time[:, None] - self.time) / noise.memory_s)
        return np.asarray(c)

    @property
    def amplitudes(self) -> tuple[Array, Array]:
        """Prior mean and standard deviation of the quick, the slow and the short part (kPa) and of the lag (1)."""
        s = self.settling
        scale = abs(self.level)
        mean = np.array([s.quick_share * scale, s.slow_share * scale, 0.0, 0.5])
        sd = np.array([s.quick_share_u * scale, s.slow_share_u * scale, 0.5 * s.slow_share_u * scale, 0.5])
        return mean, np.maximum(sd, 1e-9)


def fit_decay(
    time_s: Array,
    value_kpa: Array,
    white_kpa: Array,
    known: Mapping[str, Array],
    settling: Settling,
    *,
    atmosphere_kpa: float = np.inf,
    lag: Array | None = None,
) -> DecayFit:
    """Fit leak and settling.

    Parameters
    ----------
    time_s, value_kpa
        Times from sealing and corrected gauge pressure, shape (m,), m >= 2; readings or means of blocks of readings.
    white_kpa
        Standard uncertainty of each value from its own scatter or resolution.
    known
        Covariance matrices (m, m) in kPa2 of what is known to disturb all values together, by name.
    settling
        What is known of the settling beforehand.
    atmosphere_kpa
        Pressure outside: a laminar leak is proportional to ``p_abs**2 - p_atm**2``; without it the leak is taken as
        proportional to the gauge pressure. ``rate`` is that at the start in both cases.
    lag
        Shape (m, len(quick_times())): pressure (kPa) by which the correction is off if the gas follows the thermometer
        with each quick time constant; None where there is no thermometer.

    Raises
    ------
    ValueError
        With fewer than 2 values or no positive pressure to start from.
    """
    if len(time_s) < 2 or not value_kpa[0] > 0:
        msg = "a decay needs at least two values and a positive pressure to start from"
        raise ValueError(msg)
    law = float(value_kpa[0]) / (2 * atmosphere_kpa)
    data = _Data(
        time=np.asarray(time_s, float), value=np.asarray(value_kpa, float), white=np.asarray(white_kpa, float),
        known=sum(known.values(), np.zeros((len(time_s), len(time_s)))), level=float(value_kpa[0]), settling=settling,
        quick=quick_times(), slow=np.geomspace(*SLOW_S, 8), law=law if law < _LAMINAR_LAW else 0.0,
        lag=np.zeros((len(time_s), len(quick_times()))) if lag is None else lag,
    )  # fmt: skip
    noise = _Noise(white=1.0, slow=0.0, memory_s=1.0)
    rates = _locate(data, noise)
    for _ in range(2):  # the noise found moves the place a little, the place the noise
        best = _peak(data, noise, rates)
        noises = _noises(data, *best)
        noise = noises[len(noises) // 2]
        rates = _refine(data, noise, rates)
    return _average(data, noises, _widen(data, noises, rates), known)


def quick_times() -> Array:
    """Time constants (s) tried for the cooling of the gas."""
    return np.asarray(np.geomspace(*QUICK_S, 6))


def _posterior(data: _Data, noise: _Noise, rates: Array) -> tuple[Array, Array, Array]:
    """Return log weight (R, Q, S), conditional mean (R, Q, S, 5) and covariance (R, Q, S, 5, 5) of the linear part."""
    lower = np.linalg.cholesky(data.covariance(noise))
    value = solve_triangular(lower, data.value, lower=True)
    leak = solve_triangular(lower, data.leak(rates), lower=True)
    shape = (len(rates), len(data.quick), len(data.slow))
    weight, solution, covariance = np.empty(shape), np.empty((*shape, 5)), np.empty((*shape, 5, 5))
    for j in range(shape[1]):
        for k in range(shape[2]):
            settling = solve_triangular(lower, data.settling_columns(j, k), lower=True)
            weight[:, j, k], solution[:, j, k], covariance[:, j, k] = _given_settling(data, value, leak, settling)
    return weight - np.log(np.diag(lower)).sum(), solution, covariance


def _given_settling(data: _Data, value: Array, leak: Array, settling: Array) -> tuple[Array, Array, Array]:
    """Integrate the linear part for every rate (columns of ``leak``) and one pair of settling times; all whitened.

    The settling (with its prior as more rows) is projected out by QR and the leak fitted to what is left. Normal
    equations would lose the answer here: over a short hold the columns are nearly parallel, and the likelihood
    is the small difference of squares of a pressure that is 10 000 times its noise.
    """
    mean, sd = data.amplitudes
    q, triangle = np.linalg.qr(np.vstack([settling, np.diag(1 / sd)]))
    y = np.concatenate([value, mean / sd])
    x = np.vstack([leak, np.zeros((len(mean), leak.shape[1]))])
    y_left, x_left = y - q @ (q.T @ y), x - q @ (q.T @ x)
    square = np.einsum("ij,ij->j", x_left, x_left)
    p1 = (y_left @ x_left) / square
    rss = np.sum((y_left[:, None] - p1 * x_left) ** 2, axis=0)
    inverse = np.linalg.inv(triangle)
    along = inverse @ (q.T @ x)
    shares = (inverse @ (q.T @ y))[:, None] - p1 * along
    covariance = np.empty((leak.shape[1], 1 + len(mean), 1 + len(mean)))
    covariance[:, 0, 0] = 1 / square
    covariance[:, 1:, 0] = covariance[:, 0, 1:] = -(along / square).T
    covariance[:, 1:, 1:] = inverse @ inverse.T + np.einsum("ir,jr->rij", along, along / square)
    log_det = 2 * np.log(np.abs(np.diag(triangle))).sum() + np.log(square)
    return -0.5 * (rss + log_det) - np.log(sd).sum(), np.column_stack([p1, *shares]), covariance


def _marginal(data: _Data, noise: _Noise, rates: Array) -> tuple[float, float]:
    """Mean and standard deviation of the rate on a grid (which need not be even)."""
    weight, _, _ = _posterior(data, noise, rates)
    p = np.exp(weight - weight.max()).sum(axis=(1, 2)) * np.gradient(rates)
    p /= p.sum()
    mean = float(p @ rates)
    return mean, float(np.sqrt(p @ (rates - mean) ** 2))


def _locate(data: _Data, noise: _Noise) -> Array:
    """Find where the rate lies: from a grid that spans everything a hold can show to one that resolves the peak."""
    span = float(data.time[-1] - data.time[0])
    x = np.linspace(-3.0, 9.0, 73)
    return _refine(data, noise, np.sinh(x) / 50 / span, passes=6)


def _refine(data: _Data, noise: _Noise, rates: Array, passes: int = 3) -> Array:
    for _ in range(passes):
        weight, _, _ = _posterior(data, noise, rates)
        p = np.exp(weight - weight.max()).sum(axis=(1, 2))
        p /= p.sum()
        cell = np.gradient(rates)
        mean = float((p * cell) @ rates / (p @ cell))
        sd = float(np.sqrt((p * cell) @ (rates - mean) ** 2 / (p @ cell)))
        sd = max(sd, float(cell[np.argmin(abs(rates - mean))]) / 3)
        rates = mean + sd * np.linspace(-7, 7, 43)
    return rates


def _widen(data: _Data, noises: list[_Noise], rates: Array) -> Array:
    """One grid that holds the posterior of the rate under every noise considered."""
    ends = [_marginal(data, noise, rates) for noise in noises]
    lo = min(mean - 6 * sd for mean, sd in ends)
    hi = max(mean + 6 * sd for mean, sd in ends)
    return np.linspace(lo, hi, 81)


def _peak(data: _Data, noise: _Noise, rates: Array) -> tuple[float, float, float]:
    weight, _, _ = _posterior(data, noise, rates)
    i, j, k = np.unravel_index(int(np.argmax(weight)), weight.shape)
    return float(rates[i]), float(data.quick[j]), float(data.slow[k])


def _tangent(data: _Data, rate: float, quick: float, slow: float) -> tuple[Array, Array, Array]:
    """Columns, prior means and prior standard deviations of the model made linear about a point."""
    j, k = int(np.argmin(abs(data.quick - quick))), int(np.argmin(abs(data.slow - slow)))
    mean, sd = data.amplitudes
    span = max(float(data.time[-1]), 1.0)
    step = 1e-4 / span
    leak = data.leak(np.array([rate - step, rate, rate + step]))
    columns = np.column_stack([
        leak[:, 1], data.level * (leak[:, 2] - leak[:, 0]) / (2 * step), data.settling_columns(j, k),
        np.exp(-data.time / (quick * 1.7)) - np.exp(-data.time / quick),
        np.exp(-data.time / (slow * 1.7)) - np.exp(-data.time / slow),
    ])  # fmt: skip
    wide = np.array([10 * data.level, 10 / span])
    return columns, np.concatenate([[data.level, 0.0], mean, [0, 0]]), np.concatenate([wide, sd, sd[:2]])


def _noises(data: _Data, rate: float, quick: float, slow: float) -> list[_Noise]:
    """Noises that the residuals allow: equally likely points of the posterior of its size and memory."""
    columns, mean, sd = _tangent(data, rate, quick, slow)
    offset = data.value - columns @ mean
    model = (columns * sd) @ (columns * sd).T
    m = len(data.time)
    typical = float(np.median(data.white))
    few = m < 12
    whites = np.geomspace(0.7, 2.5, 7) if few else np.geomspace(0.6, 6.0, 12)
    slows = np.array([0.0]) if few else np.concatenate([[0.0], typical * np.geomspace(0.3, 30.0, 8)])
    span = float(data.time[-1] - data.time[0])
    memories = np.array([1.0]) if few else np.geomspace(span / m, span / 6, 4)
    grid, log = [], []
    for slow_sd in slows:
        for memory in memories[:1] if slow_sd == 0 else memories:
            for white in whites:
                noise = _Noise(white=float(white), slow=float(slow_sd), memory_s=float(memory))
                grid.append(noise)
                prior = -0.5 * (np.log(white) / (0.35 if few else 1.0)) ** 2
                prior += np.log(len(memories)) if slow_sd == 0 else -np.log1p((slow_sd / typical / 3) ** 2)
                log.append(_log_density(data.covariance(noise) + model, offset) + prior)
    p = np.exp(np.array(log) - max(log))
    cumulative = np.cumsum(p / p.sum())
    picks = np.searchsorted(cumulative, (np.arange(_HYPER_POINTS) + 0.5) / _HYPER_POINTS)
    return [grid[min(int(i), len(grid) - 1)] for i in picks]


def _log_density(covariance: Array, offset: Array) -> float:
    try:
        factor = cho_factor(covariance, lower=True, check_finite=False)
    except LinAlgError:
        return -np.inf
    return float(-0.5 * offset @ cho_solve(factor, offset, check_finite=False) - np.log(np.diag(factor[0])).sum())


def _average(data: _Data, noises: list[_Noise], rates: Array, known: Mapping[str, Array]) -> DecayFit:
    """Average everything over rates, settling times and noises."""
    total, leak, slopes = np.zeros(len(rates)), [], []
    fit, fit2 = np.zeros(len(data.time)), np.zeros(len(data.time))
    kinds, counts = np.unique(np.array([(n.white, n.slow, n.memory_s) for n in noises]), axis=0, return_counts=True)
    for (white, slow, memory), count in zip(kinds, counts, strict=True):
        noise = _Noise(white=float(white), slow=float(slow), memory_s=float(memory))
        weight, solution, covariance = _posterior(data, noise, rates)
        p = np.exp(weight - weight.max())
        p *= count / len(noises) / p.sum()
        total += p.sum(axis=(1, 2))
        p1, p1_var = solution[..., 0], covariance[..., 0, 0]
        settle = solution[..., 1:4].sum(axis=-1)
        settle_var = covariance[..., 1:4, 1:4].sum(axis=(-2, -1))
        r = rates[:, None, None]
        leak.append([np.sum(p * p1), np.sum(p * (p1**2 + p1_var)), np.sum(p * settle),
                     np.sum(p * (settle**2 + settle_var))])  # fmt: skip
        slopes.append([np.sum(p * r * p1), np.sum(p * r**2 * (p1**2 + p1_var))])
        a, b = _curve(data, rates, p, solution, covariance)
        fit, fit2 = fit + a, fit2 + b
    mean = float(total @ rates)
    u = float(np.sqrt(total @ (rates - mean) ** 2))
    lo, hi = np.interp([0.025, 0.975], np.cumsum(total) - 0.5 * total, rates)
    p1, p1_2, settle, settle_2 = np.sum(leak, axis=0)
    slope, slope_2 = np.sum(slopes, axis=0)
    slope_u = float(np.sqrt(max(slope_2 - slope**2, 0)))
    return DecayFit(
        rate=mean, rate_u=u, rate_lo=float(lo), rate_hi=float(hi),
        p1=float(p1), p1_u=float(np.sqrt(max(p1_2 - p1**2, 0))),
        slope=float(slope), slope_u=slope_u,
        settling=float(settle), settling_u=float(np.sqrt(max(settle_2 - settle**2, 0))),
        parts=_parts(data, noises[len(noises) // 2], rates, u, known), fit=fit, fit_u=np.sqrt(np.maximum(fit2, 0)),
    )  # fmt: skip


def _curve(data: _Data, rates: Array, p: Array, solution: Array, covariance: Array) -> tuple[Array, Array]:
    """Weighted fitted curve and variance (the variance of the linear part at the heaviest point)."""
    leak = data.leak(rates)
    fit = leak @ np.sum(p * solution[..., 0], axis=(1, 2))
    for a in range(len(data.quick)):
        for b in range(len(data.slow)):
            fit = fit + data.settling_columns(a, b) @ (p[:, a, b] @ solution[:, a, b, 1:])
    i, j, k = np.unravel_index(int(np.argmax(p)), p.shape)
    columns = np.column_stack([leak[:, i], data.settling_columns(int(j), int(k))])
    spread = np.einsum("ti,ij,tj->t", columns, covariance[i, j, k], columns)
    return fit, spread * p.sum()


def _parts(data: _Data, noise: _Noise, rates: Array, u: float, known: Mapping[str, Array]) -> dict[str, float]:
    """Split the uncertainty of the rate: what each source does through the estimator's weights at the peak.

    What is left of the whole is the settling that the log cannot tell from a leak.
    """
    columns, _, sd = _tangent(data, *_peak(data, noise, rates))
    covariance = data.covariance(noise)
    factor = cho_factor(covariance, lower=True)
    x = cho_solve(factor, columns)
    weights = np.linalg.solve(columns.T @ x + np.diag(1 / sd**2), x.T)[1]
    out = {name: float(np.sqrt(max(weights @ c @ weights, 0.0))) for name, c in known.items()}
    out["scatter of the readings"] = float(np.sqrt(max(weights @ (covariance - data.known) @ weights, 0.0)))
    rest = u**2 - sum(v**2 for v in out.values())
    out["settling not told from a leak"] = float(np.sqrt(max(rest, 0.0)))
    return out
