"""What happens in a load: supply dips, clipping of the sensor, inrush after switching on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from benchlab.power.record import Array, Mask, Record
from benchlab.power.source import SourceFit
from benchlab.results import Event

_MAX_EVENTS = 50
"""Of each kind; the text of the last says how many more there are."""
_INRUSH_S = 0.5
_OFF_SHARE = 0.02
_TRIPLETS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """A fall of the supply that the load does not explain, or below the lowest voltage allowed."""

    time_s: float
    depth_v: float
    lowest_v: float
    seconds: float
    rows: int


def find_dips(record: Record, fit: SourceFit | None, fraction: float, lowest_v: float | None) -> list[Dip]:
    """Find supply dips, single rows included.

    A dip is a run of rows whose voltage, what the load explains taken out, lies further below its neighbourhood
    (running median) than six times the scatter and than ``fraction`` of the voltage; or below ``lowest_v``.
    """
    v = record.voltage_v
    if v is None:
        return []
    rows = np.flatnonzero(np.isfinite(v))
    seen = v[rows]
    free = seen + fit.resistance.value * record.current_a[rows] if fit and fit.resistance.value else seen
    # far longer than a dip, far shorter than the pack's own fall
    width = min(2 * (len(free) // 4) + 1, 61)
    below = median_filter(free, width, mode="nearest") - free
    scatter = 1.4826 * float(np.median(np.abs(below)))
    threshold = max(6 * scatter, fraction * float(np.median(seen)), 3 * (record.voltage.step if record.voltage else 0))
    low = below > threshold
    if lowest_v is not None:
        low |= seen < lowest_v
        below = np.maximum(below, lowest_v - seen)
    return [_dip(record, rows[a:b], seen[a:b], below[a:b]) for a, b in runs(low)]


def _dip(record: Record, rows: NDArray[np.intp], seen: Array, below: Array) -> Dip:
    seconds = float(record.seconds[rows].sum()) or record.sampling_s
    return Dip(
        time_s=float(record.time_s[rows[0]]), depth_v=float(below.max()), lowest_v=float(seen.min()), seconds=seconds,
        rows=len(rows),
    )  # fmt: skip


def dip_events(dips: list[Dip]) -> list[Event]:
    """Turn dips into events: size is the depth in V, size_s the length; at most 50, the deepest."""
    kept = sorted(sorted(dips, key=lambda d: -d.depth_v)[:_MAX_EVENTS], key=lambda d: d.time_s)
    events = []
    for d in kept:
        text = f"down to {d.lowest_v:.3g} V for {d.rows} row{'s' if d.rows > 1 else ''}"
        if d is kept[-1] and len(dips) > len(kept):
            text += f"; {len(dips) - len(kept)} shallower ones are not listed"
        events.append(
            Event(kind="supply_dip", quantity="voltage_v", time_s=d.time_s, size=d.depth_v, size_s=d.seconds, unit="V",
                  text=text)
        )  # fmt: skip
    return events


def runs(flags: Mask) -> list[tuple[int, int]]:
    """Start and end (exclusive) of every run of True."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))


def find_clipping(record: Record) -> Event | None:
    """Find a flat top: the sensor's end of range.

    Either the readings below the top scatter and those at the top repeat so often that chance would not do it in a
    thousand such logs, while no stretch below the top is as still (a regulated load would be); or of the stretches
    above half of the span several end at exactly the highest value and several stay at various values below it.
    A load that is truly constant does not look so: all its stretches end at the top.
    """
    i = record.current_a
    top = float(i.max())
    step = max(record.current.step, 1e-9 * max(abs(top), 1.0))
    if top <= 3 * record.current.noise or top - float(np.median(i)) < min(10 * step, top / 10):
        return None
    at_top = i > top - step / 2
    flat = [(a, b) for a, b in runs(at_top) if b - a >= 3]
    if not flat or not (_repeats_beyond_chance(record, at_top, step) or _tops_alike(i, at_top, step)):
        return None
    return Event(
        kind="clipping", quantity="current_a", time_s=float(record.time_s[flat[0][0]]), size=top,
        size_s=float(record.seconds[at_top].sum()), unit="A",
        text=f"flat top at {top:.4g} A in {len(flat)} stretch{'es' if len(flat) > 1 else ''}: the true peak is at "
        "least this",
    )  # fmt: skip


