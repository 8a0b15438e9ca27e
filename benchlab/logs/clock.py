"""The clock of a log: repaired where that is certain, split where it is not, and every change reported as an event."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from benchlab.errors import LogError
from benchlab.results import Event

Floats = np.ndarray[Any, np.dtype[np.float64]]

WINDOW = 64
"""Rows held back between blocks: as far as a row may be out of its place."""
_WRAPS = (4294.967296, 4294967.296)
"""Spans of 32-bit counters of microseconds and of milliseconds, in s."""
_HOUR, _DAY = 3600.0, 86400.0
_MAX_EVENTS = 200
"""Of one kind in the report; all are counted."""


@dataclass(kw_only=True)
class Intervals:
    """Sampling intervals of a stream, in bounded memory: a histogram with bins of one per cent, and the long ones."""

    counts: np.ndarray[Any, np.dtype[np.int64]] = field(default_factory=lambda: np.zeros(3300, dtype=np.int64))
    long: list[tuple[float, float]] = field(default_factory=list)
    _typical: float | None = None

    def add(self, start: Floats, size: Floats) -> None:
        """Count intervals (s) that begin at ``start``."""
        if not len(size):
            return
        bins = np.clip((np.log10(np.maximum(size, 1e-8)) + 8) * 200, 0, len(self.counts) - 1).astype(np.int64)
        self.counts += np.bincount(bins, minlength=len(self.counts))
        typical = self.quantile(0.5)
        if len(self.long) < 100_000:
            at = np.flatnonzero(size > 3 * typical)
            self.long += zip(start[at].tolist(), size[at].tolist(), strict=True)

    def quantile(self, share: float) -> float:
        """Return an interval quantile, to about one per cent."""
        total = int(self.counts.sum())
        if not total:
            return float("nan")
        at = int(np.searchsorted(np.cumsum(self.counts), share * total, side="left"))
        return float(10 ** ((at + 0.5) / 200 - 8))

    def gaps(self, factor: float) -> list[tuple[float, float]]:
        """Return (start, size) of the intervals that are no part of the log's ordinary rhythm.

        Longer than ``factor`` typical intervals, and than three times the 95 % quantile: a log that is written on
        events has long intervals that are not gaps.
        """
        limit = max(factor * self.quantile(0.5), 3 * self.quantile(0.95))
        return [g for g in self.long if g[1] > limit]


class Clock:
    """Repairs the time of one part's rows, block by block.

    ``feed`` takes frames with the columns ``raw`` (s, as the log says, NaN-free) and ``line`` and returns the rows
    whose place is settled, with ``time_s`` and ``segment`` in place of ``raw``.
    """

    def __init__(self, name: str, *, calendar: bool, clock_only: bool, aware: bool, zero: float) -> None:
        self._name = name
        self._calendar, self._clock_only, self._aware = calendar, clock_only, aware
        self._zero = zero
        self._shift = 0.0
        self._last = -np.inf
        self._segment = 0
        self._held: pd.DataFrame | None = None
        self._coarse: float | None = None
        self._median: float | None = None
        self.intervals = Intervals()
        self.events: list[Event] = []
        self.counts: dict[str, int] = {}
        self.rejects: list[tuple[int, str, str]] = []
        """(line, value, rule) of rows whose time cannot be used."""

    def feed(self, frame: pd.DataFrame, *, last: bool = False) -> pd.DataFrame:
        """Return the rows that are settled; the rest is held back for the next call."""
        if self._held is not None and len(self._held):
            frame = pd.concat([self._held, frame], ignore_index=True)
        self._held = None
        if not len(frame):
            return self._empty(frame)
        raw = frame["raw"].to_numpy()
        if self._median is None:
            self._look_at(raw, frame["line"].to_numpy())
        keep = len(frame) if last else self._settled(raw)
        if keep < len(frame):
            self._held = frame.iloc[keep:]
        if not keep:
            return self._empty(frame.iloc[:0])
        return self._repair(frame, keep)

    def _empty(self, frame: pd.DataFrame) -> pd.DataFrame:
        return frame.iloc[:0].rename(columns={"raw": "time_s"}).assign(segment=np.zeros(0, dtype=np.int64))

    def _settled(self, raw: Floats) -> int:
        keep = max(len(raw) - WINDOW, 0)
        if self._coarse is not None:  # a run of equal stamps stays together
            while keep > 0 and raw[keep - 1] == raw[keep]:
                keep -= 1
        return keep

    def _look_at(self, raw: Floats, lines: np.ndarray[Any, Any]) -> None:
        """Learn the rhythm of the log from its first block, and refuse a clock that is none."""
        steps = np.diff(raw)
        forward = steps[steps > 0]
        backward = int((steps < 0).sum())
        if backward * 2 > len(steps):
            at = int(np.flatnonzero(steps < 0)[0]) + 1
            raise LogError(
                "the clock runs backwards from here", path=self._name, line=int(lines[at]),
                do="sort the log by time, or map another time column",
            )  # fmt: skip
        if len(steps) > 20 and backward * 5 > len(steps):
            at = int(np.flatnonzero(steps < 0)[0]) + 1
            raise LogError(
                "the time stamps are in no order from here", path=self._name, line=int(lines[at]),
                do="sort the log by time, or map another time column",
            )  # fmt: skip
        self._median = float(np.median(forward)) if len(forward) else 0.0
        if len(steps) > 2 and (steps == 0).sum() * 3 > len(steps):
            if not len(forward):
                raise LogError(
                    "the clock stands still", path=self._name, line=int(lines[0]), do="map another time column"
                )
            self._coarse = self._median

    def _repair(self, frame: pd.DataFrame, keep: int) -> pd.DataFrame:
        raw = frame["raw"].to_numpy()
        if self._coarse is not None:
            raw = self._spread(raw)
        t = raw - self._zero + self._shift
        ahead, t = t[keep:], t[:keep].copy()
        segment = np.full(keep, self._segment, dtype=np.int64)
        good = np.ones(keep, dtype=bool)
        lines = frame["line"].to_numpy()[:keep]
        at = self._next_fault(t, 0)
        while at < keep:
            at = self._one_fault(t, ahead, at, segment, good, lines)
            at = self._next_fault(t, at)
        out = frame.iloc[:keep].rename(columns={"raw": "time_s"})
        out = out.assign(time_s=t, segment=segment)
        if not good.all():
            out = out[good]
        if not (np.diff(out["time_s"].to_numpy()) > 0).all():
            out = out.sort_values(["segment", "time_s"], kind="stable")
            time = out["time_s"].to_numpy()
            again = np.concatenate([[False], np.diff(time) <= 0])
            for i in np.flatnonzero(again):
                self._reject(int(out["line"].iat[i]), float(time[i]), "time stamp repeated")
            out = out[~again]
        self._count(out)
        return out

    def _count(self, out: pd.DataFrame) -> None:
        if not len(out):
            return
        time, segment = out["time_s"].to_numpy(), out["segment"].to_numpy()
        before = np.concatenate([[self._last], time[:-1]])
        same = np.concatenate(
            [[np.isfinite(self._last) and segment[0] == self._segment_of_last], np.diff(segment) == 0]
        )
        self.intervals.add(before[same], (time - before)[same])
        self._last = float(time[-1])
        self._segment_of_last = int(segment[-1])

    _segment_of_last = 0

    def _next_fault(self, t: Floats, start: int) -> int:
        """Return the index of the next row that is not later than the one before it, or the length."""
        if start >= len(t):
            return len(t)
        before = self._last if start == 0 else t[start - 1]
        if t[start] <= before:
            return start
        rest = np.flatnonzero(np.diff(t[start:]) <= 0)
        if len(rest):
            return start + int(rest[0]) + 1
        self._check_forward(t, start)
        return len(t)

    def _check_forward(self, t: Floats, start: int) -> None:
        return

    def _one_fault(
        self, t: Floats, ahead: Floats, i: int, segment: np.ndarray[Any, Any], good: np.ndarray[Any, Any],
        lines: np.ndarray[Any, Any],
    ) -> int:  # fmt: skip
        """Treat the row at ``i``, which is not later than the last; return where to look on."""
        before = self._last if i == 0 else float(t[i - 1])
        back = before - float(t[i])
        typical = self._median or 1.0
        if back == 0:
            good[i] = False
            self._reject(int(lines[i]), before, "time stamp repeated")
            self._tell("duplicate_time", before, 0.0, "a time stamp stands twice: the second row was set aside")
            t[i] = before  # rows after it are compared with the stamp itself
            return self._after_duplicate(t, i, before, good, lines)
        for span in (*(() if self._calendar else _WRAPS), *((_DAY,) if self._clock_only else ())):
            if 0 < span - back <= max(20 * typical, 1e-9) or (span == _DAY and 0 < span - back < _DAY / 2):
                self._move(t, ahead, i, span)
                what = "midnight passed" if span == _DAY else "a 32-bit counter wrapped"
                self._tell("counter_wrap", before, span, f"{what}: {span:g} s added from here on")
                return i + 1
        if self._calendar and not self._aware and abs(_HOUR - back - typical) <= max(0.6 * typical, 0.002):
            self._move(t, ahead, i, _HOUR)
            self._tell(
                "offset_change", before, _HOUR, "local time was set back by an hour: one hour added from here on"
            )
            return i + 1
        rest = np.concatenate([t[i:], ahead])[: WINDOW + 1]
        later = np.flatnonzero(rest > before)
        if len(later):
            late = int(later[0])
            self._tell("out_of_order", before, back, f"{late} row(s) stood too late in the file and were moved")
            return self._sort(t, i, late)
        first_ahead = self._first_ahead(t, i, good)
        if i - first_ahead <= 3 and first_ahead > 0:
            for k in range(first_ahead, i):
                if good[k]:
                    good[k] = False
                    self._reject(int(lines[k]), float(t[k]), "time stamp out of line with the rows around it")
            self._tell(
                "out_of_order", float(t[first_ahead - 1]), back, "a time stamp leapt ahead and back: row set aside"
            )
            t[first_ahead:i] = t[first_ahead - 1]
            return i + 1
        self._move(t, ahead, i, back + typical)
        self._segment += 1
        segment[i:] = self._segment
        self._tell("clock_restart", before, back, "the clock started again: the pause is unknown, a new segment begins")
        return i + 1

    def _after_duplicate(
        self, t: Floats, i: int, before: float, good: np.ndarray[Any, Any], lines: np.ndarray[Any, Any]
    ) -> int:
        i += 1
        while i < len(t) and t[i] == before:
            good[i] = False
            self._reject(int(lines[i]), before, "time stamp repeated")
            self.counts["duplicate_time"] += 1
            i += 1
        return i

    def _first_ahead(self, t: Floats, i: int, good: np.ndarray[Any, Any]) -> int:
        k = i
        while k > 0 and t[k - 1] >= t[i] and i - k <= 4:
            k -= 1
        return k

    def _sort(self, t: Floats, i: int, late: int) -> int:
        """Leave late rows to the final sort, but compare the following rows with the latest time so far."""
        # the rows stay where they are here; _repair sorts the block once at its end
        return min(i + late, len(t))

    def _move(self, t: Floats, ahead: Floats, i: int, by: float) -> None:
        t[i:] += by
        ahead += by
        self._shift += by

    def _reject(self, line: int, value: float, rule: str) -> None:
        self.rejects.append((line, f"{value:.9g}", rule))

    def _tell(self, kind: str, time_s: float, size_s: float, text: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1
        if self.counts[kind] <= _MAX_EVENTS:
            self.events.append(Event(kind=kind, time_s=time_s, size_s=size_s, text=text))

    def _spread(self, raw: Floats) -> Floats:
        """Spread rows that share a coarse stamp evenly up to the next stamp."""
        starts = np.concatenate([[0], np.flatnonzero(np.diff(raw) != 0) + 1])
        length = np.diff(np.concatenate([starts, [len(raw)]]))
        step = np.concatenate([np.diff(raw[starts]), [self._coarse]])
        step = np.where((step > 0) & (step <= 1.5 * (self._coarse or 0)), step, self._coarse)
        within = np.arange(len(raw)) - np.repeat(starts, length)
        if "duplicate_time" not in self.counts:
            text = f"stamps of {self._coarse:g} s stand for several rows each: spread evenly between stamps"
            self._tell("duplicate_time", float(raw[0] - self._zero), float(self._coarse or 0), text)
        return raw + within * np.repeat(step / length, length)
