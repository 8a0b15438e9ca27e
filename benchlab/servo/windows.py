"""Statistics over many windows of rows at once: a window is ``[start, stop)`` in a long array of samples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

_CLIP = 5.0
"""Rest samples farther from the window's median than this many robust standard deviations are glitches."""


def flatten(start: Rows, stop: Rows) -> tuple[Rows, Rows]:
    """Return all rows of the windows one after another, and the window that each belongs to."""
    length = np.maximum(stop - start, 0)
    window = np.repeat(np.arange(len(start)), length)
    offset = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length, length)
    return start[window] + offset, window


def middle(x: Array) -> float:
    """Median of the finite values, NaN where there is none."""
    finite = x[np.isfinite(x)]
    return float(np.median(finite)) if len(finite) else float("nan")


def mean(x: Array, start: Rows, stop: Rows) -> Array:
    """Mean of the finite samples of each window, NaN where there is none. Shape (windows,)."""
    clean = np.where(np.isfinite(x), x, 0.0)
    total = _running(clean)
    count = _running(np.isfinite(x).astype(float))
    n = count[stop] - count[start]
    return _ratio(total[stop] - total[start], n)


def _ratio(total: Array, count: Array) -> Array:
    return np.asarray(np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0))


def _running(x: Array) -> Array:
    out = np.zeros(len(x) + 1)
    np.cumsum(x, out=out[1:])
    return out


def group_mean(value: Array, group: Rows, n: int) -> Array:
    """Mean of the finite values of each group 0 .. n - 1, NaN where there is none."""
    ok = np.isfinite(value) & (group >= 0)
    count = np.bincount(group[ok], minlength=n)
    total = np.bincount(group[ok], weights=value[ok], minlength=n)
    return _ratio(np.asarray(total, dtype=float), np.asarray(count, dtype=float))


def robust(x: Array, start: Rows, stop: Rows, step: float) -> tuple[Array, Array, Array]:
    """Mean, standard deviation and number of the samples of each window, glitches left out.

    Left out is what lies farther from the window's median than 5 robust standard deviations (1.4826 MAD) and more
    than one and a half steps of the reading.
    """
    row, window = flatten(start, stop)
    v = x[row]
    ok = np.isfinite(v)
    v, window = v[ok], window[ok]
    n = len(start)
    middle = group_median(v, window, n)
    deviation = np.abs(v - middle[window])
    spread = 1.4826 * group_median(deviation, window, n)
    keep = deviation <= np.maximum(_CLIP * spread, 1.5 * step)[window]
    v, window = v[keep], window[keep]
    count = np.bincount(window, minlength=n).astype(float)
    average = group_mean(v, window, n)
    square = np.bincount(window, weights=(v - average[window]) ** 2, minlength=n)
    sd = np.sqrt(np.divide(square, count - 1, out=np.full(n, np.nan), where=count > 1))
    return average, sd, count


def group_median(value: Array, window: Rows, n: int) -> Array:
    """Median of the (finite) values of each group 0 .. n - 1, NaN where there is none."""
    return _quantile(value, window, n, 0.5)


def _quantile(value: Array, window: Rows, n: int, q: float) -> Array:
    """Quantile (linear interpolation) of each group; ``value`` finite, groups in any order."""
    count = np.bincount(window, minlength=n)
    first = np.cumsum(count) - count
    ordered = _ordered(value, window, count, first)
    place = q * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.intp)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    out = np.full(n, np.nan)
    some = count > 0
    a, b = ordered[(first + low)[some]], ordered[(first + high)[some]]
    out[some] = a + (b - a) * (place - low)[some]
    return out


def _ordered(value: Array, window: Rows, count: Rows, first: Rows) -> Array:
    """Values of each group in ascending order, one group after another."""
    longest = int(count.max(initial=0))
    if (np.diff(window) >= 0).all() and longest * len(count) <= 3 * len(value):
        # groups of about one length, in order: rows of a table, filled up with infinity, are sorted far faster
        table = np.full((len(count), longest), np.inf)
        table[window, np.arange(len(value)) - first[window]] = value
        table.sort(axis=1)
        return table[np.arange(longest) < count[:, None]]
    return value[np.lexsort((value, window))]


def quantile(x: Array, start: Rows, stop: Rows, q: float) -> Array:
    """Quantile of the finite samples of each window (linear interpolation between order statistics)."""
    row, window = flatten(start, stop)
    v = x[row]
    ok = np.isfinite(v)
    return _quantile(v[ok], window[ok], len(start), q)


def lowest(x: Array, start: Rows, stop: Rows) -> Array:
    """Smallest finite sample of each window, NaN where there is none."""
    filled = np.append(np.where(np.isfinite(x), x, np.inf), np.inf)
    out = _reduce(np.minimum, filled, start, stop, np.inf)
    return np.where(np.isfinite(out), out, np.nan)


def highest(x: Array, start: Rows, stop: Rows) -> Array:
    """Largest finite sample of each window, NaN where there is none."""
    return -lowest(-x, start, stop)


def first_true(mask: NDArray[np.bool_], start: Rows, stop: Rows) -> Rows:
    """First row of each window at which the mask is true, -1 where it nowhere is."""
    n = len(mask)
    filled = np.append(np.where(mask, np.arange(n), n), n)
    out = _reduce(np.minimum, filled, start, stop, n)
    return np.where(out < n, out, -1).astype(np.intp)


def _reduce(f: np.ufunc, filled: NDArray[Any], start: Rows, stop: Rows, empty: float) -> NDArray[Any]:
    # reduceat takes pairs (start, stop) of its index list; every second result is a window
    if not len(start):
        return np.zeros(0)
    pairs = np.column_stack([start, np.maximum(stop, start)]).ravel()
    out = f.reduceat(filled, pairs)[::2]
    return np.where(stop > start, out, empty)