def clipped_rows(record: Record, clip: Event | None) -> Mask:
    """Rows at the end of the sensor's range."""
    if clip is None or clip.size is None:
        return np.zeros(len(record.current_a), dtype=bool)
    return np.asarray(record.current_a > clip.size - max(record.current.step, 1e-9) / 2)


def _repeats_beyond_chance(record: Record, at_top: Mask, step: float) -> bool:
    """Whether readings scatter below the top, and repeat at it more than that scatter would let them."""
    i, linked = record.current_a, record.interval_s > 0
    loud = (i > i.max() / 4) & ~at_top
    three = loud[2:] & loud[1:-1] & loud[:-2] & linked[1:] & linked[:-1]
    if three.sum() < _TRIPLETS:
        return False
    # second differences of white noise s scatter by s sqrt(6); 1.4826: median absolute deviation to standard deviation
    scatter = 1.4826 * float(np.median(np.abs(np.diff(i, 2)[three]))) / math.sqrt(6)
    if scatter < step:
        return False
    # chance that two normal readings fall on the same step
    repeat = step / (2 * math.sqrt(math.pi) * scatter)
    lengths = [b - a for a, b in runs(at_top)]
    surprise = sum(n - 1 for n in lengths) * -math.log(repeat)
    same = loud[1:] & loud[:-1] & linked & (np.abs(np.diff(i)) < step / 2)
    stillest = max((b - a + 1 for a, b in runs(same)), default=1)
    return surprise > math.log(len(i)) + math.log(1e3) and stillest < max(lengths)


def _tops_alike(i: Array, at_top: Mask, step: float) -> bool:
    """Whether several stretches end at exactly the top and several at various values below it."""
    top = float(i.max())
    upper = i > top - (top - float(np.median(i))) / 2
    stretches = runs(upper)
    heights = np.array([i[a:b].max() for a, b in stretches])
    flat = [(a, b) for a, b in runs(at_top) if b - a >= 3]
    reach, stay = heights > top - step / 2, heights[heights <= top - step / 2]
    if len(flat) < 2 or reach.sum() < 2 or len(np.unique(np.rint(stay / step))) < 3:
        return False
    below = upper & ~at_top
    pairs = below[1:] & below[:-1]
    still = np.abs(np.diff(i)[pairs]) < step / 2
    # 0.8: readings at the end of the range always repeat; scatter of a quarter of a step leaves about 0.75 unchanged
    return bool(pairs.sum() >= 5 and still.mean() <= 0.8 and at_top.sum() >= 3 * _rows_per_level(i[below], step))


def _rows_per_level(x: Array, step: float) -> float:
    """Mean number of rows per occupied level."""
    return float(len(x) / max(len(np.unique(np.rint(x / step))), 1))


def find_inrush(record: Record) -> tuple[float, float] | str:
    """Highest current within half a second of switching on, and the moment of switching on; or why there is none.

    Switching on is seen if the log begins with no current for three rows or more.
    """
    i, t = record.current_a, record.time_s
    scale = float(np.quantile(i, 0.95))
    off = i <= max(_OFF_SHARE * scale, 3 * record.current.noise)
    first = int(np.argmin(off)) if not off.all() else len(i)
    if first < 3 or first >= len(i):
        return "the log does not begin with the circuit switched off"
    if record.sampling_s > _INRUSH_S / 5:
        return f"one row every {record.sampling_s:g} s is too slow to see an inrush"
    window = (t >= t[first]) & (t <= t[first] + _INRUSH_S)
    return float(i[window].max()), float(t[first])
