"""Sampling intervals of a stream of rows in bounded memory: quantiles and gaps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

Floats = np.ndarray[Any, np.dtype[np.float64]]

_PER_DECADE = 200  # bins of about one per cent
_DECADES = (-9, 8)
_MAX_LONG = 100_000


def _no_counts() -> np.ndarray[Any, np.dtype[np.int64]]:
    return np.zeros(_PER_DECADE * (_DECADES[1] - _DECADES[0]), dtype=np.int64)


@dataclass(kw_only=True)
class Intervals:
    """A histogram of the intervals (s), and the long ones by themselves."""

    counts: np.ndarray[Any, np.dtype[np.int64]] = field(default_factory=_no_counts)
    long: list[tuple[float, float]] = field(default_factory=list)
    """(start, size) of intervals three times the typical one and more, as many as fit."""

    def add(self, start: Floats, size: Floats) -> None:
        """Count intervals that begin at ``start``."""
        if not len(size):
            return
        exponent = np.log10(np.maximum(size, 10.0 ** _DECADES[0])) - _DECADES[0]
        bins = np.minimum((exponent * _PER_DECADE).astype(np.int64), len(self.counts) - 1)
        self.counts += np.bincount(bins, minlength=len(self.counts))
        at = np.flatnonzero(size > 3 * self.quantile(0.5))
        at = at[: max(_MAX_LONG - len(self.long), 0)]
        self.long += zip(start[at].tolist(), size[at].tolist(), strict=True)

    def quantile(self, share: float) -> float:
        """Return an interval quantile, to about one per cent; NaN where there is no interval."""
        total = int(self.counts.sum())
        if not total:
            return float("nan")
        at = int(np.searchsorted(np.cumsum(self.counts), share * total, side="left"))
        return float(10 ** ((at + 0.5) / _PER_DECADE + _DECADES[0]))

    def gaps(self, factor: float) -> list[tuple[float, float]]:
        """Return (start, size) of the intervals that are no part of the log's ordinary rhythm.

        Longer than ``factor`` typical intervals, and than three times the 95 % quantile: a log that is written on
        events has long intervals that are not gaps.
        """
        limit = max(factor * self.quantile(0.5), 3 * self.quantile(0.95))
        return [g for g in self.long if g[1] > limit]
