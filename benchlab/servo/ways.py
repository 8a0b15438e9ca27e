"""Strokes and rests of one block of rows: positions at rest, times of the ways, and which samples move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.servo import windows
from benchlab.servo.strokes import Legs, speed
from benchlab.servo.view import View
from benchlab.servo.windows import Array, Rows

_SHARES = np.array([0.1, 0.9])
"""Shares of its way between which a stroke is timed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Some:
    """A few strokes in order; rows count from the view's first."""

    begin: Rows
    start: Rows
    rest_begin: Rows
    stop: Rows
    """End of the rest that is looked at."""
    left: Rows
    """End of the dwell."""
    follows: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The stroke before the first of a block."""

    begin: int = -1
    stop: int = -1
    came: float = np.nan
    span: float = np.nan
    rest: float = np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Moving:
    """Samples in which the servo moves, in order, and the stroke that each belongs to."""

    row: Rows
    stroke: Rows


def some_of(legs: Legs, of: slice, v: View) -> Some:
    """Return some of the strokes as the view numbers its rows."""
    d = legs.dwells
    return Some(
        begin=legs.begin[of] - v.start, start=d.start[of] - v.start, rest_begin=legs.rest_begin[of] - v.start,
        stop=legs.rest_end[of] - v.start, left=d.stop[of] - v.start, follows=d.follows[of],
    )  # fmt: skip


def at_rest(v: View, s: Some, before: Before) -> dict[str, Array]:
    """Position and current in the rests, and where the strokes came from."""
    nothing = np.full(len(s.stop), np.nan)
    out = dict.fromkeys(("rest_deg", "rest_sd_deg", "rest_n", "creep_deg", "rest_a", "rest_sd_a"), nothing)
    steps = v.samples.steps
    if "position_deg" in v.samples.channels:
        x, whole = v.raw("position_deg"), v.whole("position_deg")
        out["rest_deg"], out["rest_sd_deg"], out["rest_n"] = windows.robust(
            x, s.rest_begin, s.stop, steps["position_deg"], whole=whole
        )
        half = (s.rest_begin + s.stop) // 2
        begin, end = np.column_stack([s.rest_begin, half]).ravel(), np.column_stack([half, s.stop]).ravel()
        first, second = windows.mean(x, begin, end, whole=whole).reshape(-1, 2).T
        out["creep_deg"] = second - first
    if "current_a" in v.samples.channels:
        out["rest_a"], out["rest_sd_a"], _ = windows.robust(
            v.raw("current_a"), s.rest_begin, s.stop, steps["current_a"], whole=v.whole("current_a")
        )
    out["from_deg"] = np.where(s.follows, np.concatenate([[before.rest], out["rest_deg"][:-1]]), np.nan)
    return out


def on_the_way(
    v: View, s: Some, rest: Array, came: Array, before: Before, moving_fraction: float
) -> tuple[dict[str, Array], Moving]:
    """Transit times and what makes them uncertain, overshoots; and the samples that move."""
    position = v.smooth("position_deg")
    way = rest - came
    span = np.where(way == 0, np.nan, way)
    reached = _reached(position, s, came, span)
    crossings = _Crossings(v, s, came, span, before)
    time, noise, bend = crossings.at(reached, _SHARES)
    transit = time[1] - time[0]
    # between two samples nothing is known of the way: less than two intervals is no measurement of a time
    transit[~(transit >= 2 * v.samples.sampling_s)] = np.nan

    arrived, sense = np.where(reached[1] >= 0, reached[1], s.rest_begin), np.sign(way)
    # a course without gaps has no missing sample
    gapless = v.whole("position_deg")
    top = windows.highest(position, arrived, s.rest_begin, whole=gapless)
    floor = windows.lowest(position, arrived, s.rest_begin, whole=gapless)
    excess = sense * (np.where(sense >= 0, top, floor) - rest)
    out = {
        "transit_s": transit, "transit_noise_s": np.hypot(*noise) / np.abs(span),
        "transit_bend_s": np.hypot(*bend), "overshoot_deg": np.maximum(excess, 0.0),
    }  # fmt: skip

    velocity = windows.ragged(speed(position, v.samples.sampling_s), s.begin, s.rest_begin)
    length = s.rest_begin - s.begin
    end = np.cumsum(length)
    velocity = velocity * np.repeat(sense, length)
    peak = windows.highest(velocity, end - length, end, whole=gapless)
    with np.errstate(invalid="ignore"):
        moves = np.flatnonzero(velocity > np.repeat(moving_fraction * peak, length))
    stroke = windows.window_of(moves, end)
    return out, Moving(row=moves + (s.rest_begin - end)[stroke], stroke=stroke)


def _reached(position: Array, s: Some, came: Array, span: Array) -> Rows:
    """First rows at which each stroke has done the shares of its way; -1 if never. Shape (shares, strokes)."""
    found = np.full((len(_SHARES), len(came)), -1)
    # nearly all have before they are taken to rest: the others are looked at to their end
    for end in (s.rest_begin, s.stop):
        late = np.flatnonzero((found < 0).any(axis=0) & np.isfinite(span))
        if not len(late):
            break
        begin, length = s.begin[late], (end - s.begin)[late]
        first = np.cumsum(length) - length
        done = windows.ragged(position, begin, begin + length) - np.repeat(came[late], length)
        done /= np.repeat(span[late], length)
        for i, share in enumerate(_SHARES):
            at = windows.first_true(done >= share, first, first + length)
            found[i, late] = np.where(at >= 0, at - first + begin, -1)
    return found


class _Crossings:
    """When strokes have done a share of their way."""

    def __init__(self, v: View, s: Some, came: Array, span: Array, before: Before) -> None:
        self.v, self.s, self.came, self.span = v, s, came, span
        # the stroke before each, whose samples are its neighbours
        self.old_begin = np.concatenate([[before.begin - v.start], s.begin[:-1]])
        self.old_stop = np.concatenate([[before.stop - v.start], s.left[:-1]])
        self.old_came = np.concatenate([[before.came], came[:-1]])
        self.old_span = np.concatenate([[before.span], span[:-1]])

    def at(self, row: Rows, shares: Array) -> tuple[Array, Array, Array]:
        """Time (interpolated) at which each stroke has done shares of its way, NaN if never. Shape (shares, strokes).

        And how much the time changes per (relative) noise of a reading; and what the bend of the way leaves unknown of
        it: a line between two samples is wrong by ``p (1 - p) / 2`` of the second difference, which scatters by
        ``sqrt(1/30 - 1/36) / 2`` of it for a place p between them at random.
        """
        v, n = self.v, len(self.v.samples)
        time, noise, bend = (np.full(row.shape, np.nan) for _ in range(3))
        which = np.nonzero((row >= 0) & (row + v.start > 0))
        share, i = shares[which[0]], which[1]
        at = row[which]
        before = at - 1
        t = v.raw("time_s")
        here, there = self._done(before, i), self._done(at, i)
        slope = there - here
        part = np.divide(share - here, slope, out=np.ones(len(at)), where=slope > 0)
        when = t[before] + np.clip(part, 0, 1) * (t[at] - t[before])
        # a stroke whose first samples lie behind a break has no beginning to be timed from
        when[v.broken(at)] = np.nan
        time[which] = when
        with np.errstate(divide="ignore", invalid="ignore"):
            interval = (t[at] - t[before]) / np.where(slope > 0, slope, np.nan)
            noise[which] = interval * np.hypot(1 - part, part)
            after, ahead = np.minimum(at + 1, n - 1 - v.start), np.maximum(before - 1, -v.start)
            beyond = self._done(after, i) - 2 * there + here, there - 2 * here + self._done(ahead, i)
            bend[which] = interval * np.sqrt(1 / 30 - 1 / 36) / 2 * np.minimum(*np.abs(beyond))
        return time, noise, bend

    def _done(self, row: Rows, i: Rows) -> Array:
        """Share of its way that the servo has done at rows in or just before or after strokes ``i``."""
        x, s = self.v.smooth("position_deg")[row], self.s
        own = (x - self.came[i]) / self.span[i]
        old = (row >= self.old_begin[i]) & (row < self.old_stop[i])
        earlier = np.where(old, (x - self.old_came[i]) / self.old_span[i], np.nan)
        return np.where(row < s.begin[i], earlier, np.where(row < s.stop[i], own, np.inf))


def moving_by_current(v: View, s: Some, rest_a: Array, noise: Array) -> Moving:
    """From the command edge until the current has come back to rest: within a tenth of its rise, or its noise."""
    smooth = v.smooth("current_a")
    peak = windows.highest(smooth, s.start, s.rest_begin)
    level = rest_a + np.maximum(0.1 * (peak - rest_a), 3 * noise)
    length = s.stop - s.start
    first, x = np.cumsum(length) - length, windows.ragged(smooth, s.start, s.stop)
    at_peak = windows.first_true(x >= np.repeat(peak, length), first, first + s.rest_begin - s.start)
    with np.errstate(invalid="ignore"):
        calm = x <= np.repeat(level, length)
    back = windows.first_true(calm, np.where(at_peak >= 0, at_peak, first), first + length)
    end = np.where(back >= 0, back - first + s.start, s.stop)
    row, stroke = windows.flatten(s.start, end)
    return Moving(row=row, stroke=stroke)


def currents(v: View, m: Moving, n: int) -> dict[str, Array]:
    """What ``n`` strokes draw while they move, and at the first and the last sample that does."""
    new = np.diff(m.stroke, prepend=-1) != 0
    old = np.diff(m.stroke, append=-1) != 0
    first, last = np.full(n, -1), np.full(n, -1)
    first[m.stroke[new]], last[m.stroke[old]] = m.row[new], m.row[old]
    out = {
        "moving_n": np.bincount(m.stroke, minlength=n).astype(float),
        "first_row": np.where(first >= 0, first + v.start, -1), "last_row": np.where(last >= 0, last + v.start, -1),
    }  # fmt: skip
    if "current_a" not in v.samples.channels:
        return out | dict.fromkeys(("moving_a", "first_a", "last_a", "change_a2"), np.full(n, np.nan))
    x = v.raw("current_a")
    out["moving_a"] = windows.group_mean(x[m.row], m.stroke, n)
    out["first_a"], out["last_a"] = (np.where(at >= 0, x[at], np.nan) for at in (first, last))
    # what the samples of a course met at a random phase leave unknown of its mean: cycle_uncertainty._between
    row, _ = windows.flatten(first + 1, last + 1)
    length = last - first
    end = np.cumsum(length)
    here, after = x[row], np.minimum(row + 1, len(x) - 1)
    slope = x[after] - here
    bend = np.where(after > row, slope - (here - x[row - 1]), 0.0)
    unknown = windows.total(slope**2 / 12 + bend**2 * (5 / 36), end - length, end)
    out["change_a2"] = np.where(last >= 0, unknown, np.nan)
    return out
