"""Statistics over many windows of rows at once: a window is ``[start, stop)`` in a long array of samples.

``whole``: no sample is known to be missing, so that nobody need look.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
T = TypeVar("T", bound=np.generic)

_CLIP = 5.0
"""Rest samples farther from the window's median than this many robust standard deviations are glitches."""
_TABLE = 2**17
"""Samples that are sorted at a time."""
_LONG = 2**12
"""Of so many values on, sorting before a median or quantile saves more than it costs."""
_TAIL = 0.9
"""Of quantiles beyond this share of the places only the upper end is sorted."""


def flatten(start: Rows, stop: Rows) -> tuple[Rows, Rows]:
    """Return all rows of the windows one after another, and the window that each belongs to."""
    length = np.maximum(stop - start, 0)
    before = np.cumsum(length) - length
    return np.repeat(start - before, length) + np.arange(length.sum()), np.repeat(np.arange(len(start)), length)


def in_blocks(start: Rows, stop: Rows, block: int) -> Iterator[tuple[slice, int, int]]:
    """Yield windows in ascending order of their ends, some at a time, and the rows from the first to the last of them.

    They are those that end within one block of rows.
    """
    edges = np.searchsorted(stop, np.arange(0, int(stop.max(initial=0)) + block, block), side="right")
    for first, last in pairwise(np.concatenate([[0], edges, [len(stop)]]).tolist()):
        if last > first:
            yield slice(first, last), int(start[first:last].min()), int(stop[first:last].max())


def middle(x: Array) -> float:
    """Median of the finite values, NaN where there is none."""
    finite = x[np.isfinite(x)]
    return float(np.median(ascending(finite))) if len(finite) else float("nan")


def ascending(x: Array) -> Array:
    """Sort before a median or quantile is taken: numpy sorts with vectors, but picks several places without them."""
    return np.sort(x) if len(x) > _LONG else x


def mean(x: Array, start: Rows, stop: Rows, *, whole: bool = False) -> Array:
    """Mean of the finite samples of each window, NaN where there is none. Shape (windows,)."""
    total, count = total_and_count(x, start, stop, whole=whole)
    return ratio(total, count)


def total_and_count(x: Array, start: Rows, stop: Rows, *, whole: bool = False) -> tuple[Array, Array]:
    """Sum and number of the finite samples of each window. A window's sum depends on its own rows alone."""
    if whole or (ok := np.isfinite(x)).all():
        return total(x, start, stop), np.maximum(stop - start, 0).astype(float)
    return total(np.where(ok, x, 0.0), start, stop), total(ok.astype(float), start, stop)


def total(x: Array, start: Rows, stop: Rows) -> Array:
    """Sum of the samples of each window."""
    return _reduce(np.add, x, start, stop, 0.0)


def ratio(total: Array, count: Array) -> Array:
    """``total / count``, NaN where nothing was counted."""
    return np.asarray(np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0))


def group_mean(value: Array, group: Rows, n: int) -> Array:
    """Mean of the finite values of each group 0 .. n - 1, NaN where there is none."""
    ok = np.isfinite(value) & (group >= 0)
    if not ok.all():
        value, group = value[ok], group[ok]
    count = np.bincount(group, minlength=n)
    total = np.bincount(group, weights=value, minlength=n)
    return ratio(np.asarray(total, dtype=float), np.asarray(count, dtype=float))


def robust(x: Array, start: Rows, stop: Rows, step: float, *, whole: bool = False) -> tuple[Array, Array, Array]:
    """Mean, standard deviation and number of the samples of each window, glitches left out.

    Left out is what lies farther from the window's median than 5 robust standard deviations (1.4826 MAD) and more
    than one and a half steps of the reading.
    """
    if not whole:
        x, start, stop = _finite(x, start, stop)
    count = np.maximum(stop - start, 0)
    mean, sd, number = np.full(len(count), np.nan), np.full(len(count), np.nan), count.astype(float)
    for of in _alike(count):
        n = count[of]
        away = _table(x, start[of], n)
        buffer = away.copy()
        middle = _of_table(buffer, n, (0.5,))[0]
        away -= middle[:, None]
        spread = 1.4826 * _of_table(np.abs(away, out=buffer), n, (0.5,))[0]
        limit = np.maximum(_CLIP * spread, 1.5 * step)
        first = np.arange(len(n)) * away.shape[1]
        # sorted by now
        if (buffer[np.arange(len(n)), n - 1] > limit).any():
            keep = np.abs(away) <= limit[:, None]
            away[~keep] = 0.0
            number[of] = total(keep.ravel().astype(float), first, first + n)
        rest = ratio(total(away.ravel(), first, first + n), number[of])
        square = total(np.square(away, out=buffer).ravel(), first, first + n) - number[of] * rest**2
        mean[of], sd[of] = middle + rest, np.sqrt(ratio(np.maximum(square, 0.0), np.maximum(number[of] - 1, 0.0)))
    return mean, sd, number


def ragged(x: NDArray[T], start: Rows, stop: Rows) -> NDArray[T]:
    """Samples of the windows one after another."""
    gap = start[1:] - stop[:-1]
    if not len(start) or (gap < 0).any() or (stop < start).any():
        return x[flatten(start, stop)[0]]
    x = x[start[0] : stop[-1]]
    if not gap.any():
        return x
    lengths = np.column_stack([stop - start, np.append(gap, 0)]).ravel()
    inside: NDArray[np.bool_] = np.repeat(np.arange(len(lengths)) % 2 == 0, lengths)
    return x[inside]


