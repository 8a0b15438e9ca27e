"""Per-cycle quantities on commands that do not rest (ramp, sine), and on cycles known by a counter only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.samples import Read, Samples
from benchlab.servo.standing import clean_command
from benchlab.servo.strokes import speed
from benchlab.servo.view import View
from benchlab.servo.windows import Array, Rows

_AT_END = 0.004
"""A command within this share of its span of an extreme is at its end (coarse sampling: within 0.6 of its step)."""
_AT_MIDDLE = 0.05
_DWELL_ONLY = ("hysteresis_deg", "jitter_deg", "overshoot_deg")
REACH = 0.97
"""Quantile of a wave's position that tells how far it reached: one wrong sample at an end makes no stroke short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """The signal that was cut, and how it changes from row to row."""

    middle: Read | None
    """``Cycles.middle``."""
    commanded: bool
    """The command swings, not the position only."""
    shaped: bool
    """``Cycles.shape`` is known."""
    step: float
    """Usual change of ``middle`` from row to row."""


def prepare(samples: Samples, cycles: Cycles) -> Wave:
    """Take stock of the signal that the cycles were cut from."""
    step = np.nan
    if cycles.middle is not None:
        step = float(np.median(np.concatenate([np.abs(np.diff(cycles.middle(a, b))) for a, b in samples.pieces()])))
    commanded = cycles.middle is not None and "command_us" in samples.channels
    return Wave(middle=cycles.middle, commanded=commanded, shaped=cycles.shape is not None, step=step)


def of_cycles(v: View, start: Rows, stop: Rows, w: Wave, moving_fraction: float) -> dict[str, Array]:
    """Return what cycles of a view come to.

    ``end_high_deg``, ``end_low_deg``, ``reach_high_deg``, ``reach_low_deg`` of the position and, with a command that
    swings, ``centre_deg``; where movement can be seen, its number of samples ``moving_n``, and over them the means
    ``moving_current_a`` and ``under_load_v``.
    """
    out: dict[str, Array] = {}
    has = v.samples.channels
    if "position_deg" in has:
        position = v.raw("position_deg")
        reach = windows.quantiles(position, start, stop, (1 - REACH, REACH))
        out["reach_low_deg"], out["reach_high_deg"] = reach
        if w.commanded and w.middle is not None:
            out |= _at_command(position, w.middle(v.start, v.stop), w.step, start, stop)
        else:
            # a single wrong sample does not move these
            out["end_low_deg"], out["end_high_deg"] = windows.quantiles(position, start, stop, (0.02, 0.98))
    if w.middle is None or not ("position_deg" in has or ("command_us" in has and w.shaped)):
        return out
    signal = v.filled("position_deg") if "position_deg" in has else clean_command(v.samples)(v.start, v.stop)
    velocity = np.abs(speed(signal, v.samples.sampling_s))
    peak = windows.quantile(velocity, start, stop, 0.98)
    length = stop - start
    first = np.cumsum(length) - length
    moves = windows.ragged(velocity, start, stop) > np.repeat(moving_fraction * peak, length)
    out["moving_n"] = windows.total(moves.astype(float), first, first + length)
    for channel, name in (("current_a", "moving_current_a"), ("voltage_v", "under_load_v")):
        if channel in has:
            x = np.where(moves, windows.ragged(v.raw(channel), start, stop), np.nan)
            out[name] = windows.mean(x, first, first + length)
    return out


def measure(
    samples: Samples, cycles: Cycles, of_cycle: Mapping[str, Array], values: dict[str, Array], missing: dict[str, str]
) -> None:
    """Fill in the quantities of position."""
    missing.update(dict.fromkeys(_DWELL_ONLY, "the command never rests" if cycles.shape else "no dwell is to be seen"))
    missing["transit_s_per_60deg"] = "the command moves no faster than the servo" if cycles.shape else "no dwells"
    if "position_deg" not in samples.channels:
        names = ("centre_deg", "end_high_deg", "end_low_deg", "travel_deg", *_DWELL_ONLY, "transit_s_per_60deg")
        missing.update(dict.fromkeys(names, "no position channel"))
        return
    none = np.full(len(cycles), np.nan)
    high, low = (of_cycle.get(name, none) for name in ("end_high_deg", "end_low_deg"))
    values["end_high_deg"], values["end_low_deg"] = high, low
    if cycles.middle is None or "command_us" not in samples.channels:
        values["travel_deg"] = high - low
        missing["centre_deg"] = "no command channel to tell neutral"
    else:
        values["travel_deg"] = np.abs(high - low)
        values["centre_deg"] = of_cycle.get("centre_deg", none)


def _at_command(x: Array, middle: Array, step: float, start: Rows, stop: Rows) -> dict[str, Array]:
    """Ends: position at the command's extremes. Centre: position as the command passes neutral, both directions."""
    n = len(start)
    rising = windows.ragged(np.gradient(middle) > 0, start, stop)
    share, position = windows.ragged(middle, start, stop), windows.ragged(x, start, stop)
    cycle = np.repeat(np.arange(n), stop - start)
    at_end = max(_AT_END, 0.6 * step)
    high = windows.group_mean(np.where(share > 0.5 - at_end, position, np.nan), cycle, n)
    low = windows.group_mean(np.where(share < at_end - 0.5, position, np.nan), cycle, n)
    near = np.abs(share) <= max(_AT_MIDDLE, 2.5 * step)
    passes = [_passing(position, share, np.where(near & (rising == up), cycle, -1), n) for up in (True, False)]
    return {"end_high_deg": high, "end_low_deg": low, "centre_deg": (passes[0] + passes[1]) / 2}


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
