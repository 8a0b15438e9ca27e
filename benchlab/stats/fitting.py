"""One trend model fitted to clean data, and the search for its steps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.stats.autocorrelation import whiten
from benchlab.stats.average import Posterior, explore
from benchlab.stats.steps import Scan, best_pulse, critical_drop, place_interval, scan
from benchlab.stats.surface import Design, design, settling_columns

Array = NDArray[np.float64]

MODELS = ("constant", "drift", "settling", "settling+drift")
_PARAMETERS = {"constant": 1, "drift": 2, "settling": 3, "settling+drift": 4}
_MIN_FOR_SETTLING = 6
"""Fewer values than this leave nothing to learn the noise from beside a settling."""
_FASTEST = 2.0
"""Shortest time constant, in values: one odd first value is an outlier and not a settling."""
_MIN_STEP = 5
"""Shortest stretch of values that can be a level: what is shorter is a matter for the outlier test."""
_MAX_STEPS = 8
_REFIT_GAIN = 12.0
"""What settling time and correlation may add to a step's likelihood when they are fitted along with it."""
_LASTING = 4.0
"""Student's t that a step must reach apart from the jump itself; one of 3 sd amid correlation 0.7 does in 10 cycles."""
_FALSE_STEPS = 0.0005
"""Share of series without a step in which one may be found: with nine quantities below 1 % of the servos."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A trend fitted with given steps."""

    design: Design
    posterior: Posterior
    model: str
    drift: bool
    steps: tuple[int, ...]
    """Indices of the first values after the steps."""
    deviance: float
    """-2 log maximum likelihood with everything that the models allow: to compare steps by.

    Without a penalty on settling and drift: what they can explain as well as a step can is no step.
    """


def columns(k: Array, first: float, last: float, steps: Array, *, drift: bool) -> Array:
    """Constant, a column per step (0 before, 1 from its cycle on), drift over the log's length."""
    parts = [np.ones_like(k)[:, None], (k[:, None] >= steps).astype(float)]
    return np.concatenate([*parts, ((k - first) / (last - first))[:, None]] if drift else parts, axis=1)


def fit_model(k: Array, y: Array, models: Sequence[str], steps: Sequence[int] = ()) -> Fit:
    """Fit all ``models`` with steps at the given indices and choose by BIC."""
    drift = any("drift" in m for m in models)
    d = design(k, y, columns(k, k[0], k[-1], k[list(steps)], drift=drift))
    n, span = len(y), k[-1] - k[0]
    settling = any("settling" in m for m in models) and n - len(steps) >= _MIN_FOR_SETTLING
    known = settling and all("settling" in m for m in models)
    post = explore(d, (_FASTEST * max(1.0, span / n), 2 * span) if settling else None, settling_known=known)
    bic = {m: post.deviance[m] + _PARAMETERS[m] * math.log(n) for m in models if m in post.deviance}
    model = min(bic, key=bic.__getitem__)
    return Fit(
        design=d,
        posterior=post,
        model=model,
        drift=drift,
        steps=tuple(steps),
        deviance=min(post.deviance.values()),
    )


def fitted(fit: Fit, k: Array) -> Array:
    """The curve at the highest point of the posterior, at cycles ``k``."""
    d, post, s = fit.design, fit.posterior, fit.posterior.surface
    i = int(post.without.argmax())
    coefficients, decay = d.fitted + np.linalg.solve(s.lower[i].T, s.wy[i]), np.zeros_like(k)
    x = columns(k, d.cycle[0], d.cycle[-1], d.cycle[list(fit.steps)], drift=fit.drift)
    if post.settling_share > 0.5:
        i, j = divmod(int(post.settling.argmax()), post.settling.shape[1])
        a = s.sey[i, j] / s.see[i, j]
        coefficients = d.fitted + np.linalg.solve(s.lower[i].T, s.wy[i] - s.we[i, :, j] * a) - s.gamma[:, j] * a
        decay = a * settling_columns(k, d.cycle[0], s.tau[j : j + 1])[:, 0]
    return np.asarray(x @ np.linalg.solve(d.r, coefficients) + decay, dtype=float)


def find_steps(k: Array, y: Array, models: Sequence[str], resolution: float = 0.0) -> tuple[Fit, list[tuple[int, int]]]:
    """Fit with as many steps as the data prove; also the 95 % interval (indices) of each step's place.

    Steps no larger than the signal's ``resolution`` are its own staircase and not reported.
    """
    fit = fit_model(k, y, models)
    while len(fit.steps) < _MAX_STEPS and len(y) >= 3 * _MIN_STEP:
        more = _one_more(fit, k, y, models) or _pulse(fit, k, y, models)
        if more is None or not _credible(more, y, resolution):
            break
        fit = more
    fit = _drop_needless(fit, k, y, models)
    intervals = []
    for step in fit.steps:
        others = [s for s in fit.steps if s != step]
        intervals.append(place_interval(_scan(fit, k, y, others).at, step))
    return fit, intervals


