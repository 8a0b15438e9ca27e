"""The single discharges of a pack's log, and whether each shows the pack emptied."""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchlab.power.load import step_uncertainty
from benchlab.power.record import Array, Record
from benchlab.power.sampling import sampling_uncertainty
from benchlab.stats.uncertainty import combine

_TURN_SHARE = 0.2
"""A recharge of less than this share of all that flowed belongs to the discharge around it."""
_KNEE = 5.0
"""An emptied pack's voltage falls at least this many times faster at the end than in the middle of the discharge."""
_MIN_ROWS = 40
COLUMNS = ("start_s", "end_s", "charge_mah", "u_mah", "emptied")


def discharge_runs(record: Record) -> pd.DataFrame:
    """One row per discharge: begin, end, charge taken (mAh), its uncertainty, whether it ends in the steep fall."""
    i, dt = record.current_a, record.interval_s
    drawn = np.concatenate([[0.0], np.cumsum((i[1:] + i[:-1]) / 2 * dt / 3.6)])
    rows = []
    for first, last in _rises(drawn, _TURN_SHARE * float(np.ptp(drawn))):
        inside = np.zeros(len(i), dtype=bool)
        inside[first : last + 1] = True
        w = record.seconds * inside
        seconds = float(w.sum())
        u = combine(
            sampling_uncertainty(i, dt, inside, record.current.noise, record.edges),
            combine(record.current.u_bias, step_uncertainty(i, w, record.current)) * seconds,
        )
        volts = record.voltage_v[first : last + 1] if record.voltage_v is not None else None
        steep = volts is not None and falls_steeply(drawn[first : last + 1] - drawn[first], volts)
        rows.append((record.time_s[first], record.time_s[last], drawn[last] - drawn[first], u / 3.6, steep))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _rises(x: Array, least: float) -> list[tuple[int, int]]:
    """Stretches over which ``x`` climbs by more than ``least`` without falling back by as much between."""
    if least <= 0:
        return []
    pick = np.unique(np.linspace(0, len(x) - 1, min(len(x), 20_000)).round().astype(int))
    low = high = int(pick[0])
    out = []
    for k in pick.tolist():
        if x[k] > x[high]:
            high = k
        if x[high] - x[k] >= least or (x[high] - x[low] < least and x[k] < x[low]):
            if x[high] - x[low] >= least:
                out.append((low, high))
            low = high = k
    if x[high] - x[low] >= least:
        out.append((low, high))
    return out


def falls_steeply(charge: Array, voltage: Array) -> bool:
    """Whether the voltage falls steeply at the end: slope over the last 3 % of the charge against the middle half."""
    known = np.isfinite(voltage)
    q, v = charge[known], voltage[known]
    if len(q) < _MIN_ROWS or q[-1] <= 0:
        return False
    middle, last = (q > 0.25 * q[-1]) & (q < 0.75 * q[-1]), q > 0.97 * q[-1]
    if middle.sum() < 10 or last.sum() < 3:
        return False
    slope_middle, slope_last = (float(np.polyfit(q[part], v[part], 1)[0]) for part in (middle, last))
    return slope_middle < 0 and slope_last < _KNEE * slope_middle
