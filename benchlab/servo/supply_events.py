"""Dips of the supply beyond what the servo's own current explains.

A running median tells what lasts from a glitch; it is only worked out where it can be low: a median of ``2 h + 1``
samples is below a threshold exactly where at least ``h + 1`` of them are, and counting is cheap. Where no sample at all
is low, as the pass over all rows has seen, the rows are not read again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from benchlab.procedure import ServoProcedure
from benchlab.results import Event
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.samples import WHOLE, Samples, spread
from benchlab.servo.view import View
from benchlab.servo.windows import Array, Rows

_FILTERS = ((0.05, 8.0), (0.15, 6.5))
"""Lengths (s) of the running median, and how many of its standard deviations are a dip: what lasts less than half of
the shorter is a glitch or commutation; the longer finds shallow dips."""
_USUAL = 2.0
"""A dip is at least this many times as deep as what usual cycles leave unexplained."""
_APART_S = 1.0
_STRETCHES = 32
_STRIDE = 2048
"""Rows over which the slow course of the supply is taken to be at its highest, to find where a dip can be."""
_ROUNDING = 1e-9
"""Levels (V) that differ by less are the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slow:
    """Usual level of the supply: a line between the middles of the cycles."""

    row: Array
    level: Array

    def at(self, row: Rows) -> Array:
        return np.interp(row, self.row, self.level)

    def highest(self, start: int, stop: int, stride: int) -> Array:
        """At least the highest level in each stride of rows from ``start`` on, and a stride to either side."""
        edge = np.arange(start - stride, stop + 2 * stride, stride)
        top = np.maximum(self.at(edge[:-1]), self.at(edge[1:]))
        within = (self.row >= edge[0]) & (self.row < edge[-1])
        place = ((self.row[within] - edge[0]) // stride).astype(np.intp)
        np.maximum.at(top, place, self.level[within])
        return np.maximum(np.maximum(top[:-2], top[1:-1]), top[2:])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Filter:
    """A running median, what it usually is, and by how much (V) it must be lower for a dip."""

    width: int
    slow: _Slow
    least: float


def widths(sampling_s: float) -> tuple[int, ...]:
    """Rows of the running medians."""
    return tuple(max(3, 2 * round(length / sampling_s / 2) + 1) for length, _ in _FILTERS)


def source_ohm(samples: Samples) -> float:
    """Return the source's resistance from how the voltage answers the current; 0 where the log has not both."""
    if not {"voltage_v", "current_a"} <= set(samples.channels):
        return 0.0
    across = square = 0.0
    for start, stop in samples.pieces():
        v = View(samples, start, stop)
        # a single wrong reading must not decide what the source's resistance is
        dv, di = np.diff(v.smooth("voltage_v")), np.diff(v.smooth("current_a"))
        smooth = ~v.broken(np.arange(1, stop - start))
        across, square = across + float(dv[smooth] @ di[smooth]), square + float(di[smooth] @ di[smooth])
    return max(-across / max(square, 1e-12), 0.0)


class Lowest:
    """Lowest level in each stretch of rows, of those that were shown."""

    def __init__(self, samples: Samples) -> None:
        self.rows, self.stride = len(samples), max(_STRIDE, *widths(samples.sampling_s))
        count = -(-self.rows // self.stride)
        self._level, self._shown = np.full(count, np.inf), np.zeros(count, dtype=np.intp)
        self._until = 0

    def add(self, v: View, level: Array) -> None:
        """Take the level in the rows of a view; views come in order of time, and may share rows."""
        # the first and last row of a view are smoothed as if nothing lay beyond
        start, stop = v.start + (v.start > 0), v.stop - (v.stop < self.rows)
        if stop <= start:
            return
        edge = np.append(np.arange(start - start % self.stride, stop, self.stride), stop)
        at = edge[:-1] // self.stride
        lowest = np.minimum.reduceat(level[: stop - v.start], np.maximum(edge[:-1], start) - v.start)
        self._level[at] = np.minimum(self._level[at], lowest)
        self._shown[at] += np.maximum(edge[1:] - np.maximum(edge[:-1], max(start, self._until)), 0)
        self._until = max(self._until, stop)

    def suspect(self, filters: list[_Filter]) -> list[tuple[int, int]]:
        """Rows ``(start, stop)`` outside of which no dip can be."""
        edge = np.minimum(np.arange(len(self._level) + 1) * self.stride, self.rows)
        low = self._shown < np.diff(edge)
        for f in filters:
            low |= ~(self._level >= f.slow.highest(0, self.rows, self.stride) - f.least + _ROUNDING)
        # a running median takes more than half of its samples from its own stretch, if that is not a shorter last one
        low[1:][-1:] |= low[:-1][-1:]
        ends = edge[np.flatnonzero(np.diff(low, prepend=False, append=False))].reshape(-1, 2)
        return [(first, last) for first, last in ends.tolist()]


def usual_levels(v: View, level: Array, start: Rows, stop: Rows) -> dict[str, Array]:
    """Return the median over each cycle of each running median: ``usual_0_v``, ``usual_1_v``.

    Of a long record that of up to ``_STRETCHES`` medians of stretches as long as the shorter filter, for both.
    """
    width = widths(v.samples.sampling_s)
    if len(v.samples) <= WHOLE:
        steady = (median_filter(level, size=w, mode="reflect") for w in width)
        return {f"usual_{i}_v": windows.quantile(x, start, stop, 0.5) for i, x in enumerate(steady)}
    length = np.minimum(stop - start, width[0])
    stride = length * np.maximum(-((start - stop) // (length * _STRETCHES)), 1)
    count = (stop - start - length) // stride + 1
    first = np.cumsum(count) - count
    begin = np.repeat(start, count) + (np.arange(count.sum()) - np.repeat(first, count)) * np.repeat(stride, count)
    middle = windows.quantile(level, begin, begin + np.repeat(length, count), 0.5)
    usual = windows.quantile(middle, first, first + count, 0.5)
    return {f"usual_{i}_v": usual for i in range(len(width))}


def find(
    samples: Samples, cycles: Cycles, of_cycle: Mapping[str, Array], lowest: Lowest | None, ohm: float,
    procedure: ServoProcedure,
) -> tuple[list[Event], dict[str, str]]:  # fmt: skip
    """Return the dips, and why they cannot be seen where the log has no voltage.

    ``of_cycle``: ``usual_levels`` of all cycles; ``lowest``: what was swept, None without cycles.
    """
    if "voltage_v" not in samples.channels:
        return [], {"supply_dip": "no voltage channel"}
    if lowest is None:
        return [], {"supply_dip": "no cycles were found to compare with each other"}
    filters = _filters(samples, cycles, of_cycle, ohm, procedure.events.supply_dip_share * samples.middle("voltage_v"))
    dips: list[_Dip] = []
    for first, last in lowest.suspect(filters):
        for start in range(first, last, samples.block):
            dips += _dips(samples, ohm, filters, start, min(start + samples.block, last))
    return [_event(samples, cycles, dip) for dip in _merged(dips)], {}


def _filters(
    samples: Samples, cycles: Cycles, of_cycle: Mapping[str, Array], ohm: float, least: float
) -> list[_Filter]:
    middle = (cycles.start + cycles.stop) // 2
    order = np.argsort(middle)
    out = []
    for i, width in enumerate(widths(samples.sampling_s)):
        calm = median_filter(of_cycle[f"usual_{i}_v"][order], size=5, mode="nearest")
        slow = _Slow(row=middle[order].astype(float), level=calm)
        if len(samples) <= WHOLE:
            rest = _rest(samples, slow, ohm, width, 0, len(samples))
            floor = windows.lowest(rest, cycles.start, cycles.stop)
        else:
            some = spread(len(cycles), int(WHOLE // 2 // np.median(cycles.stop - cycles.start)))
            each = [_rest(samples, slow, ohm, width, int(cycles.start[k]), int(cycles.stop[k])) for k in some]
            rest, floor = np.concatenate(each), np.array([x.min() for x in each])
        sd = 1.4826 * float(np.median(windows.ascending(np.abs(rest))))
        deep = max(_FILTERS[i][1] * sd, least, _USUAL * -windows.middle(floor))
        out.append(_Filter(width=width, slow=slow, least=deep))
    return out


def level_of(v: View, ohm: float) -> Array:
    """Voltage without its fall over the source's resistance."""
    level = v.filled("voltage_v")
    return level + ohm * v.smooth("current_a") if ohm > 0 else level


def _rest(samples: Samples, slow: _Slow, ohm: float, width: int, start: int, stop: int) -> Array:
    """Running median of the level in rows ``[start, stop)``, minus its slow course."""
    v = View(samples, start - width, stop + width)
    steady = median_filter(level_of(v, ohm), size=width, mode="reflect")[start - v.start : stop - v.start]
    return np.asarray(steady - slow.at(np.arange(start, stop)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dip:
    """Low rows close together."""

    log: int
    begin_s: float
    end_s: float
    row: int
    depth_v: float
    """At its deepest, in ``row``."""


def _dips(samples: Samples, ohm: float, filters: list[_Filter], start: int, stop: int) -> list[_Dip]:
    """Dips among the rows of a block."""
    reach = max(f.width for f in filters)
    v = View(samples, start - reach, stop + reach)
    level, stride = level_of(v, ohm), max(_STRIDE, reach)
    suspect = np.zeros(stop - start, dtype=bool)
    for f in filters:
        top = np.repeat(f.slow.highest(v.start, v.stop, stride), stride)[: len(level)]
        suspect |= _can_be_low(level < top - f.least + _ROUNDING, f.width)[start - v.start : stop - v.start]
    dips: list[_Dip] = []
    rows = np.flatnonzero(suspect) + start
    for near in np.split(rows, np.flatnonzero(np.diff(rows) > reach) + 1) if len(rows) else ():
        first, last = int(near[0]), int(near[-1]) + 1
        deepest, low = np.zeros(last - first), np.zeros(last - first, dtype=bool)
        for f in filters:
            rest = _rest(samples, f.slow, ohm, f.width, first, last)
            low |= rest < -f.least
            deepest = np.minimum(deepest, rest)
        dips += _grouped(samples, np.flatnonzero(low) + first, deepest[low])
    return dips


def _can_be_low(low: NDArray[np.bool_], width: int) -> NDArray[np.bool_]:
    """Where at least half of the samples around are low; where the window ends with the rows, a quarter."""
    half = width // 2
    count = np.zeros(len(low) + 1, dtype=np.int32)
    np.cumsum(low, out=count[1:], dtype=np.int32)
    row = np.arange(len(low))
    out = np.empty(len(low), dtype=bool)
    if len(low) > width:
        out[half:-half] = count[width:] - count[:-width] > half
    for at in (row[:half], row[-half:]) if len(low) > width else (row,):
        inside = count[np.minimum(at + half + 1, len(low))] - count[np.maximum(at - half, 0)]
        out[at] = 2 * inside > half
    return out


def _grouped(samples: Samples, row: Rows, rest: Array) -> list[_Dip]:
    if not len(row):
        return []
    time, log = samples.read("time_s", int(row[0]), int(row[-1]) + 1)[row - row[0]], samples.log_of(row)
    apart = np.flatnonzero((np.diff(time) > _APART_S) | (np.diff(log) != 0)) + 1
    out = []
    for first, last in pairwise([0, *apart.tolist(), len(row)]):
        i = first + int(np.argmin(rest[first:last]))
        out.append(
            _Dip(log=int(log[i]), begin_s=float(time[first]), end_s=float(time[last - 1]), row=int(row[i]),
                 depth_v=float(-rest[i]))
        )  # fmt: skip
    return out


def _merged(dips: list[_Dip]) -> list[_Dip]:
    """Dips in quick succession are one: a contact that chatters."""
    out: list[_Dip] = []
    for dip in dips:
        if not out or dip.log != out[-1].log or dip.begin_s - out[-1].end_s > _APART_S:
            out.append(dip)
            continue
        before = out.pop()
        deeper = dip if dip.depth_v > before.depth_v else before
        out.append(_Dip(log=dip.log, begin_s=before.begin_s, end_s=dip.end_s, row=deeper.row, depth_v=deeper.depth_v))
    return out


def _event(samples: Samples, cycles: Cycles, dip: _Dip) -> Event:
    held = np.flatnonzero((cycles.start <= dip.row) & (dip.row < cycles.stop))
    return Event(
        kind="supply_dip", quantity="voltage_min_v", cycle=int(cycles.number[held[0]]) if len(held) else None,
        time_s=dip.begin_s, size=dip.depth_v, size_s=dip.end_s - dip.begin_s + samples.sampling_s, unit="V",
    )  # fmt: skip
