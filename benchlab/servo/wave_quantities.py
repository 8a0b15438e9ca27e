"""Per-cycle quantities on commands that do not rest (ramp, sine), and on cycles known by a counter only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchlab.procedure import ServoProcedure
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import clean_command, fill
from benchlab.servo.samples import Samples
from benchlab.servo.strokes import speed
from benchlab.servo.windows import Array, Rows

_AT_END = 0.004
"""A command within this share of its span of an extreme is at its end (coarse sampling: within 0.6 of its step)."""
_AT_MIDDLE = 0.05
_DWELL_ONLY = ("hysteresis_deg", "jitter_deg", "overshoot_deg")


def measure(
    samples: Samples, cycles: Cycles, procedure: ServoProcedure, values: dict[str, Array], missing: dict[str, str]
) -> NDArray[np.bool_]:
    """Fill in the quantities of position; return which samples move (none where that cannot be seen)."""
    n = len(samples)
    missing.update(dict.fromkeys(_DWELL_ONLY, "the command never rests" if cycles.shape else "no dwell is to be seen"))
    missing["transit_s_per_60deg"] = "the command moves no faster than the servo" if cycles.shape else "no dwells"
    of_row = np.full(n, -1)
    row, cycle = windows.flatten(cycles.start, cycles.stop)
    of_row[row] = cycle
    position = samples.get("position_deg")
    if position is None:
        names = ("centre_deg", "end_high_deg", "end_low_deg", "travel_deg", *_DWELL_ONLY, "transit_s_per_60deg")
        missing.update(dict.fromkeys(names, "no position channel"))
    elif cycles.middle is None or "command_us" not in samples.channels:
        _extremes(position, cycles, values)
        missing["centre_deg"] = "no command channel to tell neutral"
    else:
        _at_command(position, cycles.middle, of_row, len(cycles), values)
    signal = fill(position) if position is not None else clean_command(samples) if cycles.shape else None
    if signal is None or cycles.middle is None:
        return np.zeros(n, dtype=bool)
    velocity = np.abs(speed(signal, samples.sampling_s))
    peak = windows.quantile(velocity, cycles.start, cycles.stop, 0.98)
    return np.asarray((of_row >= 0) & (velocity > procedure.cutting.moving_fraction * peak[np.maximum(of_row, 0)]))


def _extremes(position: Array, cycles: Cycles, values: dict[str, Array]) -> None:
    """Ends from the position alone: its 98 % and 2 % quantiles, which a single wrong sample does not move."""
    values["end_high_deg"] = windows.quantile(position, cycles.start, cycles.stop, 0.98)
    values["end_low_deg"] = windows.quantile(position, cycles.start, cycles.stop, 0.02)
    values["travel_deg"] = values["end_high_deg"] - values["end_low_deg"]


def _at_command(position: Array, share: Array, of_row: Rows, n: int, values: dict[str, Array]) -> None:
    """Ends: position at the command's extremes. Centre: position as the command passes neutral, both directions."""
    step = np.median(np.abs(np.diff(share)))
    at_end = max(_AT_END, 0.6 * step)
    high = windows.group_mean(np.where(share > 0.5 - at_end, position, np.nan), of_row, n)
    low = windows.group_mean(np.where(share < at_end - 0.5, position, np.nan), of_row, n)
    values["end_high_deg"], values["end_low_deg"], values["travel_deg"] = high, low, np.abs(high - low)
    rising = np.gradient(share) > 0
    near = np.abs(share) <= max(_AT_MIDDLE, 2.5 * step)
    passes = [_passing(position, share, np.where(near & (rising == up), of_row, -1), n) for up in (True, False)]
    values["centre_deg"] = (passes[0] + passes[1]) / 2


def _passing(position: Array, share: Array, group: Rows, n: int) -> Array:
    """Position at share 0 by a straight line through the samples of each group."""
    ok = (group >= 0) & np.isfinite(position)
    g, x, y = group[ok], share[ok], position[ok]
    count = np.bincount(g, minlength=n)
    mean_x, mean_y = windows.group_mean(x, g, n), windows.group_mean(y, g, n)
    dx = x - mean_x[g]
    sxx = np.bincount(g, weights=dx**2, minlength=n)
    sxy = np.bincount(g, weights=dx * (y - mean_y[g]), minlength=n)
    slope = np.divide(sxy, sxx, out=np.full(n, np.nan), where=(sxx > 0) & (count >= 2))
    return np.asarray(mean_y - slope * mean_x)
