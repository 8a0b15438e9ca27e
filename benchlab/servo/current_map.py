"""Mean current over the time in a cycle, by bands of cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchlab.servo import windows
from benchlab.servo.cycles import Cycles, usual_duration
from benchlab.servo.samples import Samples
from benchlab.servo.view import View
from benchlab.servo.windows import Array, Rows

_BANDS, _POINTS = 120, 160


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentMap:
    """Sums and counts of the current. Shape (bands, points)."""

    duration_s: float
    band_of: Rows
    """Band of each cycle."""
    number: Rows
    total: Array
    count: Array

    @classmethod
    def of(cls, samples: Samples, cycles: Cycles) -> CurrentMap | None:
        """Return an empty map for cycles; None without a current or cycles."""
        if "current_a" not in samples.channels or not len(cycles):
            return None
        n, bands = len(cycles), min(_BANDS, len(cycles))
        duration, points = usual_duration(samples, cycles, _POINTS)
        empty = np.zeros((bands, points))
        return cls(
            duration_s=duration, band_of=np.arange(n) * bands // n, number=cycles.number, total=empty,
            count=empty.copy(),
        )  # fmt: skip

    def add(self, v: View, start: Rows, stop: Rows, first: int) -> None:
        """Add the cycles from number ``first`` on, whose rows are ``[start, stop)`` of the view."""
        time_s = v.raw("time_s")
        points, length = self.total.shape[1], stop - start
        end = np.cumsum(length)
        share = windows.ragged(time_s, start, stop) - np.repeat(time_s[start], length)
        share /= max(self.duration_s, 1e-9)
        share *= points
        place = share.astype(np.intp)
        # time goes on: the samples of a cell lie one after another
        begins = np.ones(len(place), dtype=np.bool_)
        np.not_equal(place[1:], place[:-1], out=begins[1:])
        begins[(end - length)[length > 0]] = True
        new = np.flatnonzero(begins)
        current, ends = windows.ragged(v.raw("current_a"), start, stop), np.append(new[1:], len(place))
        sums = windows.total_and_count(current, new, ends, whole=v.whole("current_a"))
        cycle, place = windows.window_of(new, end), place[new]
        inside = place < points
        at = (self.band_of[first + cycle] * points + place)[inside]
        # one by one in order: a sum over all cycles of a block would depend on where the block begins
        for table, x in zip((self.total, self.count), sums, strict=True):
            np.add.at(table.reshape(-1), at, x[inside])

    def table(self) -> pd.DataFrame:
        """Mean current (columns: time in cycle, s; index: cycle in the band's middle)."""
        bands, points = self.total.shape
        mean = windows.ratio(self.total.ravel(), self.count.ravel()).reshape(bands, points)
        middle = [int(self.number[np.flatnonzero(self.band_of == b)].mean()) for b in range(bands)]
        columns = np.round((np.arange(points) + 0.5) * self.duration_s / points, 6)
        return pd.DataFrame(mean, index=pd.Index(middle, name="cycle"), columns=columns)
