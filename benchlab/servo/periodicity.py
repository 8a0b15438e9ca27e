"""Cycles of signals that do not rest: waves by a Schmitt trigger, and currents by autocorrelation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from benchlab.servo.samples import Samples
from benchlab.servo.windows import Array, Rows

_SHORTEST = 8
"""Rows of a cycle, at least, for its pieces to be told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Complete waves, each from one rise through the middle to the next."""

    start: Rows
    stop: Rows
    share: Array
    """The signal about its middle, in shares of its local span."""
    period: Rows
    """Rows between each rise and the next, those of incomplete waves too."""


def waves(signal: Array, samples: Samples, edge_low: float, edge_high: float) -> Waves | None:
    """Cut a swinging signal at its rises through the middle; None if it does not swing at least twice.

    A rise counts once the signal has been below ``edge_low`` and then gets above ``edge_high``, shares of its span.
    """
    low, high = np.quantile(signal, [0.005, 0.995])
    if not high > low:
        return None
    share = (signal - low) / (high - low)
    rises = _rises(share, edge_low, edge_high)
    if len(rises) < 2:
        return None
    period = float(np.median(np.diff(rises)))
    # a changed amplitude: the span of one and a half periods around decides, not that of the whole log
    width = round(1.5 * period) | 1
    floor, top = minimum_filter1d(signal, width), maximum_filter1d(signal, width)
    local = (signal - floor) / np.maximum(top - floor, 0.1 * (high - low))
    rises = _rises(local, edge_low, edge_high)
    start, stop = _bounds(rises, samples, local)
    return Waves(start=start, stop=stop, share=local - 0.5, period=np.diff(rises)) if len(start) else None


def _rises(share: Array, edge_low: float, edge_high: float) -> Rows:
    """Rows of the last rise through one half before each arrival above ``edge_high`` from below ``edge_low``."""
    mark = np.where(share >= edge_high, 1, np.where(share <= edge_low, -1, 0))
    place = np.flatnonzero(mark)
    up = place[1:][(mark[place[1:]] == 1) & (mark[place[:-1]] == -1)]
    crossing = np.flatnonzero((share[1:] >= 0.5) & (share[:-1] < 0.5)) + 1
    rises = crossing[np.searchsorted(crossing, up, side="right") - 1] if len(up) else up
    # a log that begins in the middle of a rise begins with a whole cycle
    if len(place) and mark[place[0]] == 1 and 0.45 <= share[0] < edge_high:
        rises = np.concatenate([[0], rises])
    return np.asarray(rises)


def _bounds(rises: Rows, samples: Samples, share: Array) -> tuple[Rows, Rows]:
    """Complete cycles between rises; those over a break or of an odd length are set aside."""
    start, stop = rises[:-1], rises[1:]
    if len(start) == 0:
        return start, stop
    period = float(np.median(stop - start))
    head, tail = rises[0], len(share) - rises[-1]
    if head + tail >= 0.98 * period and head + tail <= 1.02 * period:
        # what was cut off at both ends makes one more cycle: begin where the log begins
        shifted = rises - head
        start, stop = shifted, np.concatenate([shifted[1:], [len(share)]])
    breaks = np.cumsum(samples.broken())
    whole = (breaks[np.maximum(stop - 1, 0)] == breaks[start]) & (np.abs(stop - start - period) <= 0.5 * period)
    return start[whole], stop[whole]


def shape(share: Array) -> Literal["sine", "ramp"]:
    """Tell a sine from a ramp by the time spent in the outer tenths of the span: 41 % against 20 %."""
    return "sine" if (np.abs(share) > 0.4).mean() > 0.3 else "ramp"


def by_autocorrelation(signal: Array, samples: Samples) -> tuple[Rows, Rows] | None:
    """Cut a signal at a fixed phase of its period; None if nothing repeats.

    The period is the first lag at which the autocorrelation is (nearly) as high as it gets; each cycle is then placed
    where it agrees best with the mean cycle, within a tenth of the period of where it is expected.
    """
    period = _period(signal)
    if period is None or period < _SHORTEST:
        return None
    smooth = uniform_filter1d(signal, max(1, period // 50))
    first = int(np.argmax(np.diff(smooth[: 2 * period]))) + 1 if len(signal) > 2 * period else 0
    first %= period
    count = (len(signal) - first) // period
    folded = np.median(smooth[first : first + count * period].reshape(count, period), axis=0)
    start = _track(smooth, folded - folded.mean(), first, period)
    stop = np.concatenate([start[1:], [start[-1] + period]])
    breaks = np.cumsum(samples.broken())
    whole = (stop <= len(signal)) & (breaks[np.minimum(stop, len(signal)) - 1] == breaks[start])
    whole &= np.abs(stop - start - period) <= 0.25 * period
    return (start[whole], stop[whole]) if whole.sum() >= 2 else None


def _period(signal: Array) -> int | None:
    x = signal - signal.mean()
    n = len(x)
    size = next_fast_len(2 * n)
    r = irfft(np.abs(rfft(x, size)) ** 2, size)[: n // 2]
    if n < 16 or not r[0] > 0:
        return None
    r = r / r[0] * n / (n - np.arange(len(r)))
    negative = np.flatnonzero(r < 0.5 * r[1 : max(len(r) // 2, 2)].max())
    if not len(negative):
        return None
    begin = negative[0]
    peaks = np.flatnonzero((r[begin + 1 : -1] >= r[begin:-2]) & (r[begin + 1 : -1] > r[begin + 2 :])) + begin + 1
    if not len(peaks) or r[peaks].max() < 0.2:
        return None
    best = peaks[r[peaks] >= r[peaks].max() - 0.03]
    return int(best[0])


def _track(smooth: Array, template: Array, first: int, period: int) -> Rows:
    reach = max(1, period // 10)
    starts = [first]
    here = first
    while here + 2 * period + reach <= len(smooth):
        expected = here + period
        low = max(expected - reach, 0)
        views = np.lib.stride_tricks.sliding_window_view(smooth[low : expected + reach + period], period)
        match = views @ template
        # equal agreement (a flat signal) keeps to the expected place
        here = low + int(np.argmax(match)) if np.ptp(match) > 0 else expected
        starts.append(here)
    return np.array(starts, dtype=np.intp)
