"""Likelihood of a trend with AR(1) noise over a grid of settling times and correlations.

Model: ``y = X b + a exp(-(k - k1)/tau) + e``, ``e`` a stationary AR(1) process with correlation ``rho`` from one
cycle to the next. For given ``tau`` and ``rho`` everything else is linear and solved in closed form, so the whole
surface over (tau, rho) is computed at once from a few products of columns: no start value, and no local optimum to be
caught in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.stats.autocorrelation import steps_between

Array = NDArray[np.float64]

_FAR_GAP = 50.0
"""Gaps longer than this many cycles are taken as this long: any correlation below 0.97 has died away by then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The linear part of the model, made orthonormal, and the data freed from it."""

    cycle: Array
    gap: Array
    """(n - 1,) distances of each value from the one before, see :func:`gaps`."""
    q: Array
    """(n, p) orthonormal columns; the last of the original columns is the drift."""
    r: Array
    """(p, p) upper triangular, original columns = q @ r."""
    rest: Array
    """(n,) data minus their plain least-squares fit on the columns."""
    fitted: Array
    """(p,) coefficients of that fit on q."""
    floor: float
    """Variance below which noise is rounding: keeps data free of noise from dividing by zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """Everything that follows in closed form at each rho (axis 0, length R) and tau (last axis, length m)."""

    rho: Array
    tau: Array
    lower: Array
    """(R, p, p) Cholesky factor of the whitened columns' normal matrix."""
    wy: Array
    """(R, p) whitened data in the columns' orthonormal frame."""
    we: Array
    """(R, p, m) whitened settling columns in that frame."""
    see: Array
    """(R, m) squared length of the settling column outside the other columns."""
    sey: Array
    """(R, m) its product with the data."""
    rss: Array
    """(R,) residual sum of squares without settling; with it: ``rss - sey^2 / see``."""
    least: float
    """Residual sum of squares of noise at the floor."""
    log_det: Array
    """(R,) log determinant of the AR(1) correlation matrix."""
    gamma: Array
    """(p, m) the settling columns' plain projection on q, which the solution is relative to."""
    drift_y: Array
    """(R,) whitened data along the last column, outside the ones before it."""
    drift_e: Array
    """(R, m) whitened settling columns along it."""

    @property
    def rss_settling(self) -> Array:
        """(R, m) residual sum of squares with settling."""
        return np.maximum(self.rss[:, None] - self.sey**2 / self.see, self.least)

    @property
    def rss_no_drift(self) -> Array:
        """(R,) without settling and without the last column."""
        return np.asarray(self.rss + self.drift_y**2, dtype=float)

    @property
    def rss_settling_no_drift(self) -> Array:
        """(R, m) with settling but without the last column."""
        see = self.see + self.drift_e**2
        sey = self.sey + self.drift_e * self.drift_y[:, None]
        return np.maximum(self.rss_no_drift[:, None] - sey**2 / see, self.least)


def design(cycle: Array, y: Array, columns: Array) -> Design:
    """Prepare data for :func:`surface`; ``columns`` (n, p) must be independent, the drift last."""
    q, r = np.linalg.qr(columns)
    fitted = q.T @ y
    rest = y - q @ fitted
    again = q.T @ rest  # a second pass: data with a large offset lose digits in the first
    floor = (1e-7 * float(np.ptp(y)) + 1e-13 * float(np.abs(y).max())) ** 2
    return Design(cycle=cycle, gap=gaps(cycle), q=q, r=r, rest=rest - q @ again, fitted=fitted + again, floor=floor)


def settling_columns(cycle: Array, first: float, tau: Array) -> Array:
    """``exp(-(cycle - first) / tau)``, shape (n, m)."""
    return np.asarray(np.exp(-(cycle - first)[:, None] / tau), dtype=float)


def surface(d: Design, rho: Array, tau: Array) -> Surface:
    """Solve the model at every pair of ``rho`` (R,) and ``tau`` (m,); ``tau`` may be empty."""
    p = d.q.shape[1]
    e = settling_columns(d.cycle, d.cycle[0], tau)
    gamma = d.q.T @ e
    e = e - d.q @ gamma
    left = np.column_stack([d.q, d.rest])
    products, squares, log_det = whitened_products(left, e, d.gap, rho)
    lower = np.asarray(np.linalg.cholesky(products[:, :p, :p]), dtype=float)
    w = np.linalg.solve(lower, products[:, :p, p:])
    wy, we = w[:, :, 0], w[:, :, 1:]
    floor = 1e-13 * len(d.cycle)  # a column inside the others' span: no information, no division by zero
    least = len(d.cycle) * d.floor
    return Surface(
        rho=rho, tau=tau, lower=lower, wy=wy, we=we,
        see=np.maximum(squares - (we**2).sum(axis=1), floor),
        sey=products[:, p, p + 1 :] - np.einsum("rp,rpm->rm", wy, we),
        rss=np.maximum(products[:, p, p] - (wy**2).sum(axis=1), 0.0) + least, log_det=log_det, gamma=gamma, least=least,
        drift_y=wy[:, -1] + lower[:, -1, -1] * d.fitted[-1],
        drift_e=we[:, -1, :] + np.multiply.outer(lower[:, -1, -1], gamma[-1]),
    )  # fmt: skip


def gaps(cycle: Array) -> Array:
    """Distances of each value from the one before, in cycles, as the likelihood takes them. Shape (n - 1,)."""
    return np.minimum(steps_between(cycle), _FAR_GAP)


def kinds_of(gap: Array) -> Array:
    """The lengths that there are among gaps; mostly one."""
    return gap[:1] if np.ptp(gap) == 0 else np.unique(gap)


def whitened_products(left: Array, e: Array, gap: Array, rho: Array) -> tuple[Array, Array, Array]:
    """Products of the whitened columns for every rho, from the raw columns' products by length of gap.

    ``left`` (n, p), ``e`` (n, m), ``gap`` (n - 1,): returns left'[left, e] (R, p, p + m), the squared lengths of e
    (R, m) and the log determinants (R,).
    """
    right = np.concatenate([left, e], axis=1)
    products = np.broadcast_to(np.outer(left[0], right[0]), (len(rho), left.shape[1], right.shape[1])).copy()
    squares = np.broadcast_to(e[0] ** 2, (len(rho), e.shape[1])).copy()
    log_det = np.zeros(len(rho))
    kinds = kinds_of(gap)
    for g in kinds:
        now = slice(1, None) if len(kinds) == 1 else np.flatnonzero(gap == g) + 1
        before = slice(None, -1) if isinstance(now, slice) else now - 1
        l1, l0, r1, r0 = left[now], left[before], right[now], right[before]
        e1, e0 = r1[:, left.shape[1] :], r0[:, left.shape[1] :]
        c = rho**g
        factors = np.stack([np.ones_like(c), -c, c**2], axis=1) / (1 - c**2)[:, None]
        raw = np.stack([l1.T @ r1, l1.T @ r0 + l0.T @ r1, l0.T @ r0])
        products += (factors @ raw.reshape(3, -1)).reshape(products.shape)
        s11, s10, s00 = (np.einsum("nm,nm->m", a, b) for a, b in ((e1, e1), (e1, e0), (e0, e0)))
        squares += factors @ np.stack([s11, 2 * s10, s00])
        log_det += len(l1) * np.log1p(-(c**2))
    return products, squares, log_det
