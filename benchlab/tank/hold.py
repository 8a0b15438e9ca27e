"""Find the usable hold in a pressure log: fill, sealing, disturbance, re-pressurising and venting are left out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlab.results import Event

Array = NDArray[np.float64]

MANUAL_ROWS = 20
"""Up to this many rows a log is taken as readings by hand: every row counts, no filter is run over it."""
VENT_S = 5.0
"""A tank let open loses its pressure within seconds (common practice, no source)."""
_STEP_SHARE = 0.01
"""A sudden change of less than a hundredth of the pressure is not called a disturbance."""
_REFILL_SHARE = 0.03
"""A rise within a minute or so by less of the highest pressure is not called filling."""
_BY_HAND, _BY_HAND_CORRECTED = 0.1, 0.05
"""The same from one reading by hand to the next, and where it is corrected for the weather: 3 K are 1 kPa."""
_SHORT_SHARE = 0.2
"""A hold shorter than this share of the longest is left out: weights go about with the third power of the length."""
_STROKES_S = 120.0
"""Pauses of less than this, in which the pressure stands, are the strokes of a hand pump (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One hold: ``used`` marks its rows, ``sealed_s`` is when it begins, ``reason`` says why it is not usable."""

    used: NDArray[np.bool_]
    sealed_s: float
    end_s: float
    noise_kpa: float
    """Standard deviation of single readings from row to row (0: not known)."""
    fresh: bool = True
    """False after the tank was pressurised again: its wall has crept already."""
    events: tuple[Event, ...] = ()
    notes: tuple[str, ...] = ()
    reason: str | None = None
    doubt: str | None = None
    """Why the hold, though usable, cannot be accepted on."""

    @property
    def hold_s(self) -> float:
        """Length."""
        return self.end_s - self.sealed_s


REPRESSURISED = "pressurised again"
VENTED = "pressure let out"


def _step(time_s: float, size: float, text: str) -> Event:
    return Event(kind="step", quantity="pressure_kpa", time_s=float(time_s), size=float(size), unit="kPa", text=text)


def find_holds(time_s: Array, gauge_kpa: Array, corrected_kpa: Array | None = None) -> tuple[Hold, ...]:
    """Find the holds in a gauge pressure series without missing values (shapes (n,), times increasing).

    ``corrected_kpa`` is the same brought to one temperature and barometer, where both were read: among readings by hand
    it tells a filling from a warm afternoon.

    One for the first filling and one for every filling after it, in their order, each with its own events. Those that
    show nothing, or are short beside the longest, have a ``reason``; there is always at least one.
    """
    if len(time_s) < 2:
        return (_none(time_s, "only one reading of the pressure; log at least two, with their times"),)
    # in a few readings by hand the fall of a tank let open would pass for noise
    noise = row_noise(gauge_kpa) if len(time_s) > MANUAL_ROWS else 0.0
    smooth = gauge_kpa if len(time_s) <= MANUAL_ROWS else _median3(gauge_kpa)
    top = float(smooth.max())
    if top < max(8 * noise, 0.05):
        peak = float(gauge_kpa.max())
        if peak > max(20 * noise, 0.5, -3 * float(smooth.min())):
            return (_none(time_s, f"never sealed: {peak:.3g} kPa were shown by one reading and gone at the next"),)
        if smooth.min() < -max(8 * noise, 0.2):
            return (_none(
                time_s, "the gauge pressure is negative: the gauge is reversed, or the tank was evacuated; "
                "correct the sign (calibration in the register) or repeat with pressure",
            ),)  # fmt: skip
        return (_none(time_s, "the tank was never under pressure in this log"),)
    if len(time_s) <= MANUAL_ROWS:
        return _long_ones(_manual(time_s, gauge_kpa, top, corrected_kpa))
    return _long_ones(_logged(time_s, gauge_kpa, smooth, top, noise))


def _long_ones(holds: list[Hold]) -> tuple[Hold, ...]:
    """Put aside what is short beside the longest usable hold."""
    longest = max((h.hold_s for h in holds if h.reason is None), default=0.0)
    return tuple(
        replace(h, reason=f"short beside the longest of {longest / 3600:.2g} h")
        if h.reason is None and h.hold_s < _SHORT_SHARE * longest
        else h
        for h in holds
    )


def row_noise(values: Array) -> float:
    """Robust standard deviation of a series from row to row, by its second differences."""
    if len(values) < 5:
        return 0.0
    bend = np.diff(values, 2)
    mad = float(np.median(np.abs(bend - np.median(bend))))
    # many equal readings make the MAD 0; the rms of the inner 90 % then still shows the steps
    inner = np.sort(np.abs(bend))[: max(int(0.9 * len(bend)), 1)]
    return max(1.4826 * mad, float(np.sqrt(np.mean(inner**2)))) / 6**0.5


def _display_step(values: Array) -> float:
    """Smallest difference between readings that differ, where few values recur often; else 0."""
    distinct = np.unique(np.round(values, 9))
    return float(np.diff(distinct).min()) if 1 < len(distinct) < 0.5 * len(values) else 0.0


def _none(time_s: Array, reason: str, events: tuple[Event, ...] = ()) -> Hold:
    at = float(time_s[0]) if len(time_s) else 0.0
    return Hold(
        used=np.zeros(len(time_s), bool), sealed_s=at, end_s=at, noise_kpa=0.0, reason=reason, events=events
    )  # fmt: skip


def _median3(x: Array) -> Array:
    middle = np.median(np.stack([x[:-2], x[1:-1], x[2:]]), axis=0)
    return np.concatenate([[middle[0]], middle, [middle[-1]]])


def _manual(time_s: Array, gauge: Array, top: float, corrected: Array | None) -> list[Hold]:
    """Cut manual readings where the pressure rises or is let out: a hold between any two cuts."""
    rise, least = (
        np.diff(gauge if corrected is None else corrected),
        _BY_HAND if corrected is None else _BY_HAND_CORRECTED,
    )
    up = np.flatnonzero(rise > least * top)
    cuts = [0, *(int(i) + 1 for i in up), len(gauge)]
    holds: list[Hold] = []
    for begin, end in pairwise(cuts):
        again = begin > 0 and gauge[begin - 1] > 0.1 * top
        events = [_step(time_s[begin], gauge[begin] - gauge[begin - 1], REPRESSURISED)] if again else []
        if gauge[begin:end].max() < 0.1 * top:
            continue  # before filling
        fresh = all(h.hold_s == 0 for h in holds)
        holds.append(_by_hand(time_s, gauge, begin, end, top, events, fresh=fresh))
    return holds


def _by_hand(
    time_s: Array, gauge: Array, begin: int, end: int, top: float, events: list[Event], *, fresh: bool
) -> Hold:
    low = np.flatnonzero(gauge[begin:end] < 0.02 * top)
    doubt = None
    if len(low) > 0 and low[0] >= 2 and gauge[begin + low[0] - 1] > 0.5 * gauge[begin]:
        last = end
        end = begin + int(low[0])
        events.append(_step(time_s[end], -gauge[end - 1], VENTED))
        if end < last - 1 and last == len(gauge):
            doubt = _lost(time_s[end] - time_s[begin])
    used = np.zeros(len(gauge), bool)
    used[begin:end] = True
    reason = None if end - begin > 1 else "less than two readings of one hold; read the gauge at least twice"
    return Hold(
        used=used, sealed_s=float(time_s[begin]), end_s=float(time_s[end - 1]), noise_kpa=0.0, events=tuple(events),
        doubt=doubt, fresh=fresh, reason=reason,
    )  # fmt: skip


def _lost(held_s: float) -> str:
    return f"the pressure vanished {held_s / 3600:.2g} h after sealing, long before the end of the log; repeat the hold"


def _logged(time_s: Array, gauge: Array, smooth: Array, top: float, noise: float) -> list[Hold]:
    """Cut a log at its fillings: a hold after each."""
    step = float(np.median(np.diff(time_s)))
    reach = max(3, round(10.0 / step)) if step < 10 else 2
    filled = _first_filled(smooth, reach, max(6 * noise, 0.02 * top), top)
    begin = filled + int(np.argmax(smooth[filled : filled + 2 * reach + 1]))
    begin, fills = _refills(time_s, smooth, begin, top, noise)
    stretches = list(zip([begin, *[b for _, b in fills]], [*[a + 1 for a, _ in fills], len(smooth)], strict=True))
    again = [()] + [(_step(time_s[b], smooth[b] - smooth[a], REPRESSURISED),) for a, b in fills]
    return [
        replace(h, events=e + h.events, fresh=n == 0)
        for n, (e, (a, b)) in enumerate(zip(again, stretches, strict=True))
        for h in [_between(time_s[:b], gauge[:b], smooth[:b], a, len(smooth), noise, step)]
    ]


def _refills(
    time_s: Array, smooth: Array, begin: int, top: float, noise: float
) -> tuple[int, list[tuple[int, int]]]:  # fmt: skip
    """Row at which the first filling ends, and rows last before and first after each filling that follows.

    ``begin`` is where the first stroke of the first filling ends.
    """
    step = float(np.median(np.diff(time_s)))
    least = max(_REFILL_SHARE * top, 2.5 * _display_step(smooth))
    found: list[tuple[int, int]] = []
    # a quick filling shows within seconds though the tank leaks, a slow one only within a minute
    for seconds in (10.0, 60.0):
        reach = max(2, round(seconds / step))
        share = max(0.02, 0.01 * reach * step / 60.0)  # in long steps the weather moves a gauge as well
        rows = begin + np.flatnonzero(smooth[begin + reach :] - smooth[begin:-reach] > max(6 * noise, share * top))
        for low, high in found:
            rows = rows[(rows + reach < low) | (rows > high)]
        found += [(low, high) for low, high in _rises(smooth, rows, reach) if smooth[high] - smooth[low] > least]
    fills: list[tuple[int, int]] = []
    for low, high in sorted(found):
        since = fills[-1][1] if fills else begin
        stroke = time_s[low] - time_s[since] < _STROKES_S and smooth[low] > 0.9 * smooth[since]
        if stroke and not fills:
            begin = high
            continue
        fills.append((fills.pop()[0] if stroke else low, high))
    return begin, fills


def _rises(smooth: Array, rows: NDArray[np.intp], reach: int) -> list[tuple[int, int]]:
    """Lowest row before and highest after each stretch of rows from each of which it rises within ``reach`` rows."""
    rising = np.zeros(len(smooth), bool)
    for lag in range(reach + 1):
        rising[rows + lag] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rising.astype(int), [0]])))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        high = int(a + np.argmax(smooth[a:b]))
        out.append((int(high - np.argmin(smooth[a : high + 1][::-1])), high))
    return out


def _between(time_s: Array, gauge: Array, smooth: Array, begin: int, rows: int, noise: float, step: float) -> Hold:
    """The hold that begins at the row ``begin`` and ends before the series does; the log goes on to ``rows`` rows."""

    def mask(a: int, b: int) -> NDArray[np.bool_]:
        out = np.zeros(rows, bool)
        out[a:b] = True
        return out

    end, events, doubt = _vent(time_s, smooth, begin, step)
    whole = Hold(
        used=mask(begin, begin), sealed_s=float(time_s[begin]), end_s=float(time_s[max(end - 1, begin)]),
        noise_kpa=noise, events=tuple(events),
    )  # fmt: skip
    if end - begin < 5 or time_s[end - 1] - time_s[begin] < 3 * step:
        return replace(whole, reason="never sealed: the pressure was gone at once after filling")
    a, b, more = _knee(time_s, smooth, begin, end)
    found: list[Event] = []
    if not more:
        cuts, found = _sudden(time_s, gauge, begin, end, noise, step)
        pieces = list(zip([begin, *[c[1] for c in cuts]], [*[c[0] for c in cuts], end], strict=True))
        enough = [p for p in pieces if p[1] - p[0] >= 5 and smooth[p[0]] > 0.2 * smooth[begin]]
        if not enough:
            return replace(
                whole, events=tuple(events + found), reason="no undisturbed stretch of five rows after sealing"
            )
        a, b = max(enough, key=lambda p: time_s[p[1] - 1] - time_s[p[0]])
    used = mask(a, b)
    used[: len(gauge)] &= ~_spikes(gauge, noise)
    return replace(
        whole, used=used, sealed_s=float(time_s[a]), end_s=float(time_s[b - 1]),
        events=tuple(sorted([*found, *events], key=lambda e: e.time_s or 0.0)), notes=more,
        doubt=doubt if len(time_s) == rows else None,
    )  # fmt: skip


def _first_filled(smooth: Array, reach: int, threshold: float, top: float) -> int:
    """Row at which filling ends: after the first rapid rise that begins low; 0 where the log begins sealed."""
    rise = smooth[reach:] - smooth[:-reach]
    rows = np.flatnonzero((rise > threshold) & (smooth[:-reach] < 0.5 * top))
    if not len(rows) or smooth[0] >= 0.5 * top:
        return 0
    row = int(rows[0])
    # follow the first filling to where it stops rising
    while row < len(rise) and rise[row] > threshold:
        row += 1
    return row


def _vent(time_s: Array, smooth: Array, begin: int, step: float) -> tuple[int, list[Event], str | None]:
    """Return the row where the hold ends, the venting event, and the doubt if it came long before the log's end."""
    after = smooth[begin:]
    low = np.flatnonzero(after < 0.1 * after[0])
    if not len(low):
        return len(smooth), [], None
    at = begin + int(low[0])
    rows = max(2, round(VENT_S / step))
    before, earlier = max(at - rows, begin), max(at - 2 * rows, begin)
    fall, prior = smooth[before] - smooth[at], smooth[earlier] - smooth[before]
    if fall < 0.15 * after[0] or prior > fall / 3:
        return len(smooth), [], None
    end = before
    events = [_step(time_s[before], -smooth[before], VENTED)]
    held, left = time_s[before] - time_s[begin], time_s[-1] - time_s[before]
    return end, events, _lost(held) if left > 0.2 * (held + left) else None


def _sudden(
    time_s: Array, gauge: Array, begin: int, end: int, noise: float, step: float
) -> tuple[list[tuple[int, int]], list[Event]]:
    """Find sudden steps between ``begin`` and ``end``: rows (last before, first after) and events."""
    # about a minute on either side: noise is averaged, weather has no time to move
    k = int(np.clip(round(60.0 / step), 2, 5))
    g = gauge[begin:end]
    if len(g) < 6 * k:
        return [], []
    windows = np.lib.stride_tricks.sliding_window_view(g, k)
    level = np.median(windows, axis=1)
    jump = level[k:] - level[:-k]
    # a step stands out from what the pressure does just before and just after it; ordinary cooling does not
    padded = np.pad(jump, 2 * k, mode="edge")
    left, right = padded[: -4 * k], padded[4 * k :]
    weather = max(1.0, k * step / 60.0)
    display = 2.5 * _display_step(g)
    threshold = max(8 * noise * np.sqrt(2 / k) * 1.25, _STEP_SHARE * float(level[0]) * weather, display)
    down = np.minimum(left, right) - jump > threshold
    up = jump - np.maximum(left, right) > threshold
    cuts, events = [], []
    for mask, rising in ((down, False), (up, True)):
        rows = np.flatnonzero(mask)
        for group in np.split(rows, np.flatnonzero(np.diff(rows) > 2 * k) + 1) if len(rows) else []:
            i = int(group[np.argmax(np.abs(jump[group]))])
            if i < k and not rising:
                continue  # still the fall that ends filling
            size = float(jump[i])
            cuts.append((begin + max(i, 1), begin + min(i + 2 * k, len(g) - 1)))
            at = float(time_s[begin + i + k])
            events.append(
                _step(at, size, REPRESSURISED)
                if rising and size > 0.1 * float(level[0])
                else Event(kind="disturbance", time_s=at, size=size, unit="kPa")
            )
    order = np.argsort([c[0] for c in cuts])
    merged: list[tuple[int, int]] = []
    for j in order:
        c = cuts[j]
        if merged and c[0] <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(c[1], merged[-1][1]))
        else:
            merged.append(c)
    return merged, events


