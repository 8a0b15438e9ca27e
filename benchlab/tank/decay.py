"""Leak and settling of a sealed tank: the posterior of the leak given the corrected pressure.

From the amount of gas: with ``N = p_abs T0 / T`` (proportional to n / V) and P a fixed pressure near it,

    P ln(N / P) = a - k D(t) + settling(t) - e (g(t) - g(0)),   D(t) = integral of the pressure that drives the leak

where g is the gauge pressure and e what the wall gives way elastically,

which is exact for a laminar leak, whatever the weather does, because the driving pressure
``(p_abs**2 - p_atm**2) / (2 p_atm) . P / p_abs . T / T0`` is itself measured (``compensation.dose``). Where the
pressure is small beside the atmosphere it is the gauge pressure: then this is DESIGN section 7's sum of exponentials.

Everything is linear: a, k, e and the sizes of the settling's courses, of which mean and covariance are known beforehand
(``settling``). The estimate is the best linear one (generalised least squares with that prior as more observations;
JCGM 100 for what it is made of); only the noise, of which the residuals tell, is averaged over (``noise``). A settling
that the log cannot tell from a leak thus widens the interval instead of passing for one or the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import ndtr

from benchlab.tank.noise import Noise, covariance, likely_noises
from benchlab.tank.settling import Settling, courses, durations, sizes

Array = NDArray[np.float64]

_WIDE = 10.0
"""Prior standard deviations of a and of k times the longest dose, in start pressures: as good as none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldData:
    """What is fitted, at m times from sealing; pressures in kPa, covariances in kPa2."""

    time_s: Array
    value: Array
    """P ln(N / P), shape (m,)."""
    dose: Array
    """D(t), kPa s, shape (m,)."""
    gauge: Array
    """Gauge pressure as it stood, shape (m,)."""
    white: Array
    """Standard uncertainty of each value from its own scatter or resolution."""
    known: Mapping[str, Array]
    """Covariances (m, m) of what is known to disturb all values together, by name."""
    reference_kpa: float
    """P."""
    level_kpa: float
    """Gauge pressure at the start: the unit of the settling's shares."""
    atmosphere_kpa: float
    settling: Settling
    lag: Array | None = None
    """Reading errors (m, quick), kPa, if the gas follows the thermometer with the times ``settling.lag_times``."""

    @property
    def common(self) -> Array:
        """Sum of the known covariances."""
        return sum(self.known.values(), np.zeros((len(self.time_s), len(self.time_s))))

    @property
    def give(self) -> Array:
        """Column of the wall's give, shape (m, 1)."""
        return np.asarray(self.gauge[:1] - self.gauge)[:, None]

    @property
    def fixed(self) -> Array:
        """Columns of a and k, shape (m, 2)."""
        return np.column_stack([np.ones_like(self.dose), -self.dose])


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """What the log says of the decay; rates per second, pressures in kPa."""

    rate: float
    rate_u: float
    rate_lo: float
    rate_hi: float
    """Relative loss of gauge pressure at the start (1 / tau_leak), with 95 % interval; below 0: noise."""
    p1: float
    p1_u: float
    loss: float
    """Pressure (kPa/s) that the leak would take at p1 from a rigid tank of the stated volume, in terms of gas lost."""
    loss_u: float
    settling: float
    settling_u: float
    """What settling takes in the end (kPa)."""
    wall: float
    wall_u: float
    """Share by which ``loss`` is more than p1 x rate: the wall gives way and has crept to a larger volume."""
    parts: Mapping[str, float]
    """Contribution of each known source, of the scatter and of the settling to ``rate_u`` (1/s)."""
    fit: Array
    fit_u: Array
    """Fitted corrected gauge pressure at the given times, and its standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """The linear model: columns (m, n), prior mean (n,), square root of the prior covariance (n, n)."""

    columns: Array
    mean: Array
    root: Array
    wanted: Array
    """Rows (6, n) that give a, k, quick part, slow part, their integral over time (kPa s) and e."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    """The posterior under one noise."""

    share: float
    mean: Array
    half: Array
    """Square root (n, n) of the posterior covariance."""
    weights: Array
    """What each value does to k, shape (m,)."""


def fit_decay(data: HoldData) -> DecayFit:
    """Fit leak and settling.

    Raises
    ------
    ValueError
        With fewer than 2 values or no positive pressure to start from.
    """
    if len(data.time_s) < 2 or not data.level_kpa > 0:
        msg = "a decay needs at least two values and a positive pressure to start from"
        raise ValueError(msg)
    model = _model(data)
    offset, spread = data.value - model.columns @ model.mean, model.columns @ model.root
    noises = likely_noises(data.time_s, data.white, data.common, offset, spread @ spread.T)
    each = [_solve(data, model, noise, noises.count(noise) / len(noises)) for noise in dict.fromkeys(noises)]
    return _average(data, model, each, noises[len(noises) // 2])


def _model(data: HoldData) -> _Model:
    quick, slow = courses(data.time_s)
    lag = np.zeros_like(quick) if data.lag is None else data.lag
    columns = np.hstack([data.fixed, quick, slow, lag, data.give])
    size_mean, size_covariance = sizes(data.settling, data.level_kpa)
    n, (q, s) = columns.shape[1], (quick.shape[1], slow.shape[1])
    mean = np.concatenate([[data.value[0], 0.0], size_mean, [data.settling.give]])
    root = np.zeros((n, n))
    wide = _WIDE * data.level_kpa
    root[0, 0], root[1, 1] = wide, wide / max(float(np.ptp(data.dose)), 1e-9)
    root[2:-1, 2:-1] = _root(size_covariance)
    root[-1, -1] = max(data.settling.give_u, 1e-9)
    wanted = np.zeros((6, n))
    wanted[0, 0] = wanted[1, 1] = wanted[5, -1] = 1.0
    wanted[2, 2 : 2 + q] = wanted[3, 2 + q : 2 + q + s] = 1.0
    wanted[4, 2 : 2 + q + s] = np.concatenate(durations())
    return _Model(columns=columns, mean=mean, root=root, wanted=wanted)


def _root(matrix: Array) -> Array:
    """Square root of a covariance that may be singular."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _solve(data: HoldData, model: _Model, noise: Noise, share: float) -> _Solved:
    """Solve by QR with the prior as more rows: normal equations would lose the answer of nearly parallel columns."""
    lower = np.linalg.cholesky(covariance(data.time_s, data.white, data.common, noise))
    offset = data.value - model.columns @ model.mean
    whitened = solve_triangular(lower, np.column_stack([model.columns @ model.root, offset]), lower=True)
    m, n = model.columns.shape
    q, r = np.linalg.qr(np.vstack([whitened[:, :n], np.eye(n)]))
    half = model.root @ solve_triangular(r, np.eye(n))
    gain = half @ solve_triangular(lower, q[:m], lower=True, trans="T").T
    return _Solved(share=share, mean=model.mean + gain @ offset, half=half, weights=gain[1])


