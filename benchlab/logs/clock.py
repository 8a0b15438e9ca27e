"""The clock of a log: repaired where that is certain, split where it is not, and every change reported as an event."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchlab.errors import LogError
from benchlab.logs.intervals import Intervals
from benchlab.results import Event

Floats = np.ndarray[Any, np.dtype[np.float64]]
Ints = np.ndarray[Any, np.dtype[np.int64]]
Bools = np.ndarray[Any, np.dtype[np.bool_]]
Batch = dict[str, np.ndarray[Any, Any]]
"""Columns of some rows, by name; all of one length."""

WINDOW = 64
"""Rows held back between blocks: as far as a row may be out of its place."""
_LOOK, _LONG_LOOK = 1 << 10, 1 << 17
"""Rows that settle the rhythm of a log, and where those show hardly any step (one stamp for many rows)."""
_FEW_STEPS = 8
_WRAPS = (4294.967296, 4294967.296)
"""Spans of 32-bit counters of microseconds and of milliseconds, in s."""
_SHORT_WRAPS = (1 << 16, 1 << 24)
"""Counts after which shorter counters start again."""
_HOUR, _DAY = 3600.0, 86400.0
_LEAP = 3
"""At most this many rows in a row with a wrong stamp are set aside; more is a clock that was set."""
_MAX_RESTARTS = 1000
"""More, and more than one in twenty rows, is no clock."""
_MAX_EVENTS = 200
"""Of one kind; all are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockKind:
    """What is known of a clock before its first row."""

    calendar: bool = False
    """Stamps carry a date."""
    clock_only: bool = False
    """Stamps are times of day without a date."""
    aware: bool = False
    """Stamps carry their offset from UTC."""
    tick_s: float | None = None
    """What one count of a clock of whole milliseconds or microseconds is worth."""
    epoch_s: float = 0.0
    """Local time of ``raw`` = 0 in s since 1970, where there is a calendar."""


@dataclass(kw_only=True)
class _Span:
    """The rows of one call while they are repaired, from first to last.

    ``time`` is what the clock says; up to ``done`` it is corrected, from there on ``lag`` is still to be added.
    """

    time: Floats
    ahead: Floats
    """Times of the rows that are held back, to see what follows."""
    segment: Ints
    good: Bools
    lines: Ints
    done: int = 0
    lag: float = 0.0

    def at(self, i: int) -> float:
        """Return the corrected time of a row."""
        return float(self.time[i]) + (self.lag if i >= self.done else 0.0)

    def settle(self, to: int, segment: int) -> None:
        """Give the rows up to (not with) ``to`` their corrected time and segment."""
        if self.lag:
            self.time[self.done : to] += self.lag
        self.segment[self.done : to] = segment
        self.done = max(to, self.done)


