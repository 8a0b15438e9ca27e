"""One hold measured: from pressures to the decay with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.procedure import TankProcedure
from benchlab.stats.uncertainty import combine, from_resolution, rectangular
from benchlab.tank.compensation import KELVIN, Pressures, dose, wander
from benchlab.tank.decay import DecayFit, fit_decay
from benchlab.tank.fall import falls_far, fit_fall
from benchlab.tank.fit_data import HoldData
from benchlab.tank.hold import MANUAL_ROWS, Hold
from benchlab.tank.reload import settling_left
from benchlab.tank.settling import RECOVERS, Settling, lag_times

Array = NDArray[np.float64]

_BLOCKS = 110
_AVERAGED = ("rate", "p1", "loss", "settling", "wall")
_FINE_S = 5.0
"""Step at which the gas is followed after the thermometer: well below the shortest time constant of its cooling."""
_EARLY = 1.7
"""Blocks are narrow at the start, where settling is quick: their edges go with this power of the time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one hold showed."""

    hold: Hold
    pressures: Pressures
    fit: DecayFit
    corrected_kpa: Array
    """On all pressure rows, used or not."""
    block_time_s: Array
    """Times from sealing at which ``fit`` has its curve."""
    gas_k: float
    atmosphere_kpa: float
    resolution_kpa: float
    temperature_measured: bool
    barometer_measured: bool
    settling: Settling
    """What was known of the settling beforehand."""
    note: str = ""
    """What is to be said of the fit."""

    @property
    def hold_s(self) -> float:
        """Length of the usable hold."""
        return self.hold.hold_s


def measure_hold(pressures: Pressures, hold: Hold, procedure: TankProcedure) -> Measured:
    """Correct and fit the usable hold.

    Raises
    ------
    ValueError
        If the corrected pressure does not start above the atmosphere.
    """
    measured = _measured(pressures, hold, procedure)
    if not pressures.absolute or pressures.barometer_kpa.measured:
        return measured
    return replace(measured, fit=_over_levels(measured.fit, pressures, hold, procedure))


def _over_levels(fit: DecayFit, pressures: Pressures, hold: Hold, procedure: TankProcedure) -> DecayFit:
    """Average the fit over the level of the atmosphere that is only assumed: three points stand for a normal law.

    The level shifts the gauge pressure and with it the course of the drive, far from in proportion: so the hold is
    fitted again at +-sqrt(3) u, which with weights 1/6, 2/3, 1/6 has the moments of the normal law up to the fifth.
    """
    fits, weights = [fit], [4.0]
    for shift in (-np.sqrt(3), np.sqrt(3)):
        level = shift * procedure.unknown.barometer_level_u_kpa
        barometer = replace(pressures.barometer_kpa, series=pressures.barometer_kpa.series + level)
        shifted = replace(pressures, gauge_kpa=pressures.gauge_kpa - level, barometer_kpa=barometer)
        try:
            fits.append(_measured(shifted, hold, procedure).fit)
        except ValueError:  # no pressure would be left: the atmosphere was not that
            continue
        weights.append(1.0)
    w = np.array(weights) / sum(weights)
    means, us = (np.array([[getattr(f, name + end) for name in _AVERAGED] for f in fits]) for end in ("", "_u"))
    mean = w @ means
    u = np.sqrt(w @ (us**2 + (means - mean) ** 2))
    numbers = dict(zip(_AVERAGED, mean.tolist(), strict=True))
    numbers |= dict(zip((f"{name}_u" for name in _AVERAGED), u.tolist(), strict=True))
    level_u = float(np.sqrt(w @ (means[:, 0] - mean[0]) ** 2))
    return replace(
        fit, **numbers, rate_lo=numbers["rate"] - 1.96 * numbers["rate_u"],
        rate_hi=numbers["rate"] + 1.96 * numbers["rate_u"], loss_lo=numbers["loss"] - 1.96 * numbers["loss_u"],
        loss_hi=numbers["loss"] + 1.96 * numbers["loss_u"],
        parts={**fit.parts, "level of the atmosphere assumed": level_u},
    )  # fmt: skip


def _measured(pressures: Pressures, hold: Hold, procedure: TankProcedure) -> Measured:
    used = hold.used
    temperature, barometer = pressures.temperature_c.series, pressures.barometer_kpa.series
    weight = _time_weight(pressures.time_s[used])
    t0 = float(np.average(temperature[used], weights=weight)) + KELVIN
    p0 = float(np.average(barometer[used], weights=weight))
    raw_gauge = pressures.gauge_kpa
    amount = (raw_gauge + barometer) * t0 / (temperature + KELVIN)
    reference = float(np.average(amount[used], weights=weight))
    t = pressures.time_s[used] - hold.sealed_s
    driven = dose(t, raw_gauge[used], barometer[used], temperature[used] + KELVIN, reference)
    y = reference * np.log(amount[used] / reference)
    time, (value, eaten, gauge), white = _blocks(
        t, (y, driven, raw_gauge[used]), _reading_u(pressures, used, procedure)
    )
    s = procedure.settling
    settling = Settling(
        quick_share=s.cooling_share, quick_share_u=s.cooling_share_u,
        slow_share=s.creep_share, slow_share_u=s.creep_share_u,
        give=procedure.wall_elasticity_share, give_u=procedure.wall_elasticity_share,
    )  # fmt: skip
    if not hold.fresh:
        settling = settling_left(settling, pressures.time_s, raw_gauge, hold.sealed_s)
    data = HoldData(
        time_s=time, value=value, dose=eaten, gauge=gauge, white=white, reference_kpa=reference, atmosphere_kpa=p0,
        known=known_covariances(time, reference, t0, pressures, used, procedure),
        level_kpa=float(reference * np.exp(value[0] / reference) - p0),
        settling=settling,
        lag=_lag(pressures, used, t, reference, t0),
    )  # fmt: skip
    note = ""
    if falls_far(gauge, p0):
        fit, note = fit_fall(t, (amount - p0)[used], time, procedure.wall_elasticity_share)
    else:
        fit = _with_drive(fit_decay(data), _drive_u(pressures, used, procedure), float(np.mean(raw_gauge[used])))
    return Measured(
        hold=hold, pressures=pressures, fit=fit, corrected_kpa=amount - p0,
        block_time_s=time, gas_k=t0, atmosphere_kpa=p0, resolution_kpa=step_of(pressures.raw_kpa[used]),
        temperature_measured=pressures.temperature_c.measured, barometer_measured=pressures.barometer_kpa.measured,
        settling=settling, note=note,
    )  # fmt: skip


def _time_weight(time_s: Array) -> Array:
    """Weights that make a mean over uneven rows a mean over time."""
    if len(time_s) < 3:
        return np.ones(len(time_s))
    return np.asarray(np.gradient(time_s))


def step_of(values: Array) -> float:
    """Step of a reading: the smallest difference between distinct values, 0 where they do not look stepped."""
    distinct = np.unique(np.round(values, 9))
    if len(distinct) < 2:
        return _last_digit(float(distinct[0]))
    step = float(np.diff(distinct).min())
    if len(values) > MANUAL_ROWS:
        return step if len(distinct) < 0.9 * len(values) else 0.0
    return min(step, max(_last_digit(float(v)) for v in distinct))


def _last_digit(value: float) -> float:
    """Place of the last digit a value is written with; 2 % of it where it looks converted from another unit."""
    for digits in range(4):
        if abs(round(value, digits) - value) < 1e-9:
            return float(10.0**-digits)
    return 0.02 * abs(value)


def _row_noise(values: Array) -> float:
    return float(np.std(np.diff(values)) / np.sqrt(2)) if len(values) > 2 else 0.0


def _reading_u(pressures: Pressures, used: NDArray[np.bool_], procedure: TankProcedure) -> float:
    """Standard uncertainty of one corrected reading from the steps of the instruments alone."""
    channels = procedure.channels
    name = "pressure_abs_kpa" if pressures.absolute else "pressure_kpa"
    gauge = channels[name].resolution if name in channels else 0.0
    u = from_resolution(gauge or step_of(pressures.raw_kpa[used]))
    parts = [u]
    if pressures.temperature_c.measured:
        step = channels["temperature_c"].resolution or step_of(pressures.temperature_c.series[used])
        level = float(np.mean(pressures.gauge_kpa[used] + pressures.barometer_kpa.series[used]))
        parts.append(from_resolution(step) * level / 293.15)
    if pressures.barometer_kpa.measured and not pressures.absolute:
        parts.append(
            from_resolution(channels["barometer_kpa"].resolution or step_of(pressures.barometer_kpa.series[used]))
        )
    return float(np.hypot.reduce(parts))


def _blocks(t: Array, series: tuple[Array, ...], reading_u: float) -> tuple[Array, list[Array], Array]:
    """Means of blocks of rows, narrow at the start, and the standard uncertainty of those of the first series."""
    if len(t) <= MANUAL_ROWS:
        return t, list(series), np.full(len(t), max(reading_u, 1e-6))
    sigma = max(_row_noise(series[0]), reading_u)
    first = _edges(t)
    n = np.diff(np.append(first, len(t)))
    time, *means = (np.add.reduceat(x, first) / n for x in (t, *series))
    return time, means, sigma / np.sqrt(n)


def _edges(t: Array) -> NDArray[np.intp]:
    edges = t[-1] * np.linspace(0, 1, _BLOCKS + 1)[:-1] ** _EARLY
    return np.unique(np.searchsorted(t, edges))


def _lag(pressures: Pressures, used: NDArray[np.bool_], t: Array, level_kpa: float, gas_k: float) -> Array | None:
    """Pressure (blocks, times) by which the correction is off if the gas follows the thermometer with a lag.

    A thermometer beside the tank shows the room; the gas within comes after it with the time constant of its cooling.
    """
    if not pressures.temperature_c.measured or len(t) <= MANUAL_ROWS:
        return None
    time, room = pressures.time_s, pressures.temperature_c.series
    even = np.linspace(time[0], time[-1], min(max(len(time), round((time[-1] - time[0]) / _FINE_S), 2), 20000))
    step = even[1] - even[0]
    level = np.interp(even, time, room)
    between = np.concatenate([level[:1], (level[1:] + level[:-1]) / 2])
    first = _edges(t)
    n = np.diff(np.append(first, len(t)))
    out = []
    for tau in lag_times():
        keep = float(np.exp(-step / tau))
        gas = pd.Series(between).ewm(alpha=1 - keep, adjust=False).mean().to_numpy()
        late = np.interp(time[used], even, gas - level) * level_kpa / gas_k
        out.append(np.add.reduceat(late, first) / n)
    return np.column_stack(out)


def _drive_u(pressures: Pressures, used: NDArray[np.bool_], procedure: TankProcedure) -> dict[str, float]:
    """Relative standard uncertainties of the pressure that drives the leak: a constant error of the gauge.

    It leaves the measured loss of gas alone, but the loss is then reckoned against a wrong pressure.
    """
    channels = procedure.channels
    name = "pressure_abs_kpa" if pressures.absolute else "pressure_kpa"
    mean = max(float(np.mean(pressures.gauge_kpa[used])), 1e-9)
    out: dict[str, float] = {}
    accuracy = rectangular(channels[name].accuracy) if name in channels else 0.0
    if pressures.absolute and pressures.barometer_kpa.measured:
        accuracy = combine(accuracy, rectangular(channels["barometer_kpa"].accuracy))
    if accuracy > 0:
        out["accuracy of the gauge"] = accuracy / mean
    return out


def _with_drive(fit: DecayFit, shares: dict[str, float], mean_kpa: float) -> DecayFit:
    """Add what is not known of the driving pressure, whose mean over the hold is ``mean_kpa``.

    The gas lost over the hold does not depend on it; ``loss``, which is that at p1, does as far as p1 is not the mean.
    """
    if not shares:
        return fit
    share = combine(*shares.values())
    extra, extra_loss = abs(fit.rate) * share, fit.loss * share * (1 - mean_kpa / fit.p1)
    return replace(
        fit, rate_u=combine(fit.rate_u, extra), p1_u=combine(fit.p1_u, fit.p1 * share),
        loss_u=combine(fit.loss_u, extra_loss), loss_lo=fit.loss - combine(fit.loss - fit.loss_lo, 1.96 * extra_loss),
        loss_hi=fit.loss + combine(fit.loss_hi - fit.loss, 1.96 * extra_loss),
        rate_lo=fit.rate - combine(fit.rate - fit.rate_lo, 1.96 * extra),
        rate_hi=fit.rate + combine(fit.rate_hi - fit.rate, 1.96 * extra),
        parts={**fit.parts} | {name: abs(fit.rate) * u for name, u in shares.items()},
    )  # fmt: skip


def known_covariances(
    time: Array, level_kpa: float, gas_k: float, pressures: Pressures, used: NDArray[np.bool_], procedure: TankProcedure
) -> dict[str, Array]:
    """Covariances of what disturbs all readings together: unknown surroundings, accuracy, coarse steps."""
    unknown = procedure.unknown
    per_kelvin = level_kpa / gas_k
    out: dict[str, Array] = {}
    if not pressures.temperature_c.measured:
        out["temperature not logged"] = wander(time, unknown.temperature_wander_k * per_kelvin, unknown.over_h)
    if not pressures.barometer_kpa.measured and not pressures.absolute:
        out["barometer not logged"] = wander(time, unknown.barometer_wander_kpa, unknown.over_h)
    if not pressures.barometer_kpa.measured and pressures.absolute:
        # the gas does not feel the weather, but the wall does, and gives way to it
        s = procedure.settling
        give = procedure.wall_elasticity_share + RECOVERS * (s.creep_share + s.creep_share_u)
        out["barometer not logged"] = wander(time, unknown.barometer_wander_kpa * give, unknown.over_h)
    weather = 0.0 if pressures.absolute else 1.0  # the gas within a sealed tank does not feel the weather
    for label, values, factor in (
        ("steps of the gauge", pressures.raw_kpa[used], 1.0),
        ("steps of the thermometer", pressures.temperature_c.series[used], per_kelvin),
        ("steps of the barometer", pressures.barometer_kpa.series[used], weather),
    ):
        stairs = _stairs(time, values, pressures.time_s[used])
        if stairs is not None:
            out[label] = factor**2 * stairs
    return out


def _stairs(time: Array, values: Array, time_s: Array) -> Array | None:
    """Covariance of rounding where the noise does not blur it: it then lasts as long as the display stands still."""
    step = step_of(values)
    if len(values) <= MANUAL_ROWS or step == 0 or np.ptp(values) == 0 or _row_noise(values) > 0.5 * step:
        return None
    changes = max(int(np.count_nonzero(np.diff(values))), 1)
    memory = float(np.clip((time_s[-1] - time_s[0]) / changes / 2, 1.0, (time_s[-1] - time_s[0]) / 4))
    return np.asarray(step**2 / 12 * np.exp(-np.abs(time[:, None] - time) / memory))


def hold_table(measured: Sequence[Measured], max_rows: int = 2000) -> pd.DataFrame:
    """The ``hold`` table of the report from the holds of one log, thinned to ``max_rows``.

    Raw, corrected and fitted pressure; ``hold`` numbers the holds from 1 (0: in none). Between the holds the pressure
    is corrected to the reference of the longest.
    """
    main = max(measured, key=lambda m: m.hold_s)
    p = main.pressures
    corrected, number = main.corrected_kpa.copy(), np.zeros(len(p.time_s), dtype=int)
    fit, u = np.full(len(p.time_s), np.nan), np.full(len(p.time_s), np.nan)
    for n, one in enumerate(measured, 1):
        inside = (p.time_s >= one.hold.sealed_s) & (p.time_s <= one.hold.end_s)
        held = p.time_s[inside] - one.hold.sealed_s
        number[inside], corrected[inside] = n, one.corrected_kpa[inside]
        fit[inside] = np.interp(held, one.block_time_s, one.fit.fit)
        u[inside] = np.interp(held, one.block_time_s, one.fit.fit_u)
    frame = pd.DataFrame({
        "time_s": p.time_s,
        "pressure_kpa": p.gauge_kpa,
        "corrected_kpa": corrected,
        "fit_kpa": fit,
        "fit_lo_kpa": fit - 1.96 * u,
        "fit_hi_kpa": fit + 1.96 * u,
        "used": np.logical_or.reduce([m.hold.used for m in measured]),
        "hold": number,
    })  # fmt: skip
    if p.temperature_c.measured:
        frame["temperature_c"] = p.temperature_c.series
    if p.barometer_kpa.measured:
        frame["barometer_kpa"] = p.barometer_kpa.series
    return thin(frame, max_rows)


def thin(frame: pd.DataFrame, max_rows: int) -> pd.DataFrame:
    """Keep of each stretch of rows the one with the least and the one with the most pressure."""
    if len(frame) <= max_rows:
        return frame.reset_index(drop=True)
    values = frame["pressure_kpa"].to_numpy()
    bounds = np.linspace(0, len(values), max_rows // 2 + 1).astype(int)
    rows = {int(a + f(values[a:b])) for a, b in pairwise(bounds) for f in (np.argmin, np.argmax)}
    return frame.iloc[sorted(rows)].reset_index(drop=True)
