"""Strokes and rests: what position and current did on the way to each dwell and during it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from benchlab.procedure import ServoProcedure
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, Dwells, fill
from benchlab.servo.samples import Samples
from benchlab.servo.windows import Array, Rows

_SPEED_S = 0.01
"""Half-width of the difference that speed is taken over, if the sampling is finer."""
_MAJOR = 0.2
"""A stroke counts for transit and overshoot if it is at least this share of the longest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes:
    """One row per dwell: the stroke that led to it, and the rest in it. NaN where not to be seen."""

    dwells: Dwells
    begin: Rows
    """Row at which the stroke begins: end of the dwell before; the dwell's own start where that was not seen."""
    rest_begin: Rows
    """Row from which the servo is taken to be at rest."""
    came_from: NDArray[np.intp]
    """LOW or HIGH: the dwell before was lower or higher; 9 where it was not seen."""
    kind: NDArray[np.intp]
    """Strokes of one kind go the same way: the dwell's place in the pattern, -1 outside cycles or not seen to begin."""
    rest_deg: Array
    rest_sd_deg: Array
    rest_n: Array
    creep_deg: Array
    """Second half of the rest minus its first half."""
    rest_a: Array
    rest_sd_a: Array
    from_deg: Array
    """Rest position before the stroke."""
    transit_s: Array
    """From 10 % to 90 % of the stroke."""
    transit_noise_s: Array
    """Standard deviation of ``transit_s`` per degree of noise in a reading."""
    transit_bend_s: Array
    """The same from the way's bending between two samples."""
    overshoot_deg: Array
    moving: NDArray[np.bool_]
    """Per sample: the servo moves."""
    of_row: Rows
    """Per sample: the stroke it belongs to, -1 outside."""

    @property
    def way_deg(self) -> Array:
        """Signed length of each stroke."""
        return self.rest_deg - self.from_deg


def find_strokes(samples: Samples, cycles: Cycles, procedure: ServoProcedure) -> Strokes | None:
    """Return strokes and rests of a record whose cycles have dwells, else None."""
    d = cycles.dwells
    if d is None or not len(d):
        return None
    n = len(samples)
    before = np.concatenate([[0], d.stop[:-1]])
    begin = np.where(d.follows, before, d.start)
    rest_begin = _rest_begin(d, procedure.cutting.settle_fraction)
    rises = np.diff(d.level, prepend=d.level[0]) > 0
    came_from = np.where(d.follows, np.where(rises, LOW, HIGH), 9)
    of_row = np.full(n, -1)
    row, stroke = windows.flatten(begin, d.stop)
    of_row[row] = stroke

    position = samples.get("position_deg")
    nothing = np.full(len(d), np.nan)
    rest = sd = count = creep = nothing
    if position is not None:
        rest, sd, count = windows.robust(position, rest_begin, d.stop, samples.steps["position_deg"])
        half = (rest_begin + d.stop) // 2
        creep = windows.mean(position, half, d.stop) - windows.mean(position, rest_begin, half)
    current = samples.get("current_a")
    rest_a = rest_sd_a = nothing
    if current is not None:
        rest_a, rest_sd_a, _ = windows.robust(current, rest_begin, d.stop, samples.steps["current_a"])
    came = np.where(d.follows, np.concatenate([[np.nan], rest[:-1]]), np.nan)
    transit = per_noise = bend = overshoot = nothing
    if position is not None:
        smooth = _without_spikes(position)
        moving, transit, (per_noise, bend), overshoot = _ways(
            samples, smooth, d, begin, rest_begin, of_row, rest, came, procedure
        )
    elif current is not None and cycles.source in ("command", "cycle"):
        moving = _moving_by_current(current, d, rest_begin, rest_a, rest_sd_a, of_row)
    else:
        moving = np.zeros(n, dtype=bool)
    return Strokes(
        dwells=d, begin=begin, rest_begin=rest_begin, came_from=came_from,
        kind=np.where(d.follows & (d.cycle >= 0), d.place, -1), rest_deg=rest, rest_sd_deg=sd, rest_n=count,
        creep_deg=creep, rest_a=rest_a, rest_sd_a=rest_sd_a, from_deg=came, transit_s=transit,
        transit_noise_s=per_noise, transit_bend_s=bend, overshoot_deg=overshoot, moving=moving,
        of_row=of_row,
    )  # fmt: skip


def _rest_begin(d: Dwells, settle_fraction: float) -> Rows:
    length = d.stop - d.start
    return np.asarray(np.minimum(d.start + np.ceil(settle_fraction * length).astype(np.intp), d.stop - 1))


def _without_spikes(x: Array) -> Array:
    return np.asarray(median_filter(fill(x), size=3, mode="nearest"))


