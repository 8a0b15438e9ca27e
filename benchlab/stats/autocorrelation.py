"""Correlation of successive values: lag-1 coefficient, AR(1) whitening over gaps, effective sample size."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def lag1(values: ArrayLike) -> float:
    """Lag-1 autocorrelation ``sum (y_t - m)(y_t+1 - m) / sum (y_t - m)^2`` (the form NIST certifies).

    NaN where the values do not vary.
    """
    y = np.asarray(values, dtype=float)
    d = y - y.mean()
    d = d - d.mean()  # a second pass takes away what rounding of a large mean left
    total = d @ d
    return float(d[:-1] @ d[1:] / total) if total > 0 else float("nan")


def autocorrelation(values: ArrayLike, lags: int) -> Array:
    """Autocorrelation at lags 0 to ``lags``, normalised as in :func:`lag1`."""
    y = np.asarray(values, dtype=float)
    d = y - y.mean()
    return np.asarray([d[: len(d) - k] @ d[k:] for k in range(lags + 1)] / (d @ d), dtype=float)


def steps_between(cycle: ArrayLike) -> Array:
    """Distance of each value from the one before, in whole cycles and at least 1. Shape (n - 1,)."""
    return np.maximum(np.rint(np.diff(np.asarray(cycle, dtype=float))), 1.0)


def whiten(columns: ArrayLike, cycle: ArrayLike, rho: float) -> Array:
    """Turn rows with AR(1) noise into rows with independent noise of the same marginal variance.

    Row i becomes ``(z_i - r z_(i-1)) / sqrt(1 - r^2)`` with ``r = rho^gap``; the first row stays (the exact
    likelihood's first row, S. J. Prais and C. B. Winsten 1954). Values missing between are bridged by the gap.

    Parameters
    ----------
    columns
        (n,) or (n, m).
    cycle
        (n,) increasing cycle numbers.
    rho
        Correlation of values one cycle apart, above -1 and below 1.
    """
    z = np.asarray(columns, dtype=float)
    r = rho ** steps_between(cycle)
    r = r.reshape(-1, *[1] * (z.ndim - 1))
    out = z.copy()
    out[1:] = (z[1:] - r * z[:-1]) / np.sqrt(1 - r**2)
    return out


def log_determinant(cycle: ArrayLike, rho: float) -> float:
    """Logarithm of the determinant of the AR(1) correlation matrix of values at these cycles."""
    return float(np.log1p(-(rho ** (2 * steps_between(cycle)))).sum())


def effective_sample_size(n: int, rho: float) -> float:
    """Number of independent values whose mean would be as uncertain as that of ``n`` AR(1) values.

    Exact form ``n / (1 + 2 sum_k (1 - k/n) rho^k)``, which tends to ``n (1 - rho) / (1 + rho)`` for large n.
    """
    k = np.arange(1, n)
    return float(n / (1 + 2 * ((1 - k / n) * rho**k).sum()))