def _knee(time_s: Array, smooth: Array, a: int, b: int) -> tuple[int, int, tuple[str, ...]]:
    """A hold that loses most of its pressure: from where the fall sets in to where a tenth is left."""
    part = smooth[a:b]
    low = np.flatnonzero(part < 0.1 * part[0])
    if not len(low):
        return a, b, ()
    start = int(np.flatnonzero(part > 0.97 * part[0])[-1])
    stop = int(low[0]) + 1
    if stop - start < 5:
        return a, b, ()
    note = (
        f"the pressure fell to a tenth within {time_s[a + stop - 1] - time_s[a + start]:.3g} s; fitted over that fall"
    )
    return a + start, a + stop, (note,)


def _spikes(gauge: Array, noise: float) -> NDArray[np.bool_]:
    """Single readings that jut out from the three before as from the three after: a steep fall is none."""
    if noise == 0 or len(gauge) < 7:
        return np.zeros(len(gauge), bool)
    middles = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(gauge, 3, mode="edge"), 3), axis=1)
    before, after = gauge - middles[: len(gauge)], gauge - middles[-len(gauge) :]
    away = np.minimum(np.abs(before), np.abs(after))
    return np.asarray((before * after > 0) & (away > max(10 * noise, 0.005 * float(np.abs(gauge).max()))))