def speed(x: Array, sampling_s: float) -> Array:
    """Slope of a signal from row to row, over about 20 ms where the sampling is finer than that."""
    m = max(1, round(_SPEED_S / sampling_s))
    padded = np.pad(x, m, mode="edge")
    return np.asarray((padded[2 * m :] - padded[: -2 * m]) / (2 * m * sampling_s))


def _ways(
    samples: Samples, position: Array, d: Dwells, begin: Rows, rest_begin: Rows, of_row: Rows, rest: Array,
    came: Array, procedure: ServoProcedure,
) -> tuple[NDArray[np.bool_], Array, tuple[Array, Array], Array]:  # fmt: skip
    """Which samples move, transit times and what makes them uncertain, overshoots."""
    way = rest - came
    with np.errstate(invalid="ignore"):
        major = np.abs(way) >= _MAJOR * np.nanmax(np.abs(way), initial=0.0)
    sense = np.where(major, np.sign(way), np.nan)
    in_stroke = of_row >= 0
    stroke = np.maximum(of_row, 0)
    span = np.where(way == 0, np.nan, way)[stroke]
    done = (position - came[stroke]) / span
    t10 = _crossing(samples, done, 0.1, begin, d.stop)
    t90 = _crossing(samples, done, 0.9, begin, d.stop)
    per_noise = np.hypot(t10[2], t90[2]) / np.abs(np.where(way == 0, np.nan, way))
    bend = np.hypot(t10[3], t90[3])
    transit = np.where(major, t90[0] - t10[0], np.nan)
    # between two samples nothing is known of the way: less than two intervals is no measurement of a time
    transit[~(transit >= 2 * samples.sampling_s)] = np.nan

    arrived = np.where(t90[1] >= 0, t90[1], rest_begin)
    excess = sense[stroke] * (position - rest[stroke])
    overshoot = np.maximum(windows.highest(np.where(in_stroke, excess, np.nan), arrived, rest_begin), 0.0)

    velocity = speed(position, samples.sampling_s) * sense[stroke]
    velocity[~in_stroke] = np.nan
    peak = windows.highest(velocity, begin, rest_begin)
    with np.errstate(invalid="ignore"):
        moving = velocity > procedure.cutting.moving_fraction * peak[stroke]
    moving &= np.arange(len(position)) < rest_begin[stroke]
    return moving & in_stroke, transit, (per_noise, bend), np.where(major, overshoot, np.nan)


def _crossing(samples: Samples, done: Array, share: float, begin: Rows, stop: Rows) -> tuple[Array, Rows, Array, Array]:
    """Time (interpolated) and row at which each stroke has first done a share of its way; NaN and -1 if never.

    And how much the time changes per (relative) noise of a reading; and what the bend of the way leaves unknown of it:
    a line between two samples is wrong by ``p (1 - p) / 2`` of the second difference, which scatters by
    ``sqrt(1/30 - 1/36) / 2`` of it for a place p between them at random.
    """
    with np.errstate(invalid="ignore"):
        row = windows.first_true(done >= share, begin, stop)
    found = row > 0
    at, before = np.maximum(row, 1), np.maximum(row, 1) - 1
    t = samples.time_s
    slope = done[at] - done[before]
    part = np.divide(share - done[before], slope, out=np.ones(len(at)), where=slope > 0)
    time = t[before] + np.clip(part, 0, 1) * (t[at] - t[before])
    with np.errstate(divide="ignore", invalid="ignore"):
        interval = (t[at] - t[before]) / np.where(slope > 0, slope, np.nan)
        noise = interval * np.hypot(1 - part, part)
        after, ahead = np.minimum(at + 1, len(t) - 1), np.maximum(before - 1, 0)
        bends = [np.abs(done[k] - 2 * done[j] + done[i]) for i, j, k in ((before, at, after), (ahead, before, at))]
        bend = interval * np.sqrt(1 / 30 - 1 / 36) / 2 * np.minimum(*bends)
    # a stroke whose first samples lie behind a break has no beginning to be timed from
    return np.where(found & ~samples.broken[at], time, np.nan), row, noise, bend


def _moving_by_current(
    current: Array, d: Dwells, rest_begin: Rows, rest_a: Array, noise: Array, of_row: Rows
) -> NDArray[np.bool_]:
    """From the command edge until the current has come back to rest: within a tenth of its rise, or its noise."""
    smooth = _without_spikes(current)
    peak = windows.highest(smooth, d.start, rest_begin)
    at_peak = windows.first_true(smooth >= peak[np.maximum(of_row, 0)], d.start, rest_begin)
    level = rest_a + np.maximum(0.1 * (peak - rest_a), 3 * noise)
    after = np.where(at_peak >= 0, at_peak, d.start)
    with np.errstate(invalid="ignore"):
        back = windows.first_true(smooth <= level[np.maximum(of_row, 0)], after, d.stop)
    end = np.where(back >= 0, back, d.stop)
    moving = np.zeros(len(current), dtype=bool)
    moving[windows.flatten(d.start, end)[0]] = True
    return moving