def _one_more(fit: Fit, k: Array, y: Array, models: Sequence[str]) -> Fit | None:
    """The fit with one more step, if the data prove it."""
    critical = critical_drop(len(y), 4 + len(fit.steps), _FALSE_STEPS)
    s = _scan(fit, k, y, list(fit.steps))
    if s.without - s.at.min() < critical - _REFIT_GAIN:
        return None
    more = _settle(k, y, models, sorted([*fit.steps, int(s.at.argmin())]))
    return more if fit.deviance - more.deviance >= critical else None


def _pulse(fit: Fit, k: Array, y: Array, models: Sequence[str]) -> Fit | None:
    """The fit with two more steps, there and back, neither of which is likely without the other."""
    critical = 2 * critical_drop(len(y), 5 + len(fit.steps), _FALSE_STEPS)
    pair, gain = best_pulse(y - fitted(fit, k), _MIN_STEP)
    steps = sorted({*fit.steps, *pair})
    apart = np.diff([0, *steps, len(y)]).min() >= _MIN_STEP
    if gain < critical - _REFIT_GAIN or len(steps) > _MAX_STEPS or not apart:
        return None
    if fit.deviance - fit_model(k, y, models, steps).deviance < critical - _REFIT_GAIN:
        return None  # the hint was correlated noise
    more = _settle(k, y, models, steps)
    return more if fit.deviance - more.deviance >= critical else None


def _credible(fit: Fit, y: Array, resolution: float) -> bool:
    """Whether all steps exceed the resolution, and what follows the jumps proves them, too.

    A few outlying values together can raise the mean of a short stretch, but not its median. Correlated noise with
    heavy tails jumps and dies away again: so each level must differ apart from the very value at which it begins.
    """
    curve = fitted(fit, fit.design.cycle)
    i = np.array(fit.steps)
    size = np.abs(curve[i] - curve[i - 1])
    pieces = np.split(y - curve, i)
    off = np.array([abs(np.median(piece)) for piece in pieces])
    near = (np.maximum(off[:-1], off[1:]) < 0.5 * size).all()
    return bool((size > 1.1 * resolution).all() and near and (_lasting(fit, y) > _LASTING).all())


def _lasting(fit: Fit, y: Array) -> Array:
    """Student's t of each step without the whitened values at which the steps begin."""
    d, s = fit.design, fit.posterior
    x = columns(d.cycle, d.cycle[0], d.cycle[-1], d.cycle[list(fit.steps)], drift=fit.drift)
    if s.settling_share > 0.5:
        tau = s.surface.tau[[int(s.settling.max(axis=0).argmax())]]
        x = np.column_stack([x, settling_columns(d.cycle, d.cycle[0], tau)])
    white = np.delete(whiten(np.column_stack([x, y]), d.cycle, s.rho), fit.steps, axis=0)
    q, r = np.linalg.qr(white[:, :-1])
    along = q.T @ white[:, -1]
    rest = white[:, -1] - q @ along
    inverse = np.linalg.pinv(r)
    u = np.linalg.norm(inverse, axis=1) * np.sqrt(rest @ rest / max(len(y) - len(fit.steps) - x.shape[1], 1))
    t = np.abs(inverse @ along) / np.maximum(u, 1e-300)
    return np.asarray(t[1 : 1 + len(fit.steps)], dtype=float)


def _scan(fit: Fit, k: Array, y: Array, steps: list[int]) -> Scan:
    """Scan for a step beside the given ones, with everything else that the models allow (tau at its likeliest)."""
    base = columns(k, k[0], k[-1], k[steps], drift=fit.drift)
    s = fit.posterior
    if s.settling.size:
        tau = s.surface.tau[[int(s.settling.max(axis=0).argmax())]]
        base = np.column_stack([base, settling_columns(k, k[0], tau)])
    return scan(k, y, base, steps, _MIN_STEP)


def _settle(k: Array, y: Array, models: Sequence[str], steps: list[int]) -> Fit:
    """Refit, and move each step to its best place given the others, until none moves."""
    fit = fit_model(k, y, models, steps)
    for _ in range(3):
        moved = list(fit.steps)
        for i in range(len(moved)):
            others = moved[:i] + moved[i + 1 :]
            moved[i] = int(_scan(fit, k, y, others).at.argmin())
        moved.sort()
        if moved == list(fit.steps):
            break
        fit = fit_model(k, y, models, moved)
    return fit


def _drop_needless(fit: Fit, k: Array, y: Array, models: Sequence[str]) -> Fit:
    """Take away steps that the refitted trend can do without, the least needed first."""
    while fit.steps:
        rest = [fit_model(k, y, models, [s for s in fit.steps if s != step]) for step in fit.steps]
        best = min(rest, key=lambda f: f.deviance)
        if best.deviance - fit.deviance >= critical_drop(len(y), 4 + len(best.steps), _FALSE_STEPS):
            break
        fit = best
    return fit
