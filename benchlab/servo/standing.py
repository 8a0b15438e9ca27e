"""Where a command stands still, or a servo rests: runs of rows, found block by block."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from benchlab.procedure import ServoProcedure
from benchlab.servo import windows
from benchlab.servo.dwells import HIGH, LOW, REPEATS, REPEATS_SEEN, Dwells, classified
from benchlab.servo.samples import Read, Samples, median3
from benchlab.servo.windows import Array, Rows

_BINS = 200
_LEVEL_SHARE = 0.02
"""A value at which at least this share of the samples stands is a level."""
_TOLERANCE = 0.015
"""Samples this close to a level, in shares of the span, stand at it."""
_DWELL_SHARE = 0.5
_END_SHARE = 0.08
"""A command dwells if it spends half of the time at its levels and 8 % at either end (a sine: 5 % within 0.5 %)."""
_FEWEST_ROWS = 3
"""A command of many levels stands at them for so many rows, at least."""
_PASSING, _PASSING_LEVEL = 0.05, 0.25
"""A run shorter than these shares of the usual run, and of the usual run at its level, only passes there."""
_EXACT = 2.0**53
"""Whole numbers below are held exactly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Runs:
    """Runs of rows of one label, 0 or more, none across logs; and the signal's mean over each."""

    start: Rows
    stop: Rows
    label: NDArray[np.intp]
    level: Array

    def only(self, chosen: NDArray[np.bool_]) -> _Runs:
        return _Runs(
            start=self.start[chosen], stop=self.stop[chosen], label=self.label[chosen], level=self.level[chosen]
        )


def command_dwells(samples: Samples, procedure: ServoProcedure) -> Dwells | None:
    """Return the command's dwells, or None where it does not stand still at its ends (ramp, sine, constant)."""
    command = clean_command(samples)
    sample = samples.scattered(command)
    low, high = np.nanquantile(sample, [0.002, 0.998])
    span = high - low
    if not span > 0:
        return None
    levels = _levels(sample, low, span)
    row, label = _label(sample, levels, _TOLERANCE * span)
    standing = np.diff(row, append=len(sample))[label >= 0].sum() / len(sample)
    at_ends = [(np.abs(sample - end) <= _TOLERANCE * span).mean() for end in (low, high)]
    if standing < _DWELL_SHARE or min(at_ends) < _END_SHARE:
        return None
    runs = _runs(samples, command, lambda _a, _b, x: _label(x, levels, _TOLERANCE * span))
    # a sine sampled in step with itself takes few values too, but stands at none of them
    if not len(runs.start) or (len(levels) > 3 and np.median(runs.stop - runs.start) < _FEWEST_ROWS):
        return None
    return _dwells(samples, _without_passing(runs), procedure, REPEATS)


def clean_command(samples: Samples) -> Read:
    """Return how to read the command with single wrong samples removed, missing ones filled with the last value."""
    beginning = float("nan")
    if not np.isfinite(samples.read("command_us", 0, 1)).all():
        beginning = windows.middle(samples.sample(lambda a, b: samples.held("command_us", a, b, np.nan)))

    def read(start: int, stop: int) -> Array:
        a, b = max(start - 1, 0), min(stop + 1, len(samples))
        x = samples.held("command_us", a, b, beginning)
        changes = x[1:] != x[:-1]
        if not (changes[1:] & changes[:-1]).any():  # no value comes once: it is its own median
            return x[start - a : stop - a]
        return median3(x, at_start=a == start, at_end=b == stop)

    return read


def _levels(command: Array, low: float, span: float) -> Array:
    """Values at which the command stands: clusters of well-filled bins, each by the mean of its samples."""
    edges = np.linspace(low - 0.01 * span, low + 1.01 * span, _BINS + 1)
    place = np.digitize(command, edges) - 1
    inside = (place >= 0) & (place < _BINS)
    count = np.bincount(place[inside], minlength=_BINS)
    total = np.bincount(place[inside], weights=command[inside], minlength=_BINS)
    full = count >= _LEVEL_SHARE * len(command)
    cluster = np.cumsum(np.diff(full.astype(int), prepend=0) == 1)[full] - 1
    if not len(cluster):
        return np.zeros(0)
    return np.bincount(cluster, weights=total[full]) / np.bincount(cluster, weights=count[full])


def _label(command: Array, levels: Array, tolerance: float) -> tuple[Rows, NDArray[np.intp]]:
    """Which level the command stands at, -1 for none, from which rows on; ``levels`` ascend."""
    # a command mostly stays as it is: what is one is looked up once
    row = np.flatnonzero(np.concatenate([[True], command[1:] != command[:-1]]))
    value = command[row]
    if not len(levels):
        return row, np.full(len(row), -1)
    nearest = np.searchsorted((levels[1:] + levels[:-1]) / 2, value)
    return row, np.where(np.abs(value - levels[nearest]) <= tolerance, nearest, -1)


