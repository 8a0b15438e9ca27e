"""Fewer points for the same picture: extremes and corners are kept, nothing is averaged away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def min_max_rows(value: Array, bins: int) -> NDArray[np.intp]:
    """Return the rows to keep so that each of ``bins`` equal stretches keeps its least and its greatest value.

    The first and the last row are kept, too; NaN is never an extreme. Series of up to ``2 * bins`` rows are kept whole.
    """
    n = len(value)
    if n <= 2 * bins:
        return np.arange(n)
    starts = np.linspace(0, n, bins, endpoint=False).astype(int)
    known = ~np.isnan(value)
    some = np.logical_or.reduceat(known & np.isfinite(value), starts)
    least = _first_rows(np.where(known, value, np.inf), np.minimum, starts)[some]
    greatest = _first_rows(np.where(known, value, -np.inf), np.maximum, starts)[some]
    return np.unique(np.concatenate([[0, n - 1], least, greatest]))


def _first_rows(x: Array, extreme: np.ufunc, starts: NDArray[np.intp]) -> NDArray[np.intp]:
    """First row of each stretch at which it takes its extreme."""
    at = np.repeat(extreme.reduceat(x, starts), np.diff(starts, append=len(x)))
    rows = np.flatnonzero(x == at)
    return rows[np.searchsorted(rows, starts)]


def corner_rows(x: Array, curves: list[Array], tolerance: float) -> NDArray[np.intp]:
    """Return the rows to keep so that straight lines between them stay within ``tolerance`` of every curve.

    Splits at the row that is farthest off, as long as one is too far (the line-simplification rule of Ramer 1972 and
    Douglas and Peucker 1973, with vertical distances). Rows must be finite.
    """
    if len(x) < 3:
        return np.arange(len(x))
    y = np.array(curves)
    keep = {0, len(x) - 1}
    spans = [(0, len(x) - 1)]
    while spans:
        lo, hi = spans.pop()
        if hi - lo < 2:
            continue
        inner = slice(lo + 1, hi)
        straight = y[:, lo, None] + (y[:, hi] - y[:, lo])[:, None] * (x[inner] - x[lo]) / (x[hi] - x[lo])
        off = np.abs(y[:, inner] - straight).max(axis=0)
        worst = int(np.argmax(off))
        if off[worst] > tolerance:
            middle = lo + 1 + worst
            keep.add(middle)
            spans += [(lo, middle), (middle, hi)]
    return np.array(sorted(keep))