class Clock:
    """Repairs the time of one part's rows, block by block.

    ``feed`` takes batches with the columns ``raw`` (s, as the log says, finite) and ``line``, and returns the rows
    whose place is settled, with ``time_s`` (strictly increasing within a segment) and ``segment`` in place of ``raw``.
    """

    def __init__(self, name: str, kind: ClockKind, zero: float) -> None:
        self._name, self._kind, self._zero = name, kind, zero
        self._shift = 0.0
        self._last = -np.inf
        self._last_segment = 0
        self._segment = 0
        self._held: Batch | None = None
        self._coarse: float | None = None
        self._per_stamp = 1
        self._typical: float | None = None
        self.intervals = Intervals()
        self.events: list[Event] = []
        self.counts: dict[str, int] = {}
        self.rejects: list[tuple[int, str, str]] = []
        """(line, value, rule) of rows whose time cannot be used."""

    def feed(self, batch: Batch | None, *, last: bool = False) -> list[Batch]:
        """Return the rows that are settled; the rest is held back for the next call."""
        held, self._held = self._held, None
        if batch is None or not len(batch["raw"]):
            batch, held = held, None
        if batch is None:
            return []
        if self._typical is None:
            batch, held = (batch if held is None else _concat(held, batch)), None
            look = _LOOK if np.count_nonzero(np.diff(batch["raw"][:_LOOK])) > _FEW_STEPS else _LONG_LOOK
            if len(batch["raw"]) < look and not last:
                self._held = batch
                return []
            self._look_at(batch["raw"][:look], batch["line"][:look])
        if held is not None and len(batch["raw"]) <= WINDOW:
            batch, held = _concat(held, batch), None
        pieces = [batch] if held is None else [held, batch]
        if self._coarse is None and (found := self._sound(pieces)) is not None:
            cut = len(batch["raw"]) if last else max(len(batch["raw"]) - WINDOW, 0)
            if cut < len(batch["raw"]):
                self._held = _cut(batch, cut, None)
            pieces[-1], found[-1] = _cut(batch, 0, cut), (found[-1][0][:cut], found[-1][1][:cut])
            return [self._pass(p, *f) for p, f in zip(pieces, found, strict=True) if len(f[0])]
        batch = batch if held is None else _concat(held, batch)
        keep = len(batch["raw"]) if last else self._settled(batch["raw"])
        if keep < len(batch["raw"]):
            self._held = _cut(batch, keep, None)
        return [self._repair(batch, keep)] if keep else []

    def _sound(self, pieces: list[Batch]) -> list[tuple[Floats, Floats]] | None:
        """Return every row's time and its distance from the row before it.

        None where time does not run forward throughout, or where a step could be a change of offset.
        """
        before = self._last
        local = self._kind.calendar and not self._kind.aware and (self._typical or 0) < _HOUR / 2
        found = []
        for piece in pieces:
            time = piece["raw"] - self._zero if self._zero else piece["raw"]
            time = time + self._shift if self._shift else time
            steps = np.empty(len(time))
            steps[0] = time[0] - before
            np.subtract(time[1:], time[:-1], out=steps[1:])
            if steps.min() <= 0 or (local and steps.max() >= _HOUR):
                return None
            found.append((time, steps))
            before = time[-1]
        return found

    def _pass(self, batch: Batch, time: Floats, steps: Floats) -> Batch:
        """Return sound rows with their time."""
        if self._last_segment == self._segment and np.isfinite(self._last):
            self.intervals.add(np.array([self._last]), steps[:1])
        self.intervals.add(time[:-1], steps[1:])
        self._last, self._last_segment = float(time[-1]), self._segment
        rest = {k: v for k, v in batch.items() if k != "raw"}
        return {"time_s": time, "segment": np.broadcast_to(np.int64(self._segment), len(time)), **rest}

    def _settled(self, raw: Floats) -> int:
        keep = max(len(raw) - WINDOW, 0)
        if self._coarse is not None:  # a run of equal stamps stays together
            while keep > 0 and raw[keep - 1] == raw[keep]:
                keep -= 1
            return keep
        for k in range(keep, max(keep - WINDOW, 0), -1):  # rows that stand the wrong way round stay together
            if raw[:k].max() < raw[k:].min():
                return k
        return keep

    def _look_at(self, raw: Floats, lines: Ints) -> None:
        """Learn the rhythm of the log from its first rows, and refuse a clock that is none."""
        steps = np.diff(raw)
        forward = steps[steps > 0]
        backward = np.flatnonzero(steps < 0)
        if len(backward):
            what = None
            if len(backward) * 2 > len(steps):
                what = "the clock runs backwards from here"
            elif len(steps) > 20 and len(backward) * 5 > len(steps):
                what = "the time stamps are in no order from here"
            if what:
                raise LogError(
                    what, path=self._name, line=int(lines[backward[0] + 1]),
                    do="sort the log by time, or map another time column",
                )  # fmt: skip
        if len(steps) and not len(forward):
            raise LogError("the clock stands still", path=self._name, line=int(lines[0]), do="map another time column")
        self._typical = float(np.median(forward)) if len(forward) else 1.0
        runs = np.diff(np.flatnonzero(np.concatenate([[True], steps != 0, [True]])))
        if len(steps) > 2 and (steps == 0).sum() * 3 > len(steps) and np.median(runs) > 1:
            self._coarse = self._typical
            self._per_stamp = int(np.median(runs[1:-1])) if len(runs) > 2 else int(runs.max())

    # --- repairs ------------------------------------------------------------------------------------------------------

    def _repair(self, batch: Batch, keep: int) -> Batch:
        raw = batch["raw"] if self._coarse is None else self._spread(batch["raw"])
        time = raw - self._zero
        span = _Span(
            time=time[:keep], ahead=time[keep:], segment=np.full(keep, self._segment, dtype=np.int64),
            good=np.ones(keep, dtype=bool), lines=batch["line"][:keep], lag=self._shift,
        )  # fmt: skip
        highest = self._last
        while span.done < keep:
            to, highest = self._next(span, highest)
            span.settle(to, self._segment)
        order = np.lexsort((span.time, span.segment))
        order = order[span.good[order]]
        time, segment = span.time[order], span.segment[order]
        before = np.concatenate(
            [[self._last if self._last_segment == self._segment_at(segment) else -np.inf], time[:-1]]
        )
        again = (time <= before) & np.concatenate([[True], np.diff(segment) == 0])[: len(time)]
        for i in np.flatnonzero(again):
            self._reject(int(span.lines[order[i]]), float(time[i]), "time stamp repeated or too late")
        order, time, segment = order[~again], time[~again], segment[~again]
        self._count(time, segment)
        rest = {k: v[:keep][order] for k, v in batch.items() if k != "raw"}
        return {"time_s": time, "segment": segment, **rest}

    def _segment_at(self, segment: Ints) -> int:
        return int(segment[0]) if len(segment) else self._last_segment

    def _next(self, s: _Span, highest: float) -> tuple[int, float]:
        """Pass over sound rows and treat the first that is not; return where to go on, and from when."""
        stride = WINDOW  # a clock that is faulty everywhere must not have all of its rows looked at for every fault
        while s.done < len(s.time):
            part = s.time[s.done : s.done + stride] + s.lag
            steps = np.diff(part, prepend=highest)
            odd = steps <= 0
            if self._kind.calendar and not self._kind.aware:
                typical = self._typical or 0
                odd |= np.isfinite(steps) & (np.abs(steps - _HOUR - typical) <= 0.6 * typical)
            found = np.flatnonzero(odd)
            if len(found):
                i = s.done + int(found[0])
                before = float(part[found[0] - 1]) if found[0] else highest
                s.settle(i, self._segment)
                if s.at(i) > before:
                    self._hour_ahead(s, i, before)
                    return i + 1, s.at(i)
                return self._back(s, i, before)
            s.settle(s.done + len(part), self._segment)
            highest, stride = float(part[-1]), 2 * stride
        return s.done, highest

    def _back(self, s: _Span, i: int, before: float) -> tuple[int, float]:
        """Treat a row that is not later than the one before it."""
        back = before - s.at(i)
        typical = self._typical or 1.0
        if back == 0:
            return self._repeated(s, i, before), before
        if self._wrapped(s, before, back, typical):
            return i + 1, s.at(i)
        rest = np.concatenate([s.time[i : i + WINDOW + 1], s.ahead[: WINDOW + 1]])[: WINDOW + 1] + s.lag
        later = np.flatnonzero(rest > before)
        late = int(later[0]) if len(later) else None
        if late is not None and back <= 2 * WINDOW * typical:
            self._tell("out_of_order", before, back, f"{late} row(s) stood too late in the file: put in their place")
            return min(i + late, len(s.time)), before
        if late is not None and late <= _LEAP:
            self._set_aside(s, range(i, min(i + late, len(s.time))), before)
            return min(i + late, len(s.time)), before
        first = i
        while first > 0 and i - first <= _LEAP and s.at(first - 1) >= s.at(i) and s.segment[first - 1] == self._segment:
            first -= 1
        origin = s.at(first - 1) if first > 0 else self._last
        if 0 < i - first <= _LEAP and 0 < s.at(i) - origin < 2 * WINDOW * typical:
            self._set_aside(s, range(first, i), origin)
            return i + 1, s.at(i)
        self._move(s, back + typical)
        self._segment += 1
        if self._segment > _MAX_RESTARTS and self._segment * 20 > int(s.lines[i]):
            raise LogError(
                "the clock goes back again and again, here for the thousandth time", path=self._name,
                line=int(s.lines[i]), do="sort the log by time, or map another time column",
            )  # fmt: skip
        self._tell("clock_restart", before, back, "the clock started again; the pause is unknown: a new segment begins")
        return i + 1, s.at(i)

    def _repeated(self, s: _Span, i: int, before: float) -> int:
        """Set aside the rows that have the stamp of the row before them; return the first that has another."""
        end, stride = i + 1, WINDOW
        while end < len(s.time):
            part = s.time[end : end + stride] + s.lag
            other = np.flatnonzero(part != before)
            if len(other):
                end += int(other[0])
                break
            end, stride = end + len(part), 2 * stride
        s.good[i:end] = False
        for line in s.lines[i:end].tolist():
            self._reject(line, before, "time stamp repeated")
        n = end - i
        text = (
            "a time stamp stands twice: the second row was set aside"
            if n == 1
            else f"{n} rows repeat a stamp: set aside"
        )
        self._tell("duplicate_time", before, None, text)
        return end

    def _wrapped(self, s: _Span, before: float, back: float, typical: float) -> bool:
        """Undo the wrap of a counter, midnight, or an hour put back, where that is what it must be."""
        near = max(20 * typical, 2.0)
        if not self._kind.calendar and not self._kind.clock_only:
            spans = [(32, span) for span in _WRAPS if 0 < span - back <= near]
            spans += self._short_wraps(before, before - back, typical)
            if spans:
                bits, span = spans[0]
                self._move(s, span)
                text = f"a {bits}-bit counter wrapped: {span:.6f} s added from here on"
                self._tell("counter_wrap", before, span, text)
                return True
        if self._kind.clock_only and back > _DAY / 2:
            self._move(s, _DAY)
            self._tell("counter_wrap", before, _DAY, "midnight passed: a day added from here on")
            return True
        if not self._kind.aware and (self._kind.calendar or self._kind.clock_only) and typical < _HOUR / 2:
            step = _HOUR - back
            if abs(step - typical) <= max(0.6 * typical, 0.002):
                self._move(s, _HOUR)
                text = "local time was put back by an hour: an hour added from here on"
                self._tell("offset_change", before, _HOUR, text)
                return True
        return False

    def _short_wraps(self, before: float, after: float, typical: float) -> list[tuple[int, float]]:
        """Return (bits, span) of a short counter that must have wrapped: at its very end, and at the log's pace."""
        if self._kind.tick_s is None:
            return []
        read = [t + self._zero - self._shift for t in (before, after)]
        spans = [counts * self._kind.tick_s for counts in _SHORT_WRAPS]
        step = 1.5 * typical
        return [
            (round(math.log2(span / self._kind.tick_s)), span)
            for span in spans
            if span - step <= read[0] < span and 0 <= read[1] < step and read[1] + span - read[0] <= step
        ]

    def _hour_ahead(self, s: _Span, i: int, before: float) -> None:
        """Take out the hour that local time skips: just after a full hour in a Sunday's small hours."""
        local = self._kind.epoch_s + self._zero + s.at(i) - self._shift
        day, second = divmod(local, _DAY)
        sunday = int(day) % 7 == 3  # 1970-01-01 was a Thursday
        past = second % _HOUR
        if sunday and _HOUR <= second < 5 * _HOUR and past < (self._typical or 0) * 1.6:
            self._move(s, -_HOUR)
            text = "local time was put forward by an hour: an hour taken out from here on"
            self._tell("offset_change", before, -_HOUR, text)

    def _set_aside(self, s: _Span, rows: range, at: float) -> None:
        for k in rows:
            if s.good[k]:
                s.good[k] = False
                self._reject(int(s.lines[k]), s.at(k), "time stamp far out of line with the rows around it")
        self._tell("out_of_order", at, None, "a time stamp leapt away and back: row set aside")

    def _move(self, s: _Span, by: float) -> None:
        s.lag += by
        self._shift += by

    def _reject(self, line: int, value: float, rule: str) -> None:
        self.rejects.append((line, f"{value:.9g}", rule))

    def _tell(self, kind: str, time_s: float, size_s: float | None, text: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1
        if self.counts[kind] <= _MAX_EVENTS:
            self.events.append(Event(kind=kind, time_s=time_s, size_s=size_s, text=text))

    def _spread(self, raw: Floats) -> Floats:
        """Spread rows that share a coarse stamp evenly up to the next stamp."""
        coarse = self._coarse or 1.0
        starts = np.concatenate([[0], np.flatnonzero(np.diff(raw) != 0) + 1])
        length = np.diff(np.concatenate([starts, [len(raw)]]))
        step = np.concatenate([np.diff(raw[starts]), [coarse]])
        step = np.where((step > 0) & (step <= 1.5 * coarse), step, coarse)
        if not np.isfinite(self._last):  # a log may begin within a stamp's time: its first rows are the last of it
            step[0] *= min(length[0] / self._per_stamp, 1.0)
            raw = np.where(np.arange(len(raw)) < length[0], raw + coarse - step[0], raw)
            self._shift -= coarse - step[0]
        step[-1] *= min(length[-1] / self._per_stamp, 1.0)
        within = np.arange(len(raw)) - np.repeat(starts, length)
        if "duplicate_time" not in self.counts:
            text = f"stamps of {coarse:g} s stand for several rows each: spread evenly between stamps"
            self._tell("duplicate_time", float(raw[0] - self._zero), coarse, text)
        spread: Floats = raw + within * np.repeat(step / length, length)
        return spread

    def _count(self, time: Floats, segment: Ints) -> None:
        if not len(time):
            return
        if segment[0] == self._last_segment and np.isfinite(self._last):
            time_all = np.concatenate([[self._last], time])
            same = np.concatenate([[True], np.diff(segment) == 0])
        else:
            time_all, same = time, np.diff(segment) == 0
        self.intervals.add(time_all[:-1][same], np.diff(time_all)[same])
        self._last, self._last_segment = float(time[-1]), int(segment[-1])


def _concat(a: Batch, b: Batch) -> Batch:
    return {k: np.concatenate([a[k], b[k]]) for k in a}


def _cut(batch: Batch, start: int, stop: int | None) -> Batch:
    return {k: v[start:stop] for k, v in batch.items()}
