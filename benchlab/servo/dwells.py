"""Dwells: the stretches in which a command stands still or a servo rests, and the pattern in which they repeat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from benchlab.procedure import ServoProcedure
from benchlab.servo import windows
from benchlab.servo.windows import Array, Rows

LOW, NEUTRAL, HIGH, BETWEEN = -1, 0, 1, 2

REPEATS, REPEATS_SEEN = 0.9, 0.8
"""Share of the dwells that must agree with the one a period later; rests of a position, where a servo may fail to
come, less."""
_LONGEST_PATTERN = 16
_LONGEST = 2**16
_SAME_LEVEL = 0.1
"""Levels within this share of the span are one level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwells:
    """Rests in order of time. Row ranges are ``[start, stop)``."""

    start: Rows
    stop: Rows
    level: Array
    """Mean of the signal at rest."""
    kind: NDArray[np.intp]
    """LOW, NEUTRAL or HIGH within the span of its neighbours; BETWEEN: a level of a staircase that is none of these."""
    log: NDArray[np.intp]
    cycle: NDArray[np.intp]
    """Index of the cycle the dwell belongs to, -1 for none."""
    place: NDArray[np.intp]
    """Place in the pattern, -1 outside of complete cycles: strokes of one place are of one kind."""
    pattern: tuple[int, ...]
    """Kinds of one repeat, empty where none was found."""

    def __len__(self) -> int:
        return len(self.start)

    @property
    def follows(self) -> NDArray[np.bool_]:
        """Whether the dwell before belongs to the same log: only then was the stroke between them seen."""
        return np.concatenate([[False], np.diff(self.log) == 0]) if len(self) else np.zeros(0, dtype=bool)


def longest(length: Rows) -> int:
    """Rows at which a window far longer than the others is cut, so that a bench left on over night needs no memory."""
    return int(max(_LONGEST, 4 * np.median(length))) if len(length) else _LONGEST


def classified(
    start: Rows, stop: Rows, level: Array, log: NDArray[np.intp], procedure: ServoProcedure, agreement: float
) -> Dwells:
    """Call each dwell low, neutral or high by its place in the span of the dwells around it.

    ``agreement``: share of the dwells that must agree with the one a period later for a pattern to repeat.
    """
    around = 9
    low = minimum_filter1d(level, around, mode="nearest")
    span = np.maximum(maximum_filter1d(level, around, mode="nearest") - low, 1e-12)
    share = (level - low) / span
    kind = np.where(share <= procedure.cutting.edge_low, LOW, np.where(share >= procedure.cutting.edge_high, HIGH, 0))
    dwells = Dwells(
        start=start, stop=stop, level=level, kind=kind.astype(np.intp), log=log, cycle=np.full(len(start), -1),
        place=np.full(len(start), -1), pattern=(),
    )  # fmt: skip
    return replace(dwells, pattern=_pattern(dwells, agreement))


