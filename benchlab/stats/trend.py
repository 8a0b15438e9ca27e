"""Trend of a per-cycle quantity: constant, drift, settling, settling + drift, each with or without steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from benchlab.results import Estimate, Trend
from benchlab.stats.autocorrelation import whiten
from benchlab.stats.average import Posterior, estimates, mixture
from benchlab.stats.fitting import MODELS, Fit, columns, find_steps, fitted
from benchlab.stats.grid import grid_step, grid_uncertainty, least_step
from benchlab.stats.outliers import modified_z, rosner_esd
from benchlab.stats.spread import spread_change
from benchlab.stats.surface import settling_columns
from benchlab.stats.uncertainty import coverage_factor

Array = NDArray[np.float64]

_CURVE_POINTS = 400
_CURVE_COLUMNS = pd.Index(["cycle", "fit", "lo", "hi"])  # made once: pandas is slow at it
_ROUNDS = 4
"""Times that outliers are looked for anew after a fit without those found before."""
_ENOUGH_ALIKE = 10
"""Values that must be equal to be taken for a quantity that does not vary."""
_FEWEST_WITH_OUTLIERS = 8
"""Fewer values than this leave too little to tell an outlier from."""
_NEIGHBOURS = 7
_SPIKE = 6.0
"""Modified z-score above which a value is set aside beforehand; normal noise passes it once in 5e8 values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A lasting change of level between one cycle and the next."""

    cycle: int
    """First cycle at the new level; 95 % interval ``lo`` .. ``hi``."""
    size: Estimate
    lo: int
    hi: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendFit:
    """A trend with what belongs to it but not into results.json."""

    trend: Trend
    sigma: float
    """Standard deviation of a single cycle about the trend, in the quantity's unit."""
    run_in_complete: bool
    cycles_needed: int
    """Cycles still needed for the run-in to be complete; 0 where it is."""
    steps: tuple[Step, ...]
    outliers: tuple[int, ...]
    """Cycle numbers left out of the fit."""
    curve: pd.DataFrame
    """Columns cycle, fit, lo, hi: fitted trend with its 95 % band, at most 400 rows."""
    spread_ratio: Estimate | None = None
    """Scatter of single cycles about the trend at the last cycle over that at the first; None where too few show it."""
    spread_grows: bool = False
    """Whether that scatter has grown beyond doubt: said of 1 in 2000 series whose scatter is steady."""


def fit_trend(
    cycle: ArrayLike,
    value: ArrayLike,
    *,
    unit: str,
    outlier_alpha: float = 0.001,
    max_outlier_share: float = 0.05,
    settled_share: float = 0.95,
    models: Sequence[str] = MODELS,
) -> TrendFit:
    """Fit the trend of a quantity over cycles.

    Parameters
    ----------
    cycle, value
        (n,) cycle numbers and the quantity; NaN values are left out, cycles may be missing.
    unit
        Unit of the quantity.
    outlier_alpha, max_outlier_share
        Level of the outlier test, and the largest share of the cycles it may take away.
    settled_share
        Share of the settling that must be done for the run-in to be complete.
    models
        Models to choose from, where some are known not to apply.

    Raises
    ------
    ValueError
        If there are fewer than 2 finite values.
    """
    k, y = _usable(cycle, value)
    if len(y) < 3 or _flat(y):
        return _bare(k, y, unit)
    limit = math.ceil(max_outlier_share * len(y)) if len(y) >= _FEWEST_WITH_OUTLIERS else 0
    step = grid_step(y)
    resolution = least_step(y, step)
    outlying = _spikes(y, limit, resolution)
    for _ in range(_ROUNDS):
        kept = ~outlying
        if _flat(y[kept]):
            return _bare(k[kept], y[kept], unit, k[~kept])
        fit, places = find_steps(k[kept], y[kept], models, resolution)
        outlying = _outliers(y - fitted(fit, k), resolution, limit, outlier_alpha)
        if (outlying != kept).all():
            break
    residual = y[kept] - fitted(fit, k[kept])
    return _report(fit, places, residual, unit, settled_share, k[~kept], step)


def _usable(cycle: ArrayLike, value: ArrayLike) -> tuple[Array, Array]:
    k, y = np.asarray(cycle, dtype=float), np.asarray(value, dtype=float)
    finite = np.isfinite(k) & np.isfinite(y)
    if finite.sum() < 2:
        msg = f"a trend needs 2 finite values or more, not {int(finite.sum())}"
        raise ValueError(msg)
    k, y = k[finite], y[finite]
    order = np.argsort(k, kind="stable")
    return k[order], y[order]


