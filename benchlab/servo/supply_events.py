"""Dips of the supply beyond what the servo's own current explains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from benchlab.procedure import ServoProcedure
from benchlab.results import Event
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import fill
from benchlab.servo.samples import Samples
from benchlab.servo.windows import Array

_FILTERS = ((0.05, 8.0), (0.15, 6.5))
"""Lengths (s) of the running median, and how many of its standard deviations are a dip: what lasts less than half of
the shorter is a glitch or commutation; the longer finds shallow dips."""
_USUAL = 2.0
"""A dip is at least this many times as deep as what usual cycles leave unexplained."""
_APART_S = 1.0


def find(samples: Samples, cycles: Cycles, procedure: ServoProcedure) -> tuple[list[Event], dict[str, str]]:
    """Return the dips, and why they cannot be seen where the log has no voltage."""
    voltage = samples.get("voltage_v")
    if voltage is None:
        return [], {"supply_dip": "no voltage channel"}
    if not len(cycles):
        return [], {"supply_dip": "no cycles were found to compare with each other"}
    level = _without_load(samples, fill(voltage))
    deepest, low = np.zeros(len(samples)), np.zeros(len(samples), dtype=bool)
    for length, times in _FILTERS:
        width = max(3, 2 * round(length / samples.sampling_s / 2) + 1)
        steady = np.asarray(median_filter(level, size=width, mode="reflect"))
        rest = steady - _slow_course(samples, steady, cycles)
        floor = windows.lowest(rest, cycles.start, cycles.stop)
        sd = 1.4826 * float(np.median(np.abs(rest)))
        least = max(
            times * sd, procedure.events.supply_dip_share * windows.middle(voltage), _USUAL * -windows.middle(floor)
        )
        low |= rest < -least
        deepest = np.minimum(deepest, rest)
    return _events(samples, cycles, deepest, low), {}


def _without_load(samples: Samples, voltage: Array) -> Array:
    """Voltage without its fall over the source's resistance, which follows from how it answers the current."""
    if (current := samples.get("current_a")) is None:
        return voltage
    amps, smooth = fill(current), ~samples.broken[1:]
    # a single wrong reading must not decide what the source's resistance is
    calm = [np.asarray(median_filter(x, size=3, mode="nearest")) for x in (voltage, amps)]
    dv, di = (np.diff(x)[smooth] for x in calm)
    ohm = -float(dv @ di) / max(float(di @ di), 1e-12)
    return np.asarray(voltage + max(ohm, 0.0) * calm[1])


def _slow_course(samples: Samples, level: Array, cycles: Cycles) -> Array:
    """Median of each cycle, smoothed over its neighbours, as a line between the cycles' middles."""
    each = windows.quantile(level, cycles.start, cycles.stop, 0.5)
    middle = (cycles.start + cycles.stop) // 2
    order = np.argsort(middle)
    calm = median_filter(each[order], size=5, mode="nearest")
    return np.interp(np.arange(len(samples)), middle[order], calm)


def _events(samples: Samples, cycles: Cycles, rest: Array, is_low: NDArray[np.bool_]) -> list[Event]:
    low = np.flatnonzero(is_low)
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
