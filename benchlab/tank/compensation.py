"""Correct a gauge for the temperature of the gas and the weather, and say what an unknown one may hide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.procedure import TankProcedure

Array = NDArray[np.float64]

KELVIN = 273.15
_COVERED = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A surrounding quantity on the rows of the pressure: measured, or the level assumed for it."""

    series: Array
    measured: bool
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressures:
    """A log's pressures on the rows where the pressure was read."""

    time_s: Array
    gauge_kpa: Array
    """As read; from an absolute gauge less the barometer."""
    temperature_c: Channel
    barometer_kpa: Channel
    absolute: bool
    raw_kpa: Array

    @property
    def corrected_kpa(self) -> Array | None:
        """Gauge pressure brought to the log's mean temperature and barometer; None unless both were measured."""
        if not self.temperature_c.measured or not self.barometer_kpa.measured:
            return None
        kelvin, outside = self.temperature_c.series + KELVIN, self.barometer_kpa.series
        return np.asarray((self.gauge_kpa + outside) * kelvin.mean() / kelvin - outside.mean())


def pressures_of(table: pd.DataFrame, procedure: TankProcedure) -> Pressures | None:
    """Take the pressure rows out of a canonical table; None where it holds no finite pressure."""
    absolute = "pressure_kpa" not in table or not np.isfinite(table["pressure_kpa"].to_numpy()).any()
    name = "pressure_abs_kpa" if absolute else "pressure_kpa"
    if name not in table:
        return None
    raw = table[name].to_numpy(dtype=float)
    time = table["time_s"].to_numpy(dtype=float)
    keep = np.isfinite(raw) & np.isfinite(time)
    if not keep.any():
        return None
    unknown = procedure.unknown
    temperature = _channel(table, "temperature_c", time, keep, unknown.temperature_c)
    barometer = _channel(table, "barometer_kpa", time, keep, unknown.barometer_kpa)
    gauge = raw[keep] - barometer.series if absolute else raw[keep]
    return Pressures(
        time_s=time[keep], gauge_kpa=gauge, temperature_c=temperature, barometer_kpa=barometer, absolute=absolute,
        raw_kpa=raw[keep],
    )  # fmt: skip


def _channel(table: pd.DataFrame, name: str, time: Array, keep: NDArray[np.bool_], assumed: float) -> Channel:
    at = time[keep]
    if name not in table:
        return Channel(series=np.full(len(at), assumed), measured=False)
    values = table[name].to_numpy(dtype=float)
    known = np.isfinite(values) & np.isfinite(time)
    if known.sum() < max(2, 0.02 * keep.sum()) or _covered(time[known], at) < _COVERED:
        note = f"{name} was logged over too little of the hold and is taken as unknown"
        return Channel(series=np.full(len(at), assumed), measured=False, note=note if known.any() else None)
    return Channel(series=np.interp(at, time[known], values[known]), measured=True)


def _covered(known: Array, wanted: Array) -> float:
    whole = float(wanted[-1] - wanted[0])
    return 1.0 if whole <= 0 else float(min(known[-1], wanted[-1]) - max(known[0], wanted[0])) / whole


def wander(time_s: Array, sd: float, over_h: float) -> Array:
    """Covariance (n, n) of a random walk about its own mean over the given times.

    A walk that in ``over_h`` hours comes to a standard deviation ``sd`` about its own mean has the variance
    6 sd**2 t / over_h after the time t; in a shorter hold it gets less far.
    """
    t = (time_s - time_s[0]) / 3600
    walk = 6 * sd**2 / over_h * np.minimum(t[:, None], t)
    centre = np.eye(len(t)) - 1 / len(t)
    return np.asarray(centre @ walk @ centre)


def dose(time_s: Array, gauge_kpa: Array, atmosphere_kpa: Array, temperature_k: Array, reference_kpa: float) -> Array:
    """Integral (n,) from the first row of the pressure that drives a laminar leak, in kPa s.

    Flow through a laminar path goes with ``p_abs**2 - p_atm**2``; referred to the fitted ``P ln(N / P)`` and divided
    by twice the mean atmosphere that is ``(p_abs**2 - p_atm**2) / (2 p_atm) . P / p_abs . T / T0``
    (``benchlab.tank.decay``), the gauge pressure itself where that is small. Between readings the pressure is taken to
    fall exponentially.
    """
    absolute, mean = gauge_kpa + atmosphere_kpa, float(atmosphere_kpa.mean())
    drive = gauge_kpa * (absolute + atmosphere_kpa) / (2 * mean) * reference_kpa / absolute
    drive = drive * temperature_k / temperature_k.mean()
    before, after = drive[:-1], drive[1:]
    between = (before + after) / 2
    far = (np.minimum(before, after) > 0) & (np.abs(before - after) > 0.05 * between)
    between[far] = (before[far] - after[far]) / np.log(before[far] / after[far])
    return np.concatenate([[0.0], np.cumsum(between * np.diff(time_s))])
