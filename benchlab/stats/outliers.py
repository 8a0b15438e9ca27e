"""Tests for outlying values: generalised ESD, Grubbs, modified z-scores."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EsdTest:
    """Result of :func:`rosner_esd`; arrays in the order in which values were taken away."""

    outliers: NDArray[np.intp]
    """Positions in the input of the values found outlying."""
    statistic: Array
    critical: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class GrubbsTest:
    """Result of :func:`grubbs` for the value farthest from the mean."""

    index: int
    statistic: float
    critical: float
    outlier: bool


def rosner_esd(values: ArrayLike, max_outliers: int, alpha: float = 0.05) -> EsdTest:
    """Find up to ``max_outliers`` outlying values with the generalised extreme studentised deviate test.

    The values farthest from the mean are taken away one by one; the last one whose statistic ``R_i`` exceeds its
    critical value ``lambda_i`` decides how many are outliers, so that several of them cannot mask each other.
    B. Rosner, Technometrics 25 (1983) 165-172; NIST/SEMATECH e-Handbook 1.3.5.17.3. NaN values are never outliers.

    Raises
    ------
    ValueError
        If ``alpha`` is not between 0 and 1.
    """
    if not 0 < alpha < 1:
        msg = f"alpha must lie between 0 and 1, not {alpha!r}"
        raise ValueError(msg)
    x = np.asarray(values, dtype=float)
    finite = np.flatnonzero(np.isfinite(x))
    n = len(finite)
    r = max(0, min(max_outliers, n - 3))
    order = finite[np.argsort(x[finite], kind="stable")]
    taken, statistic = _take_away(x[order], r)
    critical = _critical(n, r, alpha)
    above = np.flatnonzero(statistic > critical)
    count = above[-1] + 1 if len(above) else 0
    return EsdTest(outliers=order[taken[:count]], statistic=statistic, critical=critical)


@functools.lru_cache(maxsize=16)  # Student's t is slow, and the quantities of one servo need the same
def _critical(n: int, r: int, alpha: float) -> Array:
    """(r,) values that the studentised deviates of the 1st to r-th value taken away from n must exceed."""
    i = np.arange(1, r + 1)
    dof = n - i - 1.0
    t = stdtrit(dof, 1 - alpha / (2 * (n - i + 1.0)))
    return np.asarray((n - i) * t / np.sqrt((dof + t**2) * (n - i + 1)), dtype=float)


def _take_away(ascending: Array, r: int) -> tuple[NDArray[np.intp], Array]:
    """Positions of the ``r`` values farthest from the running mean, and their studentised deviates.

    The order in which values go follows from a running sum. Means and sums of squares are then built up from what is
    left at the end, putting back one value after the other (B. P. Welford, Technometrics 4, 1962): taking a value away
    from them would cost the digits of smaller ones.
    """
    centred = ascending - np.median(ascending) if len(ascending) else ascending
    scale = np.max(np.abs(centred), initial=0.0) or 1.0
    z: list[float] = (centred / scale).tolist()
    taken = []
    low, high, total = 0, len(z) - 1, math.fsum(z)
    for _ in range(r):
        if z[high] + z[low] >= 2 * total / (high - low + 1):
            taken.append(high)
            high -= 1
        else:
            taken.append(low)
            low += 1
        total -= z[taken[-1]]
    rest = np.array(z[low : high + 1])
    n, mean = len(rest), float(rest.mean()) if len(rest) else 0.0
    squares = float(((rest - mean) ** 2).sum())
    statistic = np.zeros(r)
    for i in range(r - 1, -1, -1):
        value = z[taken[i]]
        n, away = n + 1, value - mean
        mean += away / n
        squares += away * (value - mean)
        sd = math.sqrt(squares / (n - 1))
        # below this the rest is constant but for rounding: nothing stands out of it
        statistic[i] = abs(value - mean) / sd if sd > 1e-14 else 0.0
    return np.array(taken, dtype=np.intp), statistic


def grubbs(values: ArrayLike, alpha: float = 0.05, *, two_sided: bool = True) -> GrubbsTest:
    """Test whether the value farthest from the mean (one-sided: the largest) is an outlier.

    F. E. Grubbs, Technometrics 11 (1969) 1-21; NIST/SEMATECH e-Handbook 1.3.5.17.1.

    Raises
    ------
    ValueError
        If there are fewer than 3 values.
    """
    x = np.asarray(values, dtype=float)
    n = len(x)
    if n < 3:
        msg = f"Grubbs' test needs 3 values or more, not {n}"
        raise ValueError(msg)
    deviation = np.abs(x - x.mean()) if two_sided else x - x.mean()
    index = int(np.argmax(deviation))
    sd = x.std(ddof=1)
    g = float(deviation[index] / sd) if sd > 0 else 0.0
    t = stdtrit(n - 2.0, 1 - alpha / ((2 if two_sided else 1) * n))
    critical = float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))
    return GrubbsTest(index=index, statistic=g, critical=critical, outlier=g > critical)


def modified_z(values: ArrayLike) -> Array:
    """Modified z-scores ``0.6745 (x - median) / MAD`` (B. Iglewicz and D. Hoaglin, 1993; above 3.5: suspect).

    Where more than half of the values are equal the MAD is 0; the mean absolute deviation then takes its place
    (``(x - median) / (1.2533 mean|x - median|)``), and all scores are 0 if that is 0 too. NaN stays NaN.
    """
    x = np.asarray(values, dtype=float)
    if not np.isfinite(x).any():
        return np.full(x.shape, np.nan)
    median = np.nanmedian if np.isnan(x).any() else np.median  # the same, but nanmedian is slow
    deviation = x - median(x)
    mad = median(np.abs(deviation))
    if mad > 0:
        return np.asarray(0.6745 * deviation / mad, dtype=float)
    mean = np.nanmean(np.abs(deviation))
    return np.asarray(deviation / (np.sqrt(np.pi / 2) * mean) if mean > 0 else deviation * 0.0, dtype=float)
