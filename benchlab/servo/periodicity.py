"""Cycles of signals that do not rest: waves by a Schmitt trigger, and currents by autocorrelation.

The autocorrelation takes the whole signal into memory, about 50 bytes a row; waves are cut block by block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from benchlab.servo.samples import Read, Samples
from benchlab.servo.windows import Array, Rows

_SHORTEST = 8
"""Rows of a cycle, at least, for its pieces to be told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waves:
    """Complete waves, each from one rise through the middle to the next."""

    start: Rows
    stop: Rows
    share: Read
    """The signal about its middle, in shares of its local span."""
    period: Rows
    """Rows between each rise and the next, those of incomplete waves too."""


def waves(signal: Read, samples: Samples, edge_low: float, edge_high: float) -> Waves | None:
    """Cut a swinging signal at its rises through the middle; None if it does not swing at least twice.

    A rise counts once the signal has been below ``edge_low`` and then gets above ``edge_high``, shares of its span.
    """
    low, high = np.quantile(samples.scattered(signal), [0.005, 0.995])
    if not high > low:
        return None
    rises = _rises(samples, lambda a, b: (signal(a, b) - low) / (high - low), edge_low, edge_high)
    if len(rises) < 2:
        return None
    period = float(np.median(np.diff(rises)))
    # a changed amplitude: the span of one and a half periods around decides, not that of the whole log
    width = round(1.5 * period) | 1

    def local(start: int, stop: int) -> Array:
        begin, end = max(start - width, 0), min(stop + width, len(samples))
        x = signal(begin, end)
        floor, top = minimum_filter1d(x, width), maximum_filter1d(x, width)
        share = (x - floor) / np.maximum(top - floor, 0.1 * (high - low))
        return np.asarray(share[start - begin : stop - begin])

    rises = _rises(samples, local, edge_low, edge_high, 2 * width)
    start, stop = _bounds(rises, samples)
    if not len(start):
        return None
    return Waves(start=start, stop=stop, share=lambda a, b: local(a, b) - 0.5, period=np.diff(rises))


def _rises(samples: Samples, share: Read, edge_low: float, edge_high: float, at_least: int = 0) -> Rows:
    """Rows of the last rise through one half before each arrival above ``edge_high`` from below ``edge_low``."""
    found, first, last, crossed, before = [], 0, 0, -1, np.nan
    for start, stop in samples.blocks(at_least):
        x = share(start, stop)
        place = np.flatnonzero((x >= edge_high) | (x <= edge_low))
        high = np.where(x[place] >= edge_high, 1, -1)
        up = place[(high == 1) & (np.concatenate([[last], high[:-1]]) == -1)] + start
        crossing = np.flatnonzero((x >= 0.5) & (np.concatenate([[before], x[:-1]]) < 0.5)) + start
        known = np.concatenate([[crossed], crossing])
        found.append(known[np.searchsorted(known, up, side="right") - 1])
        if len(high):
            first, last = first or int(high[0]), int(high[-1])
        crossed, before = int(known[-1]), x[-1]
    # a log that begins in the middle of a rise begins with a whole cycle
    if first == 1 and 0.45 <= share(0, 1)[0] < edge_high:
        found.insert(0, np.zeros(1, dtype=np.intp))
    return np.concatenate(found)


def _bounds(rises: Rows, samples: Samples) -> tuple[Rows, Rows]:
    """Complete cycles between rises; those over a break or of an odd length are set aside."""
    start, stop = rises[:-1], rises[1:]
    if len(start) == 0:
        return start, stop
    period = float(np.median(stop - start))
    head, tail = rises[0], len(samples) - rises[-1]
    if head + tail >= 0.98 * period and head + tail <= 1.02 * period:
        # what was cut off at both ends makes one more cycle: begin where the log begins
        shifted = rises - head
        start, stop = shifted, np.concatenate([shifted[1:], [len(samples)]])
    whole = _unbroken(samples, start, stop) & (np.abs(stop - start - period) <= 0.5 * period)
    return start[whole], stop[whole]


def _unbroken(samples: Samples, start: Rows, stop: Rows) -> NDArray[np.bool_]:
    """Whether no gap or beginning of a log lies within ``[start, stop)``."""
    before_last, before_first = (np.searchsorted(samples.breaks(), row, side="right") for row in (stop - 1, start))
    return np.asarray(before_last == before_first)


def shape(samples: Samples, w: Waves) -> Literal["sine", "ramp"]:
    """Tell a sine from a ramp by the time spent in the outer tenths of the span: 41 % against 20 %."""
    blocks = samples.blocks(3 * int(np.median(w.period)))
    outer = sum(int((np.abs(w.share(a, b)) > 0.4).sum()) for a, b in blocks)
    return "sine" if outer / len(samples) > 0.3 else "ramp"


def by_autocorrelation(read: Read, samples: Samples) -> tuple[Rows, Rows] | None:
    """Cut a signal at a fixed phase of its period; None if nothing repeats.

    The period is the first lag at which the autocorrelation is (nearly) as high as it gets; each cycle is then placed
    where it agrees best with the mean cycle, within a tenth of the period of where it is expected.
    """
    signal = samples.whole(read)
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
    whole = (stop <= len(signal)) & _unbroken(samples, start, np.minimum(stop, len(signal)))
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
