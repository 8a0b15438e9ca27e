"""Find the usable hold in a pressure log: fill, sealing, disturbance, re-pressurising and venting are left out."""

from __future__ import annotations

from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """The usable hold: ``used`` marks the rows, ``sealed_s`` is when it begins, ``reason`` says why there is none."""

    used: NDArray[np.bool_]
    sealed_s: float
    end_s: float
    noise_kpa: float
    """Standard deviation of single readings from row to row (0: not known)."""
    events: tuple[Event, ...] = ()
    notes: tuple[str, ...] = ()
    reason: str | None = None
    doubt: str | None = None
    """Why the hold, though usable, cannot be accepted on."""


REPRESSURISED = "pressurised again"
VENTED = "pressure let out"


def _step(time_s: float, size: float, text: str) -> Event:
    return Event(kind="step", quantity="pressure_kpa", time_s=float(time_s), size=float(size), unit="kPa", text=text)


def find_hold(time_s: Array, gauge_kpa: Array) -> Hold:
    """Find the usable hold in a gauge pressure series without missing values (shapes (n,), times increasing)."""
    if len(time_s) < 2:
        return _none(time_s, "only one reading of the pressure; log at least two, with their times")
    # in a few readings by hand the fall of a tank let open would pass for noise
    noise = row_noise(gauge_kpa) if len(time_s) > MANUAL_ROWS else 0.0
    smooth = gauge_kpa if len(time_s) <= MANUAL_ROWS else _median3(gauge_kpa)
    top = float(smooth.max())
    if top < max(8 * noise, 0.05):
        if smooth.min() < -max(8 * noise, 0.2):
            return _none(
                time_s, "the gauge pressure is negative: the gauge is reversed, or the tank was evacuated; "
                "correct the sign (calibration in the register) or repeat with pressure",
            )  # fmt: skip
        return _none(time_s, "the tank was never under pressure in this log")
    if len(time_s) <= MANUAL_ROWS:
        return _manual(time_s, gauge_kpa, top)
    return _logged(time_s, gauge_kpa, smooth, top, noise)


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


def _manual(time_s: Array, gauge: Array, top: float) -> Hold:
    """Cut manual readings where the pressure rises or is let out; the longest stretch is the hold."""
    events: list[Event] = []
    up = np.flatnonzero(np.diff(gauge) > 0.2 * top)
    cuts = [0, *(up + 1), len(gauge)]
    events += [_step(time_s[i + 1], gauge[i + 1] - gauge[i], REPRESSURISED) for i in up if gauge[i] > 0.1 * top]
    begin, end = max(pairwise(cuts), key=lambda c: (time_s[c[1] - 1] - time_s[c[0]], c[1] - c[0]))
    low = np.flatnonzero(gauge[begin:end] < 0.02 * top)
    vent = len(low) > 0 and low[0] >= 2 and gauge[begin + low[0] - 1] > 0.5 * gauge[begin]
    doubt = None
    if vent:
        last = end
        end = begin + int(low[0])
        events.append(_step(time_s[end], -gauge[end - 1], VENTED))
        if end < last - 1:
            doubt = _lost(time_s[end] - time_s[begin])
    if end - begin < 2:
        return _none(time_s, "less than two readings of one hold; read the gauge at least twice", tuple(events))
    used = np.zeros(len(gauge), bool)
    used[begin:end] = True
    return Hold(
        used=used, sealed_s=float(time_s[begin]), end_s=float(time_s[end - 1]), noise_kpa=0.0, events=tuple(events),
        doubt=doubt,
    )  # fmt: skip


def _lost(held_s: float) -> str:
    return f"the pressure vanished {held_s / 3600:.2g} h after sealing, long before the end of the log; repeat the hold"


def _logged(time_s: Array, gauge: Array, smooth: Array, top: float, noise: float) -> Hold:
    step = float(np.median(np.diff(time_s)))
    reach = max(3, round(10.0 / step)) if step < 10 else 2
    filled = _last_rise(smooth, reach, max(6 * noise, 0.02 * top), top)
    begin = filled + int(np.argmax(smooth[filled : filled + 2 * reach + 1]))
    end, events, doubt = _vent(time_s, smooth, begin, step)
    if end - begin < 5 or time_s[end - 1] - time_s[begin] < 3 * step:
        return _none(time_s, "never sealed: the pressure was gone at once after filling", tuple(events))
    a, b, more = _knee(time_s, smooth, begin, end)
    found: list[Event] = []
    if not more:
        cuts, found = _sudden(time_s, gauge, begin, end, noise, step)
        pieces = list(zip([begin, *[c[1] for c in cuts]], [*[c[0] for c in cuts], end], strict=True))
        enough = [p for p in pieces if p[1] - p[0] >= 5 and smooth[p[0]] > 0.2 * smooth[begin]]
        if not enough:
            return _none(time_s, "no undisturbed stretch of five rows after sealing", tuple(events + found))
        a, b = max(enough, key=lambda p: time_s[p[1] - 1] - time_s[p[0]])
    used = np.zeros(len(gauge), bool)
    used[a:b] = True
    used &= ~_spikes(gauge, noise)
    return Hold(
        used=used, sealed_s=float(time_s[a]), end_s=float(time_s[b - 1]), noise_kpa=noise,
        events=tuple(sorted([*found, *events], key=lambda e: e.time_s or 0.0)), notes=more, doubt=doubt,
    )  # fmt: skip


def _last_rise(smooth: Array, reach: int, threshold: float, top: float) -> int:
    """Row at which filling ends: after the last rapid rise that begins low; 0 where the log begins sealed."""
    rise = smooth[reach:] - smooth[:-reach]
    rows = np.flatnonzero((rise > threshold) & (smooth[:-reach] < 0.5 * top))
    if not len(rows):
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
    """Single readings far from both neighbours' median."""
    if noise == 0 or len(gauge) < 7:
        return np.zeros(len(gauge), bool)
    padded = np.pad(gauge, 3, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
    return np.asarray(np.abs(gauge - middle) > max(10 * noise, 0.005 * float(np.abs(gauge).max())))
