"""Do the pieces that a signal was cut into look alike? Only then are they cycles of one pattern."""

from __future__ import annotations

import numpy as np

from benchlab.servo.samples import WHOLE, Read, spread
from benchlab.servo.windows import Array, Rows

_MOST = 400
_POINTS = 48
"""Points that a piece is looked at in."""
ALIKE_CURRENT = 0.7
"""The same of a current, whose noise is larger."""
ALIKE, SURELY = 0.85, 0.98
"""Usual correlation of a cycle of command or position with the mean of the others (pieces of noise: below 0.75); above
the second nothing else need be tried."""
_EVEN, _EVEN_SHARE = 0.25, 0.7
"""Lengths within this share of the usual are even; so many must be (of a sweep: half)."""
_DIFFER_SE, _DIFFER_SHARE = 8.0, 0.01


def courses(read: Read, rows: int, start: Rows, stop: Rows, points: int = _POINTS) -> Array:
    """Signal of so many rows over each piece of it, stretched to one length. Shape (pieces, points)."""
    out = np.empty((len(start), points))
    share = (np.arange(points) + 0.5) / points
    last = None
    for i, (a, b) in enumerate(zip(start.tolist(), stop.tolist(), strict=True)):
        first = max(a - 1, 0)
        x = read(first, min(b + 1, rows))
        shape = a - first, b - a, len(x)
        if shape != last:  # most are of one length
            last = shape
            at = np.clip(a - first + (b - a) * share - 0.5, 0, len(x) - 1)
            low = np.minimum(at.astype(np.intp), max(len(x) - 2, 0))
            high, part = np.minimum(low + 1, len(x) - 1), at - low
        out[i] = x[low] + (x[high] - x[low]) * part
    return out


def likeness(read: Read, rows: int, start: Rows, stop: Rows) -> float:
    """Median over the pieces of the correlation between one and the mean of the others; 0 for fewer than two.

    Of a long signal some pieces that are evenly spread are looked at.
    """
    if len(start) < 2:
        return 0.0
    some = spread(len(start), len(start) if rows <= WHOLE else _MOST)
    piece = courses(read, rows, start[some], stop[some])
    piece = piece - piece.mean(axis=1, keepdims=True)
    size = np.linalg.norm(piece, axis=1, keepdims=True)
    unit = np.divide(piece, size, out=np.zeros_like(piece), where=size > 0)
    others = unit.sum(axis=0) - unit
    far = np.linalg.norm(others, axis=1)
    agreement = np.divide((unit * others).sum(axis=1), far, out=np.zeros(len(far)), where=far > 0)
    return float(np.median(agreement))


def even(length: Rows) -> bool:
    """Whether pieces are of about one length."""
    usual = np.median(length)
    return bool((np.abs(length - usual) <= _EVEN * usual).mean() >= _EVEN_SHARE)


def every_other_differs(read: Read, rows: int, start: Rows, stop: Rows) -> bool:
    """Whether odd and even pieces have courses of their own: then two of them make one cycle.

    Compared with the scatter within each of the two sets, point by point.
    """
    if len(start) < 8:
        return False
    piece = courses(read, rows, start, stop)
    # slow changes (run-in, warming) are the same for neighbours
    pairs = piece[: len(piece) // 2 * 2].reshape(-1, 2, piece.shape[1])
    difference = pairs[:, 0] - pairs[:, 1]
    mean = np.median(difference, axis=0)
    error = 1.2533 * 1.4826 * np.median(np.abs(difference - mean), axis=0) / np.sqrt(len(difference))
    least = np.maximum(_DIFFER_SE * error, _DIFFER_SHARE * np.ptp(np.median(piece, axis=0)))
    return bool((np.abs(mean) > least).sum() >= 2)
