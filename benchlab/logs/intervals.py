"""Sampling intervals of a stream of rows in bounded memory: quantiles and gaps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

Floats = np.ndarray[Any, np.dtype[np.float64]]

_PER_DECADE = 200  # bins of about one per cent; 1, 0.1 and 0.01 s stand in the middle of theirs, not at an edge
_DECADES = (-9, 8)
_MAX_LONG = 100_000
_STRETCH = 1 << 15
"""Intervals counted at a time, wherever blocks end: what is long is judged by those counted before."""


def _no_counts() -> np.ndarray[Any, np.dtype[np.int64]]:
    return np.zeros(_PER_DECADE * (_DECADES[1] - _DECADES[0]), dtype=np.int64)


@dataclass(kw_only=True)
class Intervals:
    """A histogram of the intervals (s), and the long ones by themselves."""

    counts: np.ndarray[Any, np.dtype[np.int64]] = field(default_factory=_no_counts)
    long: list[tuple[float, float]] = field(default_factory=list)
    """(start, size) of intervals three times the typical one and more, as many as fit."""

    _waiting: list[tuple[Floats, Floats]] = field(default_factory=list)
    _n_waiting: int = 0

    def add(self, start: Floats, size: Floats) -> None:
        """Count intervals that begin at ``start``."""
        self._waiting.append((start, size))
        self._n_waiting += len(size)
        if self._n_waiting >= _STRETCH:
            self._settle()

    def _settle(self, *, last: bool = False) -> None:
        if not self._waiting:
            return
        start, size = (np.concatenate(x) for x in zip(*self._waiting, strict=True))
        whole = len(size) if last else len(size) - len(size) % _STRETCH
        for k in range(0, whole, _STRETCH):
            self._count(start[k : min(k + _STRETCH, whole)], size[k : min(k + _STRETCH, whole)])
        self._waiting = [] if last else [(start[whole:].copy(), size[whole:].copy())]
        self._n_waiting = len(size) - whole

    def _count(self, start: Floats, size: Floats) -> None:
        least, most = _bins(np.array([size.min(), size.max()]))
        if least == most:
            self.counts[least] += len(size)
        else:
            self.counts += np.bincount(_bins(size), minlength=len(self.counts))
        long = 3 * self._quantile(0.5)
        if size.max() > long:
            at = np.flatnonzero(size > long)[: max(_MAX_LONG - len(self.long), 0)]
            self.long += zip(start[at].tolist(), size[at].tolist(), strict=True)

    def quantile(self, share: float) -> float:
        """Return an interval quantile, to about one per cent; NaN where there is no interval."""
        self._settle(last=True)
        return self._quantile(share)

    def _quantile(self, share: float) -> float:
        total = int(self.counts.sum())
        if not total:
            return float("nan")
        at = int(np.searchsorted(np.cumsum(self.counts), share * total, side="left"))
        return float(10 ** (at / _PER_DECADE + _DECADES[0]))

    def gaps(self, factor: float) -> list[tuple[float, float]]:
        """Return (start, size) of the intervals that are no part of the log's ordinary rhythm.

        Longer than ``factor`` typical intervals, and than three times the 95 % quantile: a log that is written on
        events has long intervals that are not gaps.
        """
        # a margin above the quantiles' own error: a pause of just that many steps is none, whatever its last digits say
        limit = 1.01 * max(factor * self.quantile(0.5), 3 * self.quantile(0.95))
        return [g for g in self.long if g[1] > limit]


def _bins(size: Floats) -> np.ndarray[Any, np.dtype[np.int64]]:
    exponent = np.log10(np.maximum(size, 10.0 ** _DECADES[0])) - _DECADES[0]
    return np.minimum((exponent * _PER_DECADE + 0.5).astype(np.int64), _PER_DECADE * (_DECADES[1] - _DECADES[0]) - 1)