def _runs(
    samples: Samples,
    read: Read,
    label_of: Callable[[int, int, Array], tuple[Rows, NDArray[np.intp]]],
) -> _Runs:
    """Cut the record into runs of equal label; runs of label -1 are left out."""
    starts, labels, totals = [], [], []
    last, total = -2, 0.0
    for a, b in samples.blocks():
        x = read(a, b)
        stretch, of_stretch = label_of(a, b, x)
        log = samples.begins(a, b)
        row = np.union1d(stretch, log)
        label = of_stretch[np.searchsorted(stretch, row, side="right") - 1]
        new = (np.diff(label, prepend=last) != 0) | np.isin(row, log)
        row, label = row[new], label[new]
        running = _running(total, x, row)
        starts.append(row + a)
        labels.append(label)
        totals.append(running[:-1])
        last, total = int(of_stretch[-1]), float(running[-1])
    start, label, sums = (np.concatenate(x) for x in (starts, labels, totals))
    stop = np.append(start[1:], len(samples))
    level = (np.append(sums[1:], total) - sums) / np.maximum(stop - start, 1)
    return _Runs(start=start, stop=stop, label=label, level=level).only(label >= 0)


def _running(total: float, x: Array, row: Rows) -> Array:
    """``total`` and all samples before each row, and before the end, as if summed one by one from the very first on.

    So that no sum depends on where a block begins. Sums of whole numbers are exact in whatever order they are made.
    """
    whole = total.is_integer() and bool((x == np.rint(x)).all())
    if not whole or abs(total) + len(x) * np.abs(x).max() >= _EXACT:
        return np.asarray(np.cumsum(np.concatenate([[total], x]))[np.append(row, len(x))])
    if not len(row):
        return np.array([total + x.sum()])
    return np.asarray(total + np.cumsum(np.concatenate([[x[: row[0]].sum()], np.add.reduceat(x, row)])))


def _without_passing(runs: _Runs) -> _Runs:
    """Leave out runs in which the signal only passed a level on its way."""
    length = runs.stop - runs.start
    usual = windows.group_median(length.astype(float), runs.label, int(runs.label.max()) + 1)[runs.label]
    return runs.only(length >= np.maximum(_PASSING * np.median(length), _PASSING_LEVEL * usual))


def _dwells(samples: Samples, runs: _Runs, procedure: ServoProcedure, agreement: float) -> Dwells:
    return classified(runs.start, runs.stop, runs.level, samples.log_of(runs.start), procedure, agreement)


def position_rests(samples: Samples, procedure: ServoProcedure) -> Dwells | None:
    """Return the rests of the position itself, or None where the servo does not come to rest at both ends."""
    low, high = np.quantile(samples.scattered(partial(samples.filled, "position_deg")), [0.01, 0.99])
    span = high - low
    if not span > 0:
        return None
    width = max(3, 2 * round(0.02 / samples.sampling_s) + 1)
    bend = samples.sample(lambda a, b: np.abs(np.diff(samples.filled("position_deg", a, b), n=2)))
    noise = 1.4826 * np.median(bend) / np.sqrt(6)
    band = max(0.01 * span, 6 * noise, 2.5 * samples.steps.get("position_deg", 0.0))

    def still(a: int, b: int, _: Array) -> tuple[Rows, NDArray[np.intp]]:
        begin, end = max(a - width, 0), min(b + width, len(samples))
        smooth = samples.smooth("position_deg", begin, end)
        rests = maximum_filter1d(smooth, width) - minimum_filter1d(smooth, width) <= band
        rests = rests[a - begin : b - begin]
        row = np.flatnonzero(np.concatenate([[True], rests[1:] != rests[:-1]]))
        return row, np.where(rests[row], 0, -1)

    runs = _runs(samples, lambda a, b: samples.filled("position_deg", a, b), still)
    length = runs.stop - runs.start
    if length.sum() < 0.2 * len(samples) or len(length) < 4:
        return None
    # rests of unequal length at one end are all rests: the level of a rest is not known yet
    runs = runs.only(length >= max(3, 2 * _PASSING * np.median(length)))
    if not np.median(_moves_by(samples, runs.start + (runs.stop - runs.start) // 3, runs.stop)) <= band:
        return None  # turning points of a wave
    rests = _dwells(samples, runs, procedure, REPEATS_SEEN)
    has = np.isin([LOW, HIGH], rests.kind)
    return rests if has.all() else None


def _moves_by(samples: Samples, start: Rows, stop: Rows) -> Array:
    """Difference between the highest and the lowest position of each window."""
    out = np.full(len(start), np.nan)
    for of, a, b in windows.in_blocks(start, stop, samples.block):
        smooth = samples.smooth("position_deg", a, b)
        begin, end = start[of] - a, stop[of] - a
        out[of] = windows.highest(smooth, begin, end) - windows.lowest(smooth, begin, end)
    return out
