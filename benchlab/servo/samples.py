"""The rows of a servo over all its logs, read piece by piece, and what the instruments could tell apart.

A log may hold tens of millions of rows. What must be known of all of it before it is cut (sampling interval, steps and
noise of the readings, levels of the command) is estimated from a sample: all rows of a record of at most ``WHOLE``,
else pieces spread over it. Everything else is computed from blocks of rows, such that the same windows of rows give the
same bytes wherever a block begins.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from benchlab.logs.record import Record, keep_freed_memory, record_of
from benchlab.procedure import ServoProcedure
from benchlab.servo.windows import Array, Rows, ascending, middle

CHANNELS = ("command_us", "cycle", "position_deg", "current_a", "voltage_v", "temperature_c")

WHOLE = 2**18
"""A record of at most so many rows is its own sample."""
BLOCK = 2**17
"""Rows that are held at a time: few enough for the processor's cache, enough to outweigh what a block costs."""
_PIECES, _PIECE = 64, 2048
_GOLDEN = (5**0.5 - 1) / 2
_RECURS, _MOSTLY = 3, 0.99
GAP = 5.0
"""A pause longer than this many sampling intervals is a gap."""


Read = Callable[[int, int], Array]
"""Gives a signal in rows ``[start, stop)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """All rows of all logs, numbered through. A channel that is missing or holds no numbers is not in ``channels``."""

    records: tuple[Record, ...]
    first: Rows
    """Row at which each log begins, and one past the last row. Shape (logs + 1,)."""
    sampling_s: float
    channels: tuple[str, ...]
    unsigned: bool
    """The current is logged with a sign that tells the motor's direction: its magnitude is used."""
    steps: Mapping[str, float]
    """Step of the reading of each channel: the procedure's resolution, else that seen in the log (0: none seen)."""
    noise: Mapping[str, float]
    """Standard deviation of a single reading about its neighbours."""
    notes: tuple[str, ...]
    block: int
    """Rows of a block. No result depends on it."""

    def __len__(self) -> int:
        return int(self.first[-1])

    def without(self, channel: str) -> Samples:
        """Return the record without one channel."""
        return replace(self, channels=tuple(c for c in self.channels if c != channel))

    def log_of(self, row: Rows) -> Rows:
        """Return which log rows belong to, from 0."""
        return np.asarray(np.searchsorted(self.first, row, side="right") - 1)

    def begins(self, start: int, stop: int) -> Rows:
        """Return the rows at which logs begin within ``[start, stop)``, counted from ``start``."""
        return self.first[(self.first >= start) & (self.first < stop)] - start

    def read(self, column: str, start: int, stop: int) -> Array:
        """Return one column in rows ``[start, stop)``, NaN where its log lacks it; not to be written to."""
        parts = [
            _numbers(r, column, max(start - a, 0), min(stop, b) - a)
            for r, a, b in zip(self.records, self.first[:-1].tolist(), self.first[1:].tolist(), strict=True)
            if a < stop and start < b
        ]
        x = parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else np.zeros(0)
        return np.abs(x) if column == "current_a" and self.unsigned else x

    def at(self, column: str, row: Rows) -> Array:
        """Return one column at a few rows."""
        if len(self) <= WHOLE:
            return self.read(column, 0, len(self))[row]
        return np.array([self.read(column, i, i + 1)[0] for i in row.tolist()])

    def filled(self, channel: str, start: int, stop: int) -> Array:
        """Return a channel with missing samples replaced by straight lines between their neighbours."""
        x = self.read(channel, start, stop)
        if not len(x) or np.isfinite(x).all():
            return x
        row, value = self._finite(channel, x, start, stop)
        return np.interp(np.arange(start, stop), row, value) if len(row) else x

    def held(self, channel: str, start: int, stop: int, beginning: float) -> Array:
        """Return a channel with missing samples replaced by the last before, at the beginning by ``beginning``."""
        x = self.read(channel, start, stop)
        if not len(x) or np.isfinite(x).all():
            return x
        row, value = self._finite(channel, x, start, stop)
        last = np.searchsorted(row, np.arange(start, stop), side="right") - 1
        return np.where(last >= 0, value[np.maximum(last, 0)], beginning) if len(row) else np.full(len(x), beginning)

    def _finite(self, channel: str, x: Array, start: int, stop: int) -> tuple[Rows, Array]:
        """Rows and values of the finite samples of a block, and of the nearest to either side where its ends lack."""
        ok = np.isfinite(x)
        row, value = [np.flatnonzero(ok) + start], [x[ok]]
        reach = 64
        while not ok[0] and start > 0 and len(row) == 1:
            begin = max(start - reach, 0)
            before = self.read(channel, begin, start)
            if len(held := np.flatnonzero(np.isfinite(before))):
                row.insert(0, held[-1:] + begin)
                value.insert(0, before[held[-1:]])
            start, reach = begin, min(2 * reach, WHOLE)
        reach, known = 64, len(row)
        while not ok[-1] and stop < len(self) and len(row) == known:
            after = self.read(channel, stop, stop + reach)
            if len(held := np.flatnonzero(np.isfinite(after))):
                row.append(held[:1] + stop)
                value.append(after[held[:1]])
            stop, reach = min(stop + reach, len(self)), min(2 * reach, WHOLE)
        return np.concatenate(row), np.concatenate(value)

    def smooth(self, channel: str, start: int, stop: int) -> Array:
        """Return a filled channel with single wrong samples removed: the median of each three."""
        a, b = max(start - 1, 0), min(stop + 1, len(self))
        x = self.filled(channel, a, b)
        return median3(x, at_start=a == start, at_end=b == stop)

    def breaks(self) -> Rows:
        """Return the rows before which a gap, a split of the clock or the beginning of a log lies."""
        found = [self.first[:-1]]
        for start, stop in self.blocks():
            begin = max(start - 1, 0)
            time, segment = self.read("time_s", begin, stop), self.read("segment", begin, stop)
            apart = (np.diff(time) > GAP * self.sampling_s) | (np.diff(segment) != 0)
            found.append(np.flatnonzero(apart) + begin + 1)
        return np.unique(np.concatenate(found))

    def sample(self, read: Read) -> Array:
        """Return a signal in the rows of the sample that stands for the record."""
        return np.concatenate([read(a, b) for a, b in self.pieces()])

    def scattered(self, read: Read) -> Array:
        """Return a signal in single rows scattered over the record, of a short one in all.

        For shares of the time: pieces could miss the levels of a command that stays at each for longer than a piece.
        """
        stride = -(-len(self) // WHOLE)
        row = np.arange(0, len(self), stride)
        # not one row in so many exactly, which might be in step with the command
        away = np.arange(len(row)) * _GOLDEN
        row = np.minimum(row + ((away - np.floor(away)) * stride).astype(np.intp), len(self) - 1)
        edge = np.searchsorted(row, [a for a, _ in self.blocks()] + [len(self)]).tolist()
        return np.concatenate([
            read(a, b)[row[i:j] - a] for (a, b), i, j in zip(self.blocks(), edge, edge[1:], strict=False)
        ])  # fmt: skip

    def whole(self, read: Read) -> Array:
        """Return what ``read(start, stop)`` gives for all rows. Shape (rows,)."""
        out = np.empty(len(self))
        for start, stop in self.blocks():
            out[start:stop] = read(start, stop)
        return out

    def blocks(self, at_least: int = 0) -> Iterator[tuple[int, int]]:
        """Yield first and one past the last row of each block."""
        size = max(self.block, at_least)
        for start in range(0, len(self), size):
            yield start, min(start + size, len(self))

    def pieces(self) -> list[tuple[int, int]]:
        """Return the row ranges of the sample that stands for the record."""
        return pieces(len(self))

    def middle(self, channel: str) -> float:
        """Return the median of a channel."""
        return middle(self.sample(partial(self.read, channel)))

    def varies(self, channel: str) -> bool:
        """Whether a channel has two different values."""
        if channel not in self.channels:
            return False
        low, high = np.inf, -np.inf
        for start, stop in (*self.pieces(), *self.blocks()):
            x = self.read(channel, start, stop)
            low, high = np.fmin(low, np.fmin.reduce(x)), np.fmax(high, np.fmax.reduce(x))
            if high > low:
                return True
        return False


def _numbers(record: Record, column: str, start: int, stop: int) -> Array:
    if column in record:
        return np.asarray(record.read(column, start, stop), dtype=float)
    return np.full(stop - start, 0.0 if column == "segment" else np.nan)


def median3(x: Array, *, at_start: bool, at_end: bool) -> Array:
    """Median of each sample and its two neighbours; of the first and last only where the record ends there."""
    out = np.empty(len(x))
    # the first counts twice where nothing comes before it
    out[:1], out[-1:] = x[:1], x[-1:]
    a, b, c, inner = x[:-2], x[1:-1], x[2:], out[1:-1]
    np.maximum(a, b, out=inner)
    np.minimum(inner, c, out=inner)
    np.maximum(np.minimum(a, b), inner, out=inner)
    return out[0 if at_start else 1 : len(x) if at_end else -1]


def pieces(n: int) -> list[tuple[int, int]]:
    """Return the row ranges of a sample of ``n`` rows: all of them, or pieces spread over them.

    The pieces lie evenly but for an offset by the golden ratio: evenly alone, all might meet a cycle at one phase.
    """
    if n <= WHOLE:
        return [(0, n)]
    space = n / _PIECES
    at = [round(i * space + (i * _GOLDEN % 1) * (space - _PIECE)) for i in range(_PIECES)]
    return [(a, a + _PIECE) for a in at]


def spread(n: int, most: int) -> Rows:
    """Return at most so many of ``n`` indices, evenly spread, at least one."""
    most = max(most, 1)
    return np.arange(n) if n <= most else np.asarray((np.arange(most) + 0.5) * n / most).astype(np.intp)


def join(tables: Sequence[Record | pd.DataFrame], procedure: ServoProcedure, block: int = BLOCK) -> Samples:
    """Number the rows of a servo's logs through and take stock of their channels."""
    keep_freed_memory()
    records = tuple(r for t in tables if len(r := record_of(t) if isinstance(t, pd.DataFrame) else t))
    bare = Samples(
        records=records, first=np.cumsum([0, *(len(r) for r in records)]), sampling_s=np.nan, channels=(),
        unsigned=False, steps={}, noise={}, notes=(), block=block,
    )  # fmt: skip
    if not records:
        return bare
    sample = {c: x for c in CHANNELS if (x := _sample(bare, c)) is not None}
    notes: tuple[str, ...] = ()
    unsigned = "current_a" in sample and _directed(sample["current_a"])
    if unsigned:
        sample["current_a"] = np.abs(sample["current_a"])
        notes = ("The current is logged with a sign: its magnitude was used.",)
    steps = {
        name: procedure.channels[name].resolution or seen_step(x)
        for name, x in sample.items()
        if name in procedure.channels
    }
    return replace(
        bare, sampling_s=_interval(bare), channels=tuple(sample), unsigned=unsigned, steps=steps,
        noise={name: reading_noise(x) for name, x in sample.items()}, notes=notes,
    )  # fmt: skip


def _sample(s: Samples, channel: str) -> Array | None:
    """Sample of a channel; None where no log has a number of it."""
    if not any(channel in r for r in s.records):
        return None
    x = s.sample(partial(s.read, channel))
    if np.isfinite(x).any() or any(np.isfinite(s.read(channel, a, b)).any() for a, b in s.blocks()):
        return x
    return None


def _interval(s: Samples) -> float:
    """Usual time from row to row, gaps between logs and segments of the clock left out."""
    found = []
    for start, stop in s.pieces():
        interval = np.diff(s.read("time_s", start, stop))
        row = np.arange(start, stop)
        same = (np.diff(s.log_of(row)) == 0) & (np.diff(s.read("segment", start, stop)) == 0)
        found.append(interval[same])
    every = np.concatenate(found)
    return float(np.median(ascending(every))) if len(every) else np.nan


def _directed(current: Array) -> bool:
    """Whether the current's sign tells the motor's direction, not a zero error."""
    finite = current[np.isfinite(current)]
    below = -finite[finite < 0].sum()
    above = finite[finite > 0].sum()
    # noise around a small idle current dips below zero too: a real direction shows as a good part of the charge
    return bool(below > 0.1 * (below + above))


def seen_step(values: Array) -> float:
    """Return the smallest step that the readings of a channel show, 0 where they look continuous.

    Values that come only once or twice are left aside if they are rare: a wrong reading between two steps makes none.
    """
    distinct, count = np.unique(np.round(values[np.isfinite(values)], 9), return_counts=True)
    again = count >= _RECURS
    if count[again].sum() >= _MOSTLY * count.sum():
        distinct = distinct[again]
    if len(distinct) < 2 or len(distinct) > 0.5 * len(values):
        return 0.0
    gaps = np.diff(distinct)
    # rounding of a binary fraction splits a step: what is far below the usual gap is no step
    return float(gaps[gaps > 0.2 * np.median(gaps)].min())


def reading_noise(values: Array) -> float:
    """Return the noise of single readings from their second differences, those of movements left out."""
    finite = values[np.isfinite(values)]
    if len(finite) < 5:
        return 0.0
    bend = np.abs(np.diff(finite, n=2))
    # the quieter 60 % of the differences; a normal distribution cut at 0.8416 sd keeps 0.4695 of its sd
    quiet = bend[bend <= np.quantile(ascending(bend), 0.6)]
    return float(np.sqrt((quiet**2).mean()) / 0.4695 / np.sqrt(6))
