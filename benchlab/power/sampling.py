"""What happened between two rows of a log: how far it can misplace a charge or an energy.

Three facts about the edges of a load decide it. *Where* in its interval a jump lay is unknown (uniform). Edges that
take a row between their ends (a logger that averages over its interval, or a load that rises slowly) are placed by it:
the trapezoidal rule is then exact, and edges of length p h (p between 0 and 1) misplace (1 - p) of what jumps do.
Pulses that repeat in step with the log are all misread alike: their errors add up, they do not average out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BIG_SHARE = 0.02
"""Changes above this share of the span, and far above noise, are edges."""
_SURE = 4.0
"""Edges this many times larger than the smallest that is seen tell whether a row lies within them."""
_ALIKE, _LEAST_PULSES = 0.95, 5
_SAME_SIZE = 0.25
"""A rise and a fall that differ by less than this share are those of one pulse."""
_SIZE_CLASS = 0.2
"""Width (natural logarithm) of the classes of size in which pulses are compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """How the edges of a load look in its log."""

    smooth: float
    """Length of an edge as a share of the interval, 0 (jumps) to 1; the low end of what the log shows."""
    in_step: NDArray[np.intp]
    """(n - 1,) 0, or the number of the class of pulses in step with the log that the interval bounds."""

    @property
    def any_in_step(self) -> bool:
        """Whether pulses repeat in step with the log."""
        return bool(self.in_step.any())


def find_edges(x: Array, interval: Array, noise: float) -> Edges:
    """Look at the edges of a load: one entry of ``interval`` per change, 0 where nothing was recorded."""
    change = np.where(interval > 0, np.diff(x), 0.0)
    least = max(10 * noise, _BIG_SHARE * float(np.ptp(x)))
    big = np.where(np.abs(change) > least, np.sign(change), 0.0)
    first, last = _runs(big)
    total = np.concatenate([[0.0], np.cumsum(change)])
    size = total[last + 1] - total[first]
    return Edges(smooth=_smooth(size, last - first + 1, least, len(change)),
                 in_step=_in_step(first, last, size, len(change)))  # fmt: skip


def sampling_uncertainty(x: Array, interval: Array, rows: Mask, noise: float, edges: Edges) -> float:
    """Standard uncertainty of the trapezoidal integral of ``x`` dt from what happened between the rows.

    A jump D somewhere in an interval h misplaces D h / sqrt(12); a pulse shorter than the interval, seen by chance in
    one row, its whole excursion times h; noise s of n readings s h sqrt(n).
    Pulses in step with the log, each D h / sqrt(6) long or short, add up linearly. Own derivation.
    """
    inside = rows[1:] & rows[:-1] & (interval > 0)
    weight = np.concatenate([[0.0], interval * inside / 2]) + np.concatenate([interval * inside / 2, [0.0]])
    change = np.diff(x)
    moved = np.where(inside & (np.abs(change) > 3 * math.sqrt(2) * noise), change * interval, 0.0)
    jumps = float(moved @ moved) / 12 + 5 / 6 * _short_pulses(moved)
    together = np.bincount(edges.in_step, np.abs(moved))[1:] / 2 / math.sqrt(6)
    return math.sqrt(noise**2 * float(weight @ weight) + (1 - edges.smooth) ** 2 * jumps + float(together @ together))


def _short_pulses(moved: Array) -> float:
    """Sum of squares of the pulses that are shorter than an interval, as far as the log shows that there are such.

    Pulses longer than an interval are seen in two rows about as often as in one; singles beyond that are short ones.
    """
    squares = []
    for rows in (1, 2):
        rise, fall = moved[:-rows], moved[rows:]
        pulse = (rise * fall < 0) & (np.abs(rise + fall) < _SAME_SIZE * np.abs(rise))
        if rows == 2:
            pulse &= moved[1:-1] == 0
        squares.append(float(-(rise[pulse] @ fall[pulse])))
    return max(squares[0] - squares[1], 0.0)


def _runs(sign: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last place of every run of the same non-zero sign."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0.0], sign, [0.0]])) != 0)
    first, stop = edge[:-1], edge[1:]
    flows = sign[first] != 0 if len(first) else np.zeros(0, dtype=bool)
    return first[flows], stop[flows] - 1


def _smooth(size: Array, length: NDArray[np.intp], least: float, n: int) -> float:
    """Share of edges with a row in them, freed of edges that follow each other by chance, less one standard deviation.

    A row close to an edge's end (within ``least``) is not seen: edges count with their chance of showing one.
    """
    sure = np.abs(size) > _SURE * least
    count = int(sure.sum())
    by_chance = len(size) / max(n, 1)  # edges of one sign per interval, on either side
    if count < _LEAST_PULSES or by_chance > 0.25:
        return 0.0
    seen = float((length[sure] > 1).sum()) / float((1 - 2 * least / np.abs(size[sure])).sum())
    share = min(max((seen - by_chance) / (1 - by_chance), 0.0), 1.0)
    return max(share - math.sqrt((share * (1 - share) + 1 / count) / count), 0.0)


def _in_step(first: NDArray[np.intp], last: NDArray[np.intp], size: Array, n: int) -> NDArray[np.intp]:
    """Classes of pulses that always last, and follow each other by, the same number of rows; two rows at least."""
    out = np.zeros(n, dtype=np.intp)
    if len(size) < 2 * _LEAST_PULSES:
        return out
    rise, fall = size[:-1], size[1:]
    pulse = np.flatnonzero((rise * fall < 0) & (np.abs(rise + fall) < _SAME_SIZE * np.abs(rise)))
    rows = first[pulse + 1] - first[pulse]
    kind = np.rint(np.log(np.abs(rise[pulse])) / _SIZE_CLASS) * np.sign(rise[pulse])
    found = 0
    for k in np.unique(kind):
        members = pulse[kind == k]
        if len(members) < _LEAST_PULSES or not _alike(rows[kind == k], 2) or not _alike(np.diff(first[members]), 2):
            continue
        found += 1
        for m in (*members.tolist(), *(members + 1).tolist()):
            out[first[m] : last[m] + 1] = found
    return out


def _alike(x: NDArray[np.intp], least: int) -> bool:
    """Whether nearly all are the same number, and that is ``least`` or more."""
    value, count = np.unique(x, return_counts=True)
    k = int(np.argmax(count))
    return bool(value[k] >= least and count[k] >= _ALIKE * len(x))
