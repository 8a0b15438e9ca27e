"""Trend of a per-cycle quantity: constant, drift, settling, settling + drift, each with or without steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from benchlab.results import Estimate, Trend
from benchlab.stats.average import Posterior, estimates, mixture
from benchlab.stats.fitting import MODELS, Fit, columns, find_steps, fitted
from benchlab.stats.outliers import modified_z, rosner_esd
from benchlab.stats.surface import settling_columns
from benchlab.stats.uncertainty import coverage_factor

Array = NDArray[np.float64]

_CURVE_POINTS = 400
_ROUNDS = 4
"""Times that outliers are looked for anew after a fit without those found before."""
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
    if len(y) < 3 or np.ptp(y) <= 1e-12 * np.abs(y).max():
        return _bare(k, y, unit)
    limit = int(max_outlier_share * len(y))
    resolution = _resolution(y)
    kept = ~_spikes(y, limit, resolution)
    for _ in range(_ROUNDS):
        fit, places = find_steps(k[kept], y[kept], models, resolution)
        outlying = _outliers(y - fitted(fit, k), resolution, limit, outlier_alpha)
        if (outlying != kept).all():
            break
        kept = ~outlying
    residual = y[kept] - fitted(fit, k[kept])
    return _report(fit, places, residual, unit, settled_share, k[~kept])


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


def _resolution(y: Array) -> float:
    """Smallest step between recurring values where these are few (a quantised signal); else 0.

    A signal that changes hardly ever is constant with steps rather than quantised.
    """
    levels, counts = np.unique(y, return_counts=True)
    levels = levels[counts >= 3]
    quantised = 1 < len(levels) <= len(y) / 4 and np.count_nonzero(np.diff(y)) > 4
    return float(np.diff(levels).min()) if quantised else 0.0


def _report(
    fit: Fit, places: list[tuple[int, int]], residual: Array, unit: str, settled_share: float, outliers: Array
) -> TrendFit:
    d, post = fit.design, fit.posterior
    first, last = d.cycle[0], d.cycle[-1]
    at = np.array([first, last])
    x, decay = _at(fit, at), settling_columns(at, first, post.surface.tau)
    p, none = x.shape[1], 0 * decay[0]
    slope = np.zeros(p)
    slope[-1] = 1000.0 / (last - first) if fit.drift else 0.0
    jump = np.eye(p)[1 : 1 + len(fit.steps)]
    base = np.array([x[0], x[1], x[1], x[1] - x[0], slope, *jump])
    settling = np.array([decay[0], decay[1], none, decay[1] - decay[0], none, *[none] * len(jump)])
    start, end, settled, change, drift, *sizes = estimates(
        mixture(d, post, base, settling), [unit] * 4 + [f"{unit}/1000 cycles"] + [unit] * len(jump)
    )
    tau = _time_constant(post) if "settling" in fit.model else None
    done = None if tau is None or tau.value is None else math.ceil(first - tau.value * math.log(1 - settled_share))
    needed = 0 if done is None else max(0, done - int(last))
    return TrendFit(
        trend=Trend(
            model=fit.model + ("+steps" if fit.steps else ""), n=len(d.rest), rho=post.rho, start=start, end=end,
            settled=settled, change=change, drift_per_1000=drift, tau_cycles=tau, settled_at_cycle=done,
        ),
        sigma=float(np.sqrt((residual**2).sum() / max(len(residual) - p, 1))),
        run_in_complete=needed == 0, cycles_needed=needed,
        steps=tuple(
            Step(cycle=int(d.cycle[i]), size=size, lo=int(d.cycle[lo]), hi=int(d.cycle[hi]))
            for i, size, (lo, hi) in zip(fit.steps, sizes, places, strict=True)
        ),
        outliers=tuple(int(c) for c in outliers), curve=_curve(fit),
    )  # fmt: skip


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
    return pd.DataFrame({"cycle": at, "fit": m.mean, "lo": m.mean - half, "hi": m.mean + half})


def _bare(k: Array, y: Array, unit: str) -> TrendFit:
    """Two values, or values that do not vary: no noise to learn an uncertainty from (two) or none at all."""
    u = 0.0 if np.ptp(y) <= 1e-12 * np.abs(y).max() else None
    slope = 0.0 if u == 0.0 else float((y[-1] - y[0]) / max(k[-1] - k[0], 1.0))

    def exact(value: float, of: str = unit) -> Estimate:
        return Estimate(value=value, u=u, lo=value if u == 0.0 else None, hi=value if u == 0.0 else None, unit=of)

    return TrendFit(
        trend=Trend(
            model="constant" if u == 0.0 else "drift", n=len(y), rho=None, start=exact(float(y[0])),
            end=exact(float(y[-1])), settled=exact(float(y[-1])), change=exact(float(y[-1] - y[0])),
            drift_per_1000=exact(1000 * slope, f"{unit}/1000 cycles"),
        ),
        sigma=0.0, run_in_complete=True, cycles_needed=0, steps=(), outliers=(),
        curve=pd.DataFrame({"cycle": k[[0, -1]], "fit": y[[0, -1]], "lo": y[[0, -1]], "hi": y[[0, -1]]}),
    )  # fmt: skip