def _spikes(y: Array, limit: int, resolution: float) -> NDArray[np.bool_]:
    """Values far from the running median: set aside while steps are looked for, judged afterwards."""
    spike = np.zeros(len(y), dtype=bool)
    if not limit or len(y) <= 2 * _NEIGHBOURS:
        return spike
    away = y - median_filter(y, size=_NEIGHBOURS, mode="mirror")
    away[: _NEIGHBOURS // 2] = 0.0
    z = np.where(np.abs(away) > 1.5 * resolution, np.abs(modified_z(away)), 0.0)
    worst = np.argsort(-z, kind="stable")[:limit]
    spike[worst[z[worst] > _SPIKE]] = True
    spike[: _leading_spikes(y, away)] = True
    return spike


def _leading_spikes(y: Array, away: Array) -> int:
    """How many of the first values stand apart from what follows, without the gradual return of a settling.

    Between successive values a settling of the shortest time constant keeps 0.6 of its distance, a spike nothing.
    """
    scale = float(np.median(np.abs(away[_NEIGHBOURS // 2 :]))) / 0.6745
    for j in range(1, _NEIGHBOURS // 2 + 1):
        level = np.median(y[j : j + _NEIGHBOURS])
        if abs(y[j - 1] - level) > _SPIKE * scale and abs(y[j] - level) < 0.3 * abs(y[j - 1] - level):
            return j
    return 0


def _outliers(residual: Array, resolution: float, limit: int, alpha: float) -> NDArray[np.bool_]:
    outlying = np.zeros(len(residual), dtype=bool)
    outlying[rosner_esd(residual, limit, alpha).outliers] = True
    # a value one step of the resolution from its neighbours is no outlier, however rare
    return outlying & (np.abs(residual) > 1.5 * resolution)


def _report(
    fit: Fit, places: list[tuple[int, int]], residual: Array, unit: str, settled_share: float, outliers: Array,
    step: float,
) -> TrendFit:  # fmt: skip
    d, post = fit.design, fit.posterior
    sigma = float(np.sqrt((residual**2).sum() / max(len(residual) - d.q.shape[1], 1)))
    drift, start, end, settled, change, *sizes = _numbers(fit, unit, step, sigma)
    spread = None if step > sigma else spread_change(d.cycle, whiten(residual, d.cycle, post.rho))
    tau = _time_constant(post) if "settling" in fit.model else None
    done = None if tau is None or tau.value is None else math.ceil(d.cycle[0] - tau.value * math.log(1 - settled_share))
    needed = 0 if done is None else max(0, done - int(d.cycle[-1]))
    return TrendFit(
        trend=Trend(
            model=fit.model + ("+steps" if fit.steps else ""), n=len(d.rest), rho=post.rho, start=start, end=end,
            settled=settled, change=change, drift_per_1000=drift, tau_cycles=tau, settled_at_cycle=done,
        ),
        sigma=sigma, spread_ratio=spread.ratio if spread else None, spread_grows=spread is not None and spread.grows,
        run_in_complete=needed == 0, cycles_needed=needed,
        steps=tuple(
            Step(cycle=int(d.cycle[i]), size=size, lo=int(d.cycle[lo]), hi=int(d.cycle[hi]))
            for i, size, (lo, hi) in zip(fit.steps, sizes, places, strict=True)
        ),
        outliers=tuple(int(c) for c in outliers), curve=_curve(fit),
    )  # fmt: skip


def _numbers(fit: Fit, unit: str, step: float, sigma: float) -> list[Estimate]:
    """Drift, start, end, settled value, change and the sizes of the steps."""
    d, post = fit.design, fit.posterior
    at = d.cycle[[0, -1]]
    x, decay = _at(fit, at), settling_columns(at, at[0], post.surface.tau)
    p, none = x.shape[1], 0 * decay[0]
    slope = np.zeros(p)
    slope[-1] = 1000.0 / (at[1] - at[0]) if fit.drift else 0.0
    jump = np.eye(p)[1 : 1 + len(fit.steps)]
    base = np.array([slope, x[0], x[1], x[1], x[1] - x[0], *jump])
    settling = np.array([none, decay[0], decay[1], none, decay[1] - decay[0], *[none] * len(jump)])
    m = mixture(d, post, base, settling)
    drift, *others = estimates(m, [f"{unit}/1000 cycles"] + [unit] * (4 + len(jump)))
    # beside a long settling a drift is vague, and the median would follow it farther than it deserves
    numbers = [replace(drift, value=float(m.scaled_mean[0])), *others]
    return _on_grid(fit, numbers, base, settling, step, sigma) if step > 0 else numbers


def _on_grid(
    fit: Fit, numbers: list[Estimate], base: Array, settling: Array, step: float, sigma: float
) -> list[Estimate]:
    """Add what the steps of the values' grid hide: root sum of squares, on both sides of the interval."""
    k = fit.design.cycle
    x = _at(fit, k)
    if "settling" in fit.model:
        best = int(fit.posterior.settling.max(axis=0).argmax())
        tau = fit.posterior.surface.tau[best]
        decay = settling_columns(k, k[0], np.array([tau]))
        x = np.column_stack([x, decay, decay[:, 0] * (k - k[0]) / tau])
        base = np.column_stack([base, settling[:, best], np.zeros(len(base))])
    hidden = grid_uncertainty(x, base, step, sigma)
    return [_wider(e, u) if e.u else e for e, u in zip(numbers, hidden, strict=True)]


def _wider(e: Estimate, u: float) -> Estimate:
    if e.value is None or e.u is None or e.lo is None or e.hi is None:
        return e
    k = coverage_factor(None)
    low, high = math.hypot(e.value - e.lo, k * u), math.hypot(e.hi - e.value, k * u)
    return replace(e, u=math.hypot(e.u, u), lo=e.value - low, hi=e.value + high)


def _at(fit: Fit, k: Array) -> Array:
    d = fit.design
    return columns(k, d.cycle[0], d.cycle[-1], d.cycle[list(fit.steps)], drift=fit.drift)


def _time_constant(post: Posterior) -> Estimate:
    """Mean of log tau over the posterior given that there is settling, with its interval."""
    tau, weight = post.surface.tau, post.settling.sum(axis=0) / post.settling_share
    centre = math.exp(float(weight @ np.log(tau)))
    u = math.sqrt(float(weight @ (tau - centre) ** 2))
    below = np.cumsum(weight) - 0.5 * weight
    lo, hi = np.exp(np.interp([0.025, 0.975], below, np.log(tau)))
    return Estimate(value=centre, u=u, lo=float(lo), hi=float(hi), unit="cycles")


def _curve(fit: Fit) -> pd.DataFrame:
    k = fit.design.cycle
    at = np.unique(np.rint(np.linspace(k[0], k[-1], min(_CURVE_POINTS, int(k[-1] - k[0]) + 1))))
    decay = settling_columns(at, k[0], fit.posterior.surface.tau)
    m = mixture(fit.design, fit.posterior, _at(fit, at), decay, smallest=0.005)
    half = coverage_factor(float(m.weight @ m.dof)) * m.u
    middle = m.mean
    return pd.DataFrame(np.column_stack([at, middle, middle - half, middle + half]), columns=_CURVE_COLUMNS)


def _flat(y: Array) -> bool:
    # below 1e-100 squares vanish; no unit makes such numbers
    return bool(np.ptp(y) <= max(1e-12 * np.abs(y).max(), 1e-100))


def _bare(k: Array, y: Array, unit: str, outliers: Array | tuple[()] = ()) -> TrendFit:
    """Two values, or values that do not vary: no noise to learn an uncertainty from.

    Many values that do not vary have none but the instrument's; that a few agree proves nothing.
    """
    flat = _flat(y)
    u = 0.0 if flat and len(y) >= _ENOUGH_ALIKE else None
    slope = 0.0 if flat else float((y[-1] - y[0]) / max(k[-1] - k[0], 1.0))

    def exact(value: float, of: str = unit) -> Estimate:
        return Estimate(value=value, u=u, lo=value if u == 0.0 else None, hi=value if u == 0.0 else None, unit=of)

    return TrendFit(
        trend=Trend(
            model="constant" if flat else "drift", n=len(y), rho=None, start=exact(float(y[0])),
            end=exact(float(y[-1])), settled=exact(float(y[-1])), change=exact(float(y[-1] - y[0])),
            drift_per_1000=exact(1000 * slope, f"{unit}/1000 cycles"),
        ),
        sigma=0.0, run_in_complete=True, cycles_needed=0, steps=(), outliers=tuple(int(c) for c in outliers),
        curve=pd.DataFrame({"cycle": k[[0, -1]], "fit": y[[0, -1]], "lo": y[[0, -1]], "hi": y[[0, -1]]}),
    )  # fmt: skip