def _pattern(dwells: Dwells, agreement: float) -> tuple[int, ...]:
    """Return the kinds of one repeat, beginning with a rise to the high end; empty if nothing repeats."""
    kind = dwells.kind
    rise = np.flatnonzero((kind[1:] == HIGH) & (kind[:-1] != HIGH)) + 1
    if len(kind) and kind[0] == HIGH:
        rise = np.concatenate([[0], rise])
    for p in range(2, min(_LONGEST_PATTERN, len(kind) // 2) + 1):
        if (kind[p:] == kind[:-p]).mean() < agreement:
            continue
        whole = rise[rise + p <= len(kind)]
        if not len(whole):
            continue
        # the commonest repeat: a pause in the middle may put the later ones out of step
        seen, count = np.unique(kind[whole[:, None] + np.arange(p)], axis=0, return_counts=True)
        pattern = tuple(int(k) for k in seen[count.argmax()])
        if LOW in pattern and pattern[-1] != HIGH:
            return pattern
    return ()


def number_cycles(dwells: Dwells, *, disturbed: bool = False) -> tuple[Dwells, int]:
    """Assign the dwells to complete cycles, numbered from 0; return them and how many cycles there are.

    A cycle begins with the rise to the high end. If a log holds a whole number of cycles from its first complete dwell
    on (or from the middle of a dwell to the middle of the same), it begins there instead, so that none is lost.
    ``disturbed``: rests of a position, where a cycle counts too in which the servo did not come to where it should,
    if half of it is as usual and the next is in step again; its dwells then get the kinds that they should have had.
    """
    cycle, place, kind = np.full(len(dwells), -1), np.full(len(dwells), -1), dwells.kind.copy()
    count = 0
    for one in np.unique(dwells.log):
        count = _number_log(dwells, np.flatnonzero(dwells.log == one), (cycle, place, kind), count, disturbed)
    return _named(replace(dwells, cycle=cycle, place=place, kind=kind)), count


def _number_log(dwells: Dwells, index: Rows, out: tuple[NDArray[np.intp], ...], count: int, disturbed: bool) -> int:
    cycle, place, kinds = out
    p = len(dwells.pattern)
    kind = dwells.kind[index]
    first, last = _whole_range(kind, dwells.stop[index] - dwells.start[index], p)
    turn = 0
    if last - first > 0 and (last - first) % p == 0:
        turns = [r for r in range(p) if np.array_equal(np.roll(dwells.pattern, -r), kind[first : first + p])]
        turn = turns[0] if turns else 0
    order = (turn + np.arange(p)) % p
    pattern = np.array(dwells.pattern)[order]
    i = first
    while i + p <= last:
        here, then = kind[i : i + p] == pattern, kind[i + p : min(i + 2 * p, last)]
        if here.all() or (disturbed and here.mean() >= 0.5 and np.array_equal(then, pattern[: len(then)])):
            at = index[i : i + p]
            cycle[at], place[at], kinds[at] = count, order, pattern
            count += 1
            i += p
        else:
            i += 1
    return count


def _named(dwells: Dwells) -> Dwells:
    """Call BETWEEN what is neither at an end nor at neutral: the other levels of a staircase."""
    p = len(dwells.pattern)
    if p <= 4:
        return dwells
    level, around = dwells.level, 2 * p + 1
    low = minimum_filter1d(level, around, mode="nearest")
    span = np.maximum(maximum_filter1d(level, around, mode="nearest") - low, 1e-12)
    share = windows.group_median((level - low) / span, np.where(dwells.place < 0, p, dwells.place), p + 1)[:p]
    pattern = np.array(dwells.pattern)
    high, low_end, mid = pattern == HIGH, pattern == LOW, pattern == NEUTRAL
    keep = (high & (share >= share[high].max() - _SAME_LEVEL)) | (
        low_end & (share <= share[low_end].min() + _SAME_LEVEL)
    )
    one = mid.any() and np.ptp(share[mid]) <= _SAME_LEVEL
    keep |= mid & (np.abs(share - 0.5) <= _SAME_LEVEL if not one else True)
    named = np.where(keep, pattern, BETWEEN)
    kind = np.where(dwells.place >= 0, named[np.maximum(dwells.place, 0)], dwells.kind)
    return replace(dwells, kind=kind)


def random_times(dwells: Dwells) -> bool:
    """Whether the levels are held for random multiples of a shortest time, as a random binary signal holds them.

    That is: a third or more of the dwells last hardly longer than the shortest, others three times as long or more, and
    their lengths do not repeat. Lengths that merely scatter have no such heap at their lower end.
    """
    every = np.diff(dwells.start).astype(float)[dwells.follows[1:]]
    if len(every) < 2 * _LONGEST_PATTERN:
        return False
    for p in range(2, _LONGEST_PATTERN + 1):
        if (np.abs(every[p:] - every[:-p]) <= 0.15 * every[:-p] + 1).mean() >= REPEATS:
            return False
    shortest, longest = np.quantile(every, [0.05, 0.95])
    return bool((every <= 1.15 * shortest + 1).mean() > 1 / 3 and longest >= 3 * shortest)


def _whole_range(kind: NDArray[np.intp], length: Rows, p: int) -> tuple[int, int]:
    """First complete dwell and one past the last, where a log begins or ends in the middle of one."""
    n = len(kind)
    if n < p + 1:
        return 0, n

    def share(i: int) -> float:
        same = np.flatnonzero(kind == kind[i])
        same = same[(same != 0) & (same != n - 1)]
        return float(length[i] / np.quantile(length[same], 0.05)) if len(same) else 1.0

    head, tail = share(0), share(n - 1)
    whole = 0.9  # nine tenths of what nearly all others last: long enough to settle
    if head < whole and tail < whole and (n - 1) % p == 0 and abs(head + tail - 1) < 0.15:
        return 1, n
    return int(head < whole), n - int(tail < whole)
