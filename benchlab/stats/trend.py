"""Trend of a per-cycle quantity: constant, drift, settling, settling + drift, each with or without steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from benchlab.results import Estimate, Trend
from benchlab.stats.average import Mixture, Posterior, estimates, explore, mixture
from benchlab.stats.outliers import rosner_esd
from benchlab.stats.surface import Design, design, settling_columns

Array = NDArray[np.float64]

MODELS = ("constant", "drift", "settling", "settling+drift")
_PARAMETERS = {"constant": 1, "drift": 2, "settling": 3, "settling+drift": 4}
_MIN_FOR_SETTLING = 10
"""Fewer values than this cannot tell settling from noise."""
_CURVE_POINTS = 400


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
    fit = _fit(k, y, models)
    kept = np.ones(len(y), dtype=bool)
    found = rosner_esd(fit.residual, int(max_outlier_share * len(y)), outlier_alpha).outliers
    if len(found):
        kept[found] = False
        fit = _fit(k[kept], y[kept], models)
    return _report(fit, unit, settled_share, k, k[~kept])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    design: Design
    posterior: Posterior
    model: str
    drift: bool
    residual: Array
    sigma: float


def _usable(cycle: ArrayLike, value: ArrayLike) -> tuple[Array, Array]:
    k, y = np.asarray(cycle, dtype=float), np.asarray(value, dtype=float)
    finite = np.isfinite(k) & np.isfinite(y)
    if finite.sum() < 2:
        msg = f"a trend needs 2 finite values or more, not {int(finite.sum())}"
        raise ValueError(msg)
    k, y = k[finite], y[finite]
    order = np.argsort(k, kind="stable")
    return k[order], y[order]


def _columns(k: Array, steps: Array, *, drift: bool = True) -> Array:
    """Constant, a column per step (0 before, 1 from its cycle on), drift over the log's length."""
    columns = [np.ones_like(k), k[:, None] >= steps]
    return np.column_stack([*columns, (k - k[0]) / (k[-1] - k[0])] if drift else columns)


def _fit(k: Array, y: Array, models: Sequence[str], steps: Array | None = None) -> _Fit:
    steps = np.empty(0) if steps is None else steps
    drift = any("drift" in m for m in models)
    d = design(k, y, _columns(k, steps, drift=drift))
    n, span = len(y), k[-1] - k[0]
    settling = any("settling" in m for m in models) and n - len(steps) >= _MIN_FOR_SETTLING
    known = settling and all("settling" in m for m in models)
    post = explore(d, (max(1.0, span / n), 2 * span) if settling else None, settling_known=known)
    bic = {m: post.deviance[m] + _PARAMETERS[m] * math.log(n) for m in models if m in post.deviance}
    model = min(bic, key=bic.__getitem__)
    x = _columns(k, steps, drift=drift)
    residual = y - mixture(d, post, x, settling_columns(k, k[0], post.surface.tau)).mean
    return _Fit(
        design=d, posterior=post, model=model, drift=drift, residual=residual,
        sigma=_sigma(residual, _PARAMETERS[model]),
    )  # fmt: skip


def _sigma(residual: Array, parameters: int) -> float:
    return float(np.sqrt((residual**2).sum() / max(len(residual) - parameters, 1)))


def _report(fit: _Fit, unit: str, settled_share: float, k: Array, outliers: Array) -> TrendFit:
    d, post = fit.design, fit.posterior
    first, last = d.cycle[0], d.cycle[-1]
    tau = post.surface.tau
    x = _columns(np.array([first, last]), np.empty(0))
    decay = settling_columns(np.array([first, last]), first, tau)
    base = np.array([x[0], x[1], x[1], x[1] - x[0], [0.0, 1000.0 / (last - first)]])[:, : d.q.shape[1]]
    settling = np.array([decay[0], decay[1], 0 * decay[0], decay[1] - decay[0], 0 * decay[0]])
    start, end, settled, change, drift = estimates(
        mixture(d, post, base, settling), [unit, unit, unit, unit, f"{unit}/1000 cycles"]
    )
    time_constant = _time_constant(post) if "settling" in fit.model else None
    done = None
    if time_constant is not None and time_constant.value is not None:
        done = math.ceil(first - time_constant.value * math.log(1 - settled_share))
    needed = max(0, done - int(last)) if done is not None else 0
    return TrendFit(
        trend=Trend(
            model=fit.model, n=len(d.rest), rho=post.rho, start=start, end=end, settled=settled, change=change,
            drift_per_1000=drift, tau_cycles=time_constant, settled_at_cycle=done,
        ),
        sigma=fit.sigma, run_in_complete=needed == 0, cycles_needed=needed, steps=(),
        outliers=tuple(int(c) for c in outliers), curve=_curve(fit, k),
    )  # fmt: skip


def _time_constant(post: Posterior) -> Estimate:
    """Mean of log tau over the posterior given that there is settling, with its interval."""
    tau, weight = post.surface.tau, post.settling.sum(axis=0) / post.settling_share
    centre = math.exp(float(weight @ np.log(tau)))
    u = math.sqrt(float(weight @ (tau - centre) ** 2))
    below = np.cumsum(weight) - 0.5 * weight
    lo, hi = np.exp(np.interp([0.025, 0.975], below, np.log(tau)))
    return Estimate(value=centre, u=u, lo=float(lo), hi=float(hi), unit="cycles")


def _curve(fit: _Fit, k: Array) -> pd.DataFrame:
    at = np.unique(np.rint(np.linspace(k[0], k[-1], min(_CURVE_POINTS, len(k)))))
    first, last = fit.design.cycle[0], fit.design.cycle[-1]
    x = np.column_stack([np.ones_like(at), (at - first) / (last - first)])[:, : fit.design.q.shape[1]]
    m: Mixture = mixture(
        fit.design, fit.posterior, x, settling_columns(at, first, fit.posterior.surface.tau), smallest=0.005
    )
    half = 1.96 * m.u
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