def _average(data: HoldData, model: _Model, each: list[_Solved], noise: Noise) -> DecayFit:
    """Average over the noises, and go from the linear unknowns to the tank's numbers (first order)."""
    p = np.array([s.share for s in each])
    derived, variance = (np.array(x) for x in zip(*(_derived(data, model, s) for s in each), strict=True))
    centre = p @ derived
    u = np.sqrt(p @ (variance + (derived - centre) ** 2))
    rate, p1, loss, settling, wall = (float(x) for x in centre)
    rate_u, p1_u, loss_u, settling_u, wall_u = (float(x) for x in u)
    lo, hi = _interval(p, derived[:, 0], np.sqrt(variance[:, 0]), rate, rate_u)
    fit, fit_u = _curve(data, model, each, p)
    middle = each[int(np.argmax(p))]
    return DecayFit(
        rate=rate, rate_u=rate_u, rate_lo=lo, rate_hi=hi, p1=p1, p1_u=p1_u, loss=loss, loss_u=loss_u,
        settling=settling, settling_u=settling_u, wall=wall, wall_u=wall_u,
        parts=_parts(data, middle.weights, noise, rate_u), fit=fit, fit_u=fit_u,
    )  # fmt: skip


def _derived(data: HoldData, model: _Model, solved: _Solved) -> tuple[Array, Array]:
    """Rate, p1, loss, settling and wall (5,), and their variances.

    p1 is what the leak component is at sealing: while the pressure still settles, a leak is driven by more than its own
    component, which takes k times the integral of the settling from it (first order in k; DESIGN section 7's sum).
    """
    level, atmosphere = data.reference_kpa, data.atmosphere_kpa

    def numbers(x: Array) -> Array:
        a, k, quick, slow, integral, give = x
        amount = level * np.exp((a - k / (1 + give) * integral) / level)
        p1 = amount - atmosphere
        rate = k * (1 + p1 / (2 * atmosphere))
        wider = 1 + (slow + give * p1) / level
        return np.array([
            rate / (1 + give), p1, rate * p1 * wider, (quick + slow) * amount / level, wider * (1 + give) - 1,
        ])  # fmt: skip

    x, half = model.wanted @ solved.mean, model.wanted @ solved.half
    covariance_ = half @ half.T
    step = 1e-3 * np.sqrt(np.maximum(np.diag(covariance_), 1e-300))
    gradient = np.column_stack([
        (numbers(x + move) - numbers(x - move)) / (2 * h) for h, move in zip(step, np.diag(step), strict=True)
    ])  # fmt: skip
    return numbers(x), np.einsum("ic,cd,id->i", gradient, covariance_, gradient)


def _interval(p: Array, mean: Array, sd: Array, centre: float, u: float) -> tuple[float, float]:
    """95 % interval of a mixture of normal distributions."""
    at = centre + u * np.linspace(-6, 6, 241)
    cumulative = p @ ndtr((at - mean[:, None]) / sd[:, None])
    lo, hi = np.interp([0.025, 0.975], cumulative, at)
    return float(lo), float(hi)


def _curve(data: HoldData, model: _Model, each: list[_Solved], p: Array) -> tuple[Array, Array]:
    """Fitted gauge pressure and its uncertainty."""
    values = np.array([model.columns @ s.mean for s in each])
    spread = np.array([((model.columns @ s.half) ** 2).sum(axis=1) for s in each])
    centre = p @ values
    variance = p @ (spread + (values - centre) ** 2)
    amount = data.reference_kpa * np.exp(centre / data.reference_kpa)
    return amount - data.atmosphere_kpa, np.sqrt(variance) * amount / data.reference_kpa


def _parts(data: HoldData, weights: Array, noise: Noise, u: float) -> dict[str, float]:
    """Split the uncertainty of the rate: what each source does through the estimator's weights.

    What is left of the whole is the settling that the log cannot tell from a leak.
    """
    scaled = weights * (1 + data.level_kpa / (2 * data.atmosphere_kpa))
    whole = covariance(data.time_s, data.white, data.common, noise)
    out = {name: max(float(scaled @ c @ scaled), 0.0) ** 0.5 for name, c in data.known.items()}
    out["scatter of the readings"] = max(float(scaled @ (whole - data.common) @ scaled), 0.0) ** 0.5
    rest = u**2 - sum(v**2 for v in out.values())
    out["settling not told from a leak"] = max(float(rest), 0.0) ** 0.5
    return out
