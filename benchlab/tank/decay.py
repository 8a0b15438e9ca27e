"""Leak and settling of a sealed tank: the posterior of the leak given the corrected pressure.

From the amount of gas: with ``N = p_abs T0 / T`` (proportional to n / V) and P a fixed pressure near it,

    P ln(N / P) = a - k D(t) + settling(t) - e (g(t) - g(0)),   D(t) = integral of the pressure that drives the leak

where g is the gauge pressure and e what the wall gives way elastically,

which is exact for a laminar leak, whatever the weather does, because the driving pressure
``(p_abs**2 - p_atm**2) / (2 p_atm) . P / p_abs . T / T0`` is itself measured (``compensation.dose``). Where the
pressure is small beside the atmosphere it is the gauge pressure, and this is DESIGN section 7's sum of exponentials.
The model is linear in a, k, e and the sizes of the settling. Given its time constants everything is therefore
integrated exactly (Gaussian); over the time constants, the kinds of wall and the noise the posterior is averaged on a
grid. A settling that the log cannot tell from a leak thus widens the interval instead of passing for one or the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.special import ndtr

from benchlab.tank.noise import PLAIN, Noise, covariance, likely_noises
from benchlab.tank.settling import (
    LONG,
    PARTS,
    QUICK_S,
    SHORT,
    SLOW_S,
    WALLS,
    WITH_SHORT,
    Lag,
    Settling,
    Wall,
    decays,
    shorts,
    spreads,
)

Array = NDArray[np.float64]

_QUICK, _SLOW = 15, 21
"""Points of the grid over the two time constants."""
_MOST_SETTLED = 0.5
"""A settling part is taken to be at least twice as quick as the leak where its share of the leak is reckoned."""


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
    lag: Lag | None = None

    @property
    def common(self) -> Array:
        """Sum of the known covariances."""
        return sum(self.known.values(), np.zeros((len(self.time_s), len(self.time_s))))

    def parts(self, quick_s: Array, slow_s: Array) -> Array:
        """Columns of the settling, shape (n, m, PARTS), for n pairs of time constants."""
        t = self.time_s
        give = np.repeat(self.give, len(quick_s), axis=1)
        stack = [
            decays(t, quick_s),
            decays(t, slow_s),
            shorts(t, slow_s),
            spreads(t, slow_s),
            self.late(quick_s),
            give,
        ]
        return np.asarray(np.stack(stack).transpose(2, 1, 0))

    @property
    def give(self) -> Array:
        """Column of the wall's give, shape (m, 1)."""
        return np.asarray(self.gauge[:1] - self.gauge)[:, None]

    def late(self, quick_s: Array) -> Array:
        """Columns of the gas's lag behind the thermometer, shape (m, n); zeros where there is no thermometer."""
        return np.zeros((len(self.time_s), len(quick_s))) if self.lag is None else self.lag.at(quick_s)

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
class _Grid:
    """Posterior on all pairs of time constants and kinds of wall: arrays over (kind of wall, pair)."""

    quick: Array
    slow: Array
    log: Array
    mean: Array
    """(.., 2 + PARTS): a, k, settling parts."""
    cov: Array


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
    noise, noises = PLAIN, [PLAIN]
    window = np.log(np.array([QUICK_S, SLOW_S]))
    for _ in range(2):  # the noise found moves the place a little, the place the noise
        window = _window(data, noise)
        noises = _noises(data, _peak(_posterior(data, noise, *_pairs(window))))
        noise = noises[len(noises) // 2]
    return _average(data, noises, _window(data, noise))


def _pairs(window: Array) -> tuple[Array, Array]:
    quick, slow = (np.exp(np.linspace(w[0], w[1], n)) for w, n in zip(window, (_QUICK, _SLOW), strict=True))
    a, b = np.meshgrid(quick, slow, indexing="ij")
    return a.ravel(), b.ravel()


def _window(data: HoldData, noise: Noise) -> Array:
    """Range of ln(tau), rows quick and slow, that holds the posterior and lets the grid resolve it."""
    whole = np.log(np.array([QUICK_S, SLOW_S]))
    window: Array = whole
    for _ in range(5):
        grid = _posterior(data, noise, *_pairs(window))
        p = _weights(grid).sum(axis=0)
        p = p / p.sum()
        x = np.log(np.stack([grid.quick, grid.slow]))
        mean = x @ p
        sd = np.sqrt(((x - mean[:, None]) ** 2) @ p)
        cell = np.ptp(window, axis=1) / (np.array([_QUICK, _SLOW]) - 1)
        half = 4.5 * np.maximum(sd, 0.4 * cell)
        new = np.clip(np.stack([mean - half, mean + half], axis=1), whole[:, :1], whole[:, 1:])
        done = bool((np.ptp(new, axis=1) > 0.8 * np.ptp(window, axis=1)).all())
        window = new
        if done:
            break
    return np.asarray(window)


def _weights(grid: _Grid) -> Array:
    return np.asarray(np.exp(grid.log - grid.log.max()))


def _posterior(data: HoldData, noise: Noise, quick: Array, slow: Array) -> _Grid:
    """Integrate the linear part for every pair of time constants and every kind of wall.

    All columns are whitened and put on a common orthonormal basis (which loses nothing: they are smooth and span few
    dimensions); the prior of the settling stands as more rows. It is solved by QR: normal equations would lose the
    answer, for over a short hold the columns are nearly parallel.
    """
    lower = np.linalg.cholesky(covariance(data.time_s, data.white, data.common, noise))
    (each_quick, i), (each_slow, j) = (np.unique(x, return_inverse=True) for x in (quick, slow))
    t, late = data.time_s, data.late(each_quick)
    blocks = [
        decays(t, each_quick),
        decays(t, each_slow),
        shorts(t, each_slow),
        spreads(t, each_slow),
        late,
        data.give,
    ]
    whitened = solve_triangular(lower, np.hstack([data.fixed, data.value[:, None], *blocks]), lower=True)
    basis = _basis(whitened)
    fixed, value, *parts = np.split(basis.T @ whitened, np.cumsum([2, 1, *(b.shape[1] for b in blocks)])[:-1], axis=1)
    rank = basis.shape[1]
    design = np.zeros((len(quick), rank + PARTS, 2 + PARTS))
    design[:, :rank, :2] = fixed
    for n, (columns, pick) in enumerate(zip(parts, (i, j, j, j, i, 0 * i), strict=True)):
        design[:, :rank, 2 + n] = columns[:, pick].T
    found = [_solve(data, design, value[:, 0], wall) for wall in WALLS]
    log, mean, cov = (np.stack(x) for x in zip(*found, strict=True))
    return _Grid(quick=quick, slow=slow, log=log - np.log(np.diag(lower)).sum(), mean=mean, cov=cov)


def _basis(columns: Array) -> Array:
    scaled = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
    u, s, _ = np.linalg.svd(scaled, full_matrices=False)
    return np.asarray(u[:, s > 1e-11 * s[0]])


def _solve(data: HoldData, design: Array, value: Array, wall: Wall) -> tuple[Array, Array, Array]:
    """Log weight (n,), mean (n, 2 + PARTS) and covariance of the linear part under one kind of wall."""
    mean, sd = data.settling.amplitudes(data.level_kpa, wall)
    rows = design.copy()
    rows[:, len(value) :, 2:] = np.diag(1 / sd)
    y = np.concatenate([value, mean / sd])
    unit = np.linalg.norm(rows, axis=1, keepdims=True)  # columns of like size: the dose is in kPa s
    q, r = np.linalg.qr(rows / unit)
    along = np.einsum("nij,i->nj", q, y)
    rest = y - np.einsum("nij,nj->ni", q, along)
    inverse = np.linalg.inv(r) / unit.transpose(0, 2, 1)
    log_det = np.log(np.abs(np.diagonal(r, axis1=1, axis2=2)) * unit[:, 0]).sum(axis=1)
    log = -0.5 * (rest**2).sum(axis=1) - log_det - np.log(sd).sum() + np.log(wall.likely)
    return log, np.einsum("nij,nj->ni", inverse, along), inverse @ inverse.transpose(0, 2, 1)


def _peak(grid: _Grid) -> tuple[float, float]:
    i = int(np.argmax(_weights(grid).sum(axis=0)))
    return float(grid.quick[i]), float(grid.slow[i])


def _tangent(data: HoldData, quick: float, slow: float) -> tuple[Array, Array, Array]:
    """Columns, prior means and prior standard deviations of the model made linear about two time constants."""
    t = data.time_s
    mean, sd = data.settling.amplitudes(data.level_kpa, WALLS[0])
    columns = np.column_stack([
        data.fixed, data.parts(np.array([quick]), np.array([slow]))[0],
        np.exp(-t / (quick * 1.7)) - np.exp(-t / quick), np.exp(-t / (slow * 1.7)) - np.exp(-t / slow),
    ])  # fmt: skip
    wide = np.array([10 * data.level_kpa, 10 * data.level_kpa / max(float(np.ptp(data.dose)), 1e-9)])
    return columns, np.concatenate([[data.value[0], 0.0], mean, [0, 0]]), np.concatenate([wide, sd, sd[:2]])


def _noises(data: HoldData, peak: tuple[float, float]) -> list[Noise]:
    columns, mean, sd = _tangent(data, *peak)
    model = (columns * sd) @ (columns * sd).T
    return likely_noises(data.time_s, data.white, data.common, data.value - columns @ mean, model)


def _average(data: HoldData, noises: list[Noise], window: Array) -> DecayFit:
    """Average everything over time constants, kinds of wall and noises."""
    quick, slow = _pairs(window)
    numbers = {n: noises.count(n) / len(noises) for n in noises}
    weights, means, covs = [], [], []
    for noise, share in numbers.items():
        grid = _posterior(data, noise, quick, slow)
        # no tank gains gas: settlings that would need it count less (the leak itself is not cut off at 0: a tight
        # tank's scatters about it)
        p = _weights(grid) * ndtr(grid.mean[..., 1] / np.sqrt(grid.cov[..., 1, 1]))
        weights.append(p * share / p.sum())
        means.append(grid.mean)
        covs.append(grid.cov)
    weight, mean, cov = np.stack(weights), np.stack(means), np.stack(covs)
    kept = weight > 1e-7 * weight.max()
    pair = np.broadcast_to(np.arange(len(quick)), weight.shape)[kept]
    p, mean, cov = weight[kept] / weight[kept].sum(), mean[kept], cov[kept]
    derived, spread = _derived(data, quick[pair], slow[pair], mean, cov)
    centre = p @ derived
    u = np.sqrt(p @ (spread + (derived - centre) ** 2))
    rate, p1, loss, settling, wall = (float(x) for x in centre)
    rate_u, p1_u, loss_u, settling_u, wall_u = (float(x) for x in u)
    lo, hi = _interval(p, derived[:, 0], np.sqrt(spread[:, 0]), rate, rate_u)
    fit, fit_u = _curve(data, quick[pair], slow[pair], p, mean, cov)
    heaviest = int(np.argmax(np.bincount(pair, p)))
    return DecayFit(
        rate=rate, rate_u=rate_u, rate_lo=lo, rate_hi=hi, p1=p1, p1_u=p1_u, loss=loss, loss_u=loss_u,
        settling=settling, settling_u=settling_u, wall=wall, wall_u=wall_u,
        parts=_parts(data, noises[len(noises) // 2], (quick[heaviest], slow[heaviest]), rate_u), fit=fit, fit_u=fit_u,
    )  # fmt: skip


def _derived(data: HoldData, quick: Array, slow: Array, mean: Array, cov: Array) -> tuple[Array, Array]:
    """Rate, p1, loss, settling and wall of each component (n, 5), and their variances (first order).

    p1 is what the leak component is at sealing: while the pressure still settles, a leak is driven by more than its own
    component; for exponentials that takes ``s r tau / (1 - r tau)`` of each settling part (DESIGN section 7's sum).
    """
    level, atmosphere = data.reference_kpa, data.atmosphere_kpa
    tau = np.stack([quick, slow, SHORT * slow, slow / LONG, slow * LONG])

    def numbers(x: Array) -> Array:
        a, k, parts, give = x[0], x[1], x[2:5], x[7]
        spread = x[5] + WITH_SHORT * parts[2]
        pull = np.clip(k / (1 + give) * tau, -_MOST_SETTLED, _MOST_SETTLED)
        sizes = np.stack([parts[0], parts[1] - 2 * spread, parts[2], spread, spread])
        # y(0) less all that settles, of which the wall's give has swallowed a part
        start = a + (sizes * (1 - 1 / ((1 - pull) * (1 + give)))).sum(axis=0)
        amount = level * np.exp(start / level)
        p1 = amount - atmosphere
        rate = k * (1 + p1 / (2 * atmosphere))
        wider = 1 + (parts[1] + parts[2] + give * p1) / level
        settling = parts.sum(axis=0) * amount / level
        return np.stack([rate / (1 + give), p1, rate * p1 * wider, settling, wider * (1 + give) - 1])

    x = mean.T
    step = 1e-3 * np.sqrt(np.diagonal(cov, axis1=1, axis2=2)).T
    gradients = []
    for i in range(len(x)):
        move = np.zeros_like(x)
        move[i] = step[i]
        gradients.append((numbers(x + move) - numbers(x - move)) / (2 * step[i]))
    gradient = np.stack(gradients)  # (coefficients, numbers, n)
    return numbers(x).T, np.einsum("cin,ncd,din->ni", gradient, cov, gradient)


def _interval(p: Array, mean: Array, sd: Array, centre: float, u: float) -> tuple[float, float]:
    """95 % interval of a mixture of normal distributions."""
    at = centre + u * np.linspace(-6, 6, 241)
    cumulative = p @ ndtr((at - mean[:, None]) / sd[:, None])
    lo, hi = np.interp([0.025, 0.975], cumulative, at)
    return float(lo), float(hi)


def _curve(data: HoldData, quick: Array, slow: Array, p: Array, mean: Array, cov: Array) -> tuple[Array, Array]:
    """Fitted gauge pressure and its uncertainty, from the components that carry nearly all the weight."""
    best = np.argsort(p)[-200:]
    share = p[best] / p[best].sum()
    fixed = np.broadcast_to(data.fixed, (len(best), *data.fixed.shape))
    columns = np.concatenate([fixed, data.parts(quick[best], slow[best])], axis=2)
    values = np.einsum("ntj,nj->nt", columns, mean[best])
    centre = share @ values
    variance = share @ (np.einsum("ntj,njk,ntk->nt", columns, cov[best], columns) + (values - centre) ** 2)
    amount = data.reference_kpa * np.exp(centre / data.reference_kpa)
    return amount - data.atmosphere_kpa, np.sqrt(variance) * amount / data.reference_kpa


def _parts(data: HoldData, noise: Noise, peak: tuple[float, float], u: float) -> dict[str, float]:
    """Split the uncertainty of the rate: what each source does through the estimator's weights at the peak.

    What is left of the whole is the settling that the log cannot tell from a leak.
    """
    columns, _, sd = _tangent(data, *peak)
    whole = covariance(data.time_s, data.white, data.common, noise)
    x = cho_solve(cho_factor(whole, lower=True), columns)
    scale = 1 + data.level_kpa / (2 * data.atmosphere_kpa)
    weights = scale * np.linalg.solve(columns.T @ x + np.diag(1 / sd**2), x.T)[1]
    out = {name: float(np.sqrt(max(weights @ c @ weights, 0.0))) for name, c in data.known.items()}
    out["scatter of the readings"] = float(np.sqrt(max(weights @ (whole - data.common) @ weights, 0.0)))
    rest = u**2 - sum(v**2 for v in out.values())
    out["settling not told from a leak"] = float(np.sqrt(max(rest, 0.0)))
    return out