def _finite(x: Array, start: Rows, stop: Rows) -> tuple[Array, Rows, Rows]:
    """Samples without those that are missing, and the windows among them."""
    ok = np.isfinite(x)
    if ok.all():
        return x, start, stop
    before = np.zeros(len(x) + 1, dtype=np.intp)
    np.cumsum(ok, out=before[1:])
    return x[ok], before[start], before[np.maximum(stop, start)]


def group_median(value: Array, window: Rows, n: int) -> Array:
    """Median of the (finite) values of each group 0 .. n - 1, NaN where there is none."""
    if not (np.diff(window) >= 0).all():
        order = np.argsort(window, kind="stable")
        value, window = value[order], window[order]
    count = np.bincount(window, minlength=n)
    return np.asarray(_quantiles(value, np.cumsum(count) - count, count, (0.5,))[0])


def quantile(x: Array, start: Rows, stop: Rows, q: float, *, whole: bool = False) -> Array:
    """Quantile of the finite samples of each window (linear interpolation between order statistics)."""
    return np.asarray(quantiles(x, start, stop, (q,), whole=whole)[0])


def quantiles(x: Array, start: Rows, stop: Rows, q: tuple[float, ...], *, whole: bool = False) -> Array:
    """Quantiles of the finite samples of each window. Shape (quantiles, windows)."""
    if not whole:
        x, start, stop = _finite(x, start, stop)
    return _quantiles(x, start, np.maximum(stop - start, 0), q)


def _quantiles(x: Array, start: Rows, count: Rows, q: tuple[float, ...]) -> Array:
    """Quantiles of windows of samples that are all finite."""
    out = np.full((len(q), len(start)), np.nan)
    for of in _alike(count):
        out[:, of] = _of_table(_table(x, start[of], count[of]), count[of], q)
    return out


def _alike(count: Rows) -> Iterator[Rows]:
    """Yield windows that are not empty, some of about one length at a time.

    They are the rows of a table, filled up with infinity: whole tables are sorted far faster than windows.
    """
    size = np.frexp(count.astype(float))[1]
    for one in np.flatnonzero(np.bincount(size[count > 0])):
        alike = np.flatnonzero(size == one)
        most = max(_TABLE >> int(one), 1)
        for begin in range(0, len(alike), most):
            yield alike[begin : begin + most]


def _table(x: Array, start: Rows, count: Rows) -> Array:
    longest = int(count.max())
    if (start + longest <= len(x)).all():
        table = np.lib.stride_tricks.sliding_window_view(x, longest)[start]
    else:
        table = x[np.minimum(start[:, None] + np.arange(longest), len(x) - 1)]
    if (count != longest).any():
        table[np.arange(longest) >= count[:, None]] = np.inf
    return table


def _of_table(table: Array, count: Rows, q: tuple[float, ...]) -> Array:
    """Quantiles of the rows of a table whose first ``count`` places are filled."""
    place = np.array(q)[:, None] * (count - 1)
    low = np.floor(place).astype(np.intp)
    high = np.minimum(low + 1, count - 1)
    # sorting is vectorised, and so is picking one place, but not picking several: a fifth of the time
    lowest = int(low.min())
    if lowest > _TAIL * table.shape[1]:
        table.partition(lowest, axis=1)
        table[:, lowest:].sort(axis=1)
    else:
        table.sort(axis=1)
    row = np.arange(len(table))
    a, b = table[row, low], table[row, high]
    return np.asarray(a + (b - a) * (place - low))


def lowest(x: Array, start: Rows, stop: Rows, *, whole: bool = False) -> Array:
    """Smallest finite sample of each window, NaN where there is none."""
    return _extreme(np.fmin, x, start, stop, whole)


def highest(x: Array, start: Rows, stop: Rows, *, whole: bool = False) -> Array:
    """Largest finite sample of each window, NaN where there is none."""
    return _extreme(np.fmax, x, start, stop, whole)


def _extreme(f: np.ufunc, x: Array, start: Rows, stop: Rows, whole: bool) -> Array:
    if not (whole or np.isfinite(x).all()):
        x = np.where(np.isfinite(x), x, np.nan)
    return _reduce(f, x, start, stop, np.nan)


def first_true(mask: NDArray[np.bool_], start: Rows, stop: Rows) -> Rows:
    """First row of each window at which the mask is true, -1 where it nowhere is."""
    # where it turns true: far fewer rows than those at which it is
    turns = np.append(np.flatnonzero(mask[1:] > mask[:-1]) + 1, len(mask))
    mask = np.append(mask, False)
    row = np.where(mask[start], start, turns[np.searchsorted(turns[:-1], start)])
    return np.where(row < stop, row, -1).astype(np.intp)


def window_of(row: Rows, end: Rows) -> Rows:
    """Which window each of some ascending rows lies in, where one window begins with the end of the one before."""
    if not len(row):
        return np.zeros(0, dtype=np.intp)
    first, last = np.searchsorted(end, row[[0, -1]], side="right").tolist()
    edge = np.searchsorted(row, end[first:last])
    return np.repeat(np.arange(first, last + 1), np.diff(edge, prepend=0, append=len(row)))


def _reduce(f: np.ufunc, x: NDArray[Any], start: Rows, stop: Rows, empty: float) -> NDArray[Any]:
    # reduceat takes pairs (start, stop) of its index list; every second result is a window
    if not len(start):
        return np.zeros(0)
    if not len(x):
        return np.full(len(start), empty)
    pairs = np.column_stack([start, np.maximum(stop, start)]).ravel()
    if pairs[-1] == len(x) and pairs[:-1].max() < len(x):
        pairs = pairs[:-1]  # the last window goes to the end in any case
    elif pairs.max() >= len(x):
        x = np.append(x, empty)
    return np.where(stop > start, f.reduceat(x, pairs)[::2], empty)
