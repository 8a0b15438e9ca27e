"""Dips of the supply beyond what the servo's own current explains."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from benchlab.results import Event
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import fill
from benchlab.servo.samples import Samples
from benchlab.servo.windows import Array

_FILTER_S = 0.05
"""Length of the running median: what is shorter is a glitch or commutation, not a dip."""
_SD = 8.0
_SHARE = 0.01
"""Less than this share of the supply is no dip, whatever the noise."""
_USUAL = 2.0
"""A dip is at least this many times as deep as what usual cycles leave unexplained."""
_APART_S = 1.0


def find(samples: Samples, cycles: Cycles) -> tuple[list[Event], dict[str, str]]:
    """Return the dips, and why they cannot be seen where the log has no voltage."""
    voltage = samples.get("voltage_v")
    if voltage is None:
        return [], {"supply_dip": "no voltage channel"}
    if not len(cycles):
        return [], {"supply_dip": "no cycles were found to compare with each other"}
    rest = _unexplained(samples, fill(voltage), cycles)
    floor = windows.lowest(rest, cycles.start, cycles.stop)
    sd = 1.4826 * float(np.median(np.abs(rest)))
    least = max(_SD * sd, _SHARE * float(np.nanmedian(voltage)), _USUAL * -float(np.nanmedian(floor)))
    return _events(samples, cycles, rest, least), {}


def _unexplained(samples: Samples, voltage: Array, cycles: Cycles) -> Array:
    """Voltage without the fall over the source's resistance and without its slow course, spikes filtered out."""
    level = voltage
    if (current := samples.get("current_a")) is not None:
        amps = fill(current)
        smooth = ~samples.broken[1:]
        dv, di = np.diff(voltage)[smooth], np.diff(amps)[smooth]
        ohm = -float(dv @ di) / max(float(di @ di), 1e-12)
        level = voltage + max(ohm, 0.0) * amps
    width = max(3, 2 * round(_FILTER_S / samples.sampling_s / 2) + 1)
    steady = np.asarray(median_filter(level, size=width, mode="nearest"))
    return steady - _slow_course(samples, steady, cycles)


def _slow_course(samples: Samples, level: Array, cycles: Cycles) -> Array:
    """Median of each cycle, smoothed over its neighbours, as a line between the cycles' middles."""
    each = windows.quantile(level, cycles.start, cycles.stop, 0.5)
    middle = (cycles.start + cycles.stop) // 2
    order = np.argsort(middle)
    calm = median_filter(each[order], size=5, mode="nearest")
    return np.interp(np.arange(len(samples)), middle[order], calm)


def _events(samples: Samples, cycles: Cycles, rest: Array, least: float) -> list[Event]:
    low = np.flatnonzero(rest < -least)
    if not len(low):
        return []
    # dips in quick succession are one: a contact that chatters
    apart = np.flatnonzero((np.diff(samples.time_s[low]) > _APART_S) | (np.diff(samples.log[low]) != 0)) + 1
    events = []
    for rows in np.split(low, apart):
        i = int(rows[np.argmin(rest[rows])])
        held = np.flatnonzero((cycles.start <= i) & (i < cycles.stop))
        events.append(
            Event(
                kind="supply_dip", quantity="voltage_min_v", cycle=int(cycles.number[held[0]]) if len(held) else None,
                time_s=float(samples.time_s[rows[0]]), size=float(-rest[i]),
                size_s=float(samples.time_s[rows[-1]] - samples.time_s[rows[0]] + samples.sampling_s), unit="V",
            )
        )  # fmt: skip
    return events
