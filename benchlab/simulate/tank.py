"""Pressure holds with known truth, from the amount of gas in the tank.

Independent of the fitted formulas: the amount of gas n(t) is integrated step by step through a laminar compressible
leak (throughput proportional to p_abs**2 - p_atm**2), with the gas heated by filling and cooling to the room, a wall
that gives way at once (elastic) and slowly (creep, a stretched exponential), weather and room temperature that wander,
and a gauge, a thermometer and a barometer with noise and resolution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.results import Event

R = 8.314462618
ATM_EXPONENT = 0.4 / 1.4
"""(gamma - 1) / gamma of air: adiabatic heating while filling."""
T_REF = 293.15
_CREEP_LOOK_S = 30.0
"""So often a creeping wall is told of a changed pressure: far more often than it creeps."""

Array = NDArray[np.float64]

_LOG_CREEP_S = 43200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A tank, its surroundings and the instruments; times count from the first row of the log."""

    volume_ml: float = 1900.0
    start_pressure_kpa: float = 10.0
    """Gauge pressure at the sealing moment."""
    leak_rate_pa_m3_s: float = 2e-5
    """Throughput at 20 C and at ``start_pressure_kpa``."""
    hold_h: float = 4.0
    sampling_s: float = 10.0
    before_s: float = 30.0
    fill_s: float = 40.0
    room_c: float = 20.0
    room_wander_k: float = 0.5
    """Expected standard deviation of the room temperature about its mean in four hours."""
    thermostat_k: float = 0.1
    """Amplitude of a regular swing of 25 minutes."""
    barometer_kpa: float = 101.0
    barometer_wander_kpa: float = 0.1
    tide_kpa: float = 0.05
    """Amplitude of the half-daily swing of the barometer."""
    creep_share: float = 0.15
    """Share of the start pressure that the wall takes by creeping."""
    creep_s: float = 1500.0
    creep_stretch: float = 0.8
    """Exponent of the creep exp(-(t / creep_s)**stretch): a wall has no single relaxation time; 1 would be one."""
    creep_second: tuple[float, float] = (0.0, 1.0)
    """(share, s): so much of the creep has a single relaxation time of its own instead."""
    creep_logarithmic: bool = False
    """The creep goes with ln(1 + t / creep_s) instead, over ``_LOG_CREEP_S``."""
    heating_share: float = 0.5
    """Share of the adiabatic heating that filling leaves in the gas."""
    gas_lag_s: float = 90.0
    wall_warmth: tuple[float, float] = (0.0, 1.0)
    """(K, s): the wall is so much warmer than the room at the first row and cools with this time constant."""
    room_fall_k: float = 0.0
    """The room grows colder by this, evenly over the log."""
    elasticity: float = 0.01
    """p_abs / V dV/dp of the wall."""
    noise_kpa: float = 0.01
    noise_rho: float = 0.0
    resolution_kpa: float = 0.01
    temperature_noise_k: float = 0.03
    temperature_resolution_k: float = 0.01
    barometer_noise_kpa: float = 0.005
    barometer_resolution_kpa: float = 0.01
    thermometer_in_gas: float = 0.0
    """1: it shows the gas; 0: the air around the tank, which the gas follows with its lag; or so much of either."""
    temperature: bool = True
    barometer: bool = True
    absolute: bool = False
    readings: int | None = None
    """Manual readings, at rounded minutes, instead of a logger."""
    sealed: bool = True
    disturbance: tuple[float, float] | None = None
    """(hours after sealing, kPa): a touched fitting lets this much out within seconds."""
    repressurised_h: float | None = None
    refills_h: tuple[float, ...] = ()
    """Hours after sealing at which the tank is filled to the start pressure again, over ``fill_s``; the gas heats up
    anew, and the creeps that follow each opening and filling add up (Boltzmann superposition)."""
    open_s: float = 0.0
    """How long before each refill the tank stands open; 0: it is topped up."""
    recovers: float = 0.75
    """Share of its creep that the wall creeps back as the load is taken off (1: linear viscoelasticity); with refills
    all of it, or none at 0."""
    vented_h: float | None = None
    overpressure_kpa: float | None = None
    """Peak of the gauge during filling, before the surplus is let out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of a simulated hold, in the product's terms."""

    sealed_s: float
    start_pressure_kpa: float
    """Gauge pressure at sealing with the gas at its mean temperature and the wall fully crept."""
    leak_rate_pa_m3_s: float
    rate_per_h: float
    atmosphere_kpa: float
    events: tuple[Event, ...] = ()

    def retained_fraction(self, hold_h: float) -> float:
        """Share of the leak component left after ``hold_h`` (laminar law, exact)."""
        x = self.start_pressure_kpa / (2 * self.atmosphere_kpa)
        decay = np.exp(-self.rate_per_h / (1 + x) * hold_h)
        return float(decay / (1 + x * (1 - decay)))


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedHold:
    """A canonical pressure table and the truth behind it."""

    frame: pd.DataFrame
    truth: Truth
    scenario: Scenario
    exact: pd.DataFrame = field(repr=False)
    """Noise-free gauge pressure, gas and room temperature, barometer at every row of the logger."""


def leak_rate_for(scenario: Scenario, retained: float, hold_h: float) -> float:
    """Leak rate (Pa m3/s at 20 C and the start pressure) that leaves about ``retained`` after ``hold_h``."""
    per_s = -np.log(retained) / (hold_h * 3600)
    return float(scenario.volume_ml * 1e-6 * scenario.start_pressure_kpa * 1e3 * per_s)


def simulate_hold(scenario: Scenario, rng: np.random.Generator) -> SimulatedHold:
    """Simulate one hold; the same scenario and generator state give the same log."""
    time = np.arange(0.0, scenario.before_s + scenario.fill_s + scenario.hold_h * 3600 + 0.5, scenario.sampling_s)
    room, atmosphere = _surroundings(scenario, time, rng)
    sealed = scenario.before_s + scenario.fill_s
    gauge, gas_k, n_sealed, events = _gas(scenario, time, room + 273.15, atmosphere * 1e3)
    exact = pd.DataFrame({
        "time_s": time, "gauge_kpa": gauge, "gas_c": gas_k - 273.15, "room_c": room, "barometer_kpa": atmosphere,
    })  # fmt: skip
    hold = time >= sealed
    truth = _truth(scenario, n_sealed, room[hold].mean() + 273.15, atmosphere[hold].mean() * 1e3, sealed, events)
    frame = _readings(scenario, exact, sealed, rng)
    return SimulatedHold(frame=frame, truth=truth, scenario=scenario, exact=exact)


def _surroundings(s: Scenario, time: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    room = s.room_c + _wander(time, s.room_wander_k, 300.0, rng)
    room -= s.room_fall_k * time / time[-1]
    room += s.thermostat_k * np.sin(2 * np.pi * time / 1500 + rng.uniform(0, 2 * np.pi))
    atmosphere = s.barometer_kpa + _wander(time, s.barometer_wander_kpa, 600.0, rng)
    atmosphere += s.tide_kpa * np.sin(2 * np.pi * time / 43200 + rng.uniform(0, 2 * np.pi))
    return room, atmosphere


def _wander(time: Array, sd: float, smooth_s: float, rng: np.random.Generator) -> Array:
    """Random walk whose expected variance about its mean in four hours is sd**2, smoothed over ``smooth_s``.

    A random walk that reaches variance S**2 has variance S**2 / 6 about its own mean.
    """
    step = float(time[1] - time[0])
    # run in before the log begins, so that the smoothing has its past
    early = int(5 * smooth_s / step)
    steps = rng.standard_normal(len(time) + early) * sd * np.sqrt(6 * step / 14400)
    walk = np.cumsum(steps)
    keep = math.exp(-step / smooth_s)
    out: list[float] = []
    level = float(walk[0])
    for x in walk.tolist():
        level = keep * level + (1 - keep) * x
        out.append(level)
    return np.asarray(np.array(out[early:]) - out[early])


def _pressure(n_r_t: float, volume: float, stretch: float, kappa: float, atmosphere: float) -> float:
    """Absolute pressure (Pa) from p V(p) = n R T with V(p) = volume (1 + stretch + kappa (p - atmosphere))."""
    b = 1 + stretch - kappa * atmosphere
    c = n_r_t / volume
    return c / b if kappa == 0 else (-b + math.sqrt(b * b + 4 * kappa * c)) / (2 * kappa)


def _gas(s: Scenario, time: Array, room_k: Array, atmosphere: Array) -> tuple[Array, Array, float, tuple[Event, ...]]:
    """Integrate gas amount, gas temperature and wall; return gauge kPa, gas K, moles at sealing, and the faults."""
    start = s.start_pressure_kpa * 1e3
    volume, p_start = s.volume_ml * 1e-6, start + s.barometer_kpa * 1e3
    kappa, creep_end = s.elasticity / p_start, s.creep_share * start / p_start
    conductance = s.leak_rate_pa_m3_s / (p_start**2 - (s.barometer_kpa * 1e3) ** 2)
    sealed = s.before_s + s.fill_s
    plan = _faults(s, sealed)
    step = min(float(time[1] - time[0]), 5.0)
    fine = np.arange(0.0, time[-1] + step / 2, step)
    room = np.interp(fine, time, room_k)
    about = np.concatenate([room[:1], (room[1:] + room[:-1]) / 2])  # while a step is made
    warmth, warm_s = s.wall_warmth
    wall = warmth * np.exp(-fine / warm_s)
    gas = float(room[0] + wall[0])
    # plain floats: the loop takes a third of the time
    outside, surface = np.interp(fine, time, atmosphere).tolist(), (about + wall).tolist()
    n = outside[0] * volume / (R * gas)
    n_sealed = np.nan
    gauge, temperature = np.empty_like(fine), np.empty_like(fine)
    crept, loads = _crept(s, fine), np.zeros_like(fine)
    sealed_crept = _crept(s, np.maximum(fine - sealed, 0.0)).tolist()
    follows = 1 - math.exp(-step / s.gas_lag_s)
    every, seen, eased = max(round(_CREEP_LOOK_S / step), 1), start, 0.0
    changed_at: list[int] = []
    changes: list[float] = []
    for i, t in enumerate(fine.tolist()):
        stretch = creep_end * sealed_crept[i]
        if s.refills_h:
            stretch = creep_end * float(loads[:i] @ crept[:i][::-1]) / start
        elif s.recovers and t > sealed:
            if i % every == 0:
                # what the pressure changed by since the last look is taken to have changed halfway
                changed_at.append(i - every // 2)
                changes.append((float(gauge[i - 1]) - seen) / start)
                seen = float(gauge[i - 1])
                eased = float(np.array(changes) @ crept[i - np.array(changed_at)])
            stretch += s.recovers * creep_end * eased
        gas += (surface[i] - gas) * follows
        if t <= s.before_s or (t > s.before_s and not s.sealed and t > sealed):
            n = outside[i] * volume / (R * gas)
        elif t <= sealed:
            aim = _fill(s, (t - s.before_s) / s.fill_s)
            before = _pressure(n * R * gas, volume, stretch, kappa, outside[i])
            gas *= 1 + s.heating_share * ATM_EXPONENT * (aim + outside[i] - before) / before
            n = (aim + outside[i]) * volume * (1 + stretch + kappa * aim) / (R * gas)
            n_sealed = n
        for kind, when, size in plan:
            if kind == "refilled":
                n, gas = _refill(s, t - when, n, gas, volume, stretch, kappa, outside[i])
            elif when < t <= when + 2 * step:
                n = _disturb(kind, size, n, volume, gas, outside[i], start)
        p = _pressure(n * R * gas, volume, stretch, kappa, outside[i])
        gauge[i], temperature[i] = p - outside[i], gas
        if s.refills_h and (s.recovers or _loaded(s, t, sealed)):
            loads[i] = gauge[i] - loads[:i].sum()
        n -= step * conductance * (p**2 - outside[i] ** 2) / (R * T_REF)
    out = np.interp(time, fine, gauge) / 1e3
    events = tuple(Event(kind=k, time_s=w, size=z, unit="kPa") for k, w, z in plan)
    if s.overpressure_kpa is not None:
        events = (*events, Event(kind="overpressure", time_s=sealed, size=s.overpressure_kpa, unit="kPa"))
    return out, np.interp(time, fine, temperature), n_sealed, events


def _faults(s: Scenario, sealed: float) -> list[tuple[str, float, float]]:
    plan = []
    if s.disturbance is not None:
        plan.append(("disturbance", sealed + s.disturbance[0] * 3600, s.disturbance[1]))
    if s.repressurised_h is not None:
        plan.append(("repressurised", sealed + s.repressurised_h * 3600, s.start_pressure_kpa))
    if s.vented_h is not None:
        plan.append(("vented", sealed + s.vented_h * 3600, 0.0))
    return [*plan, *(("refilled", sealed + h * 3600, s.start_pressure_kpa) for h in s.refills_h)]


def _loaded(s: Scenario, t: float, sealed: float) -> bool:
    """Whether the tank is being filled or stands open."""
    again = (sealed + h * 3600 for h in s.refills_h)
    return s.before_s < t <= sealed or any(at < t <= at + s.open_s + s.fill_s for at in again)


def _refill(
    s: Scenario, after_s: float, n: float, gas: float, volume: float, stretch: float, kappa: float, outside: float
) -> tuple[float, float]:
    """Amount and temperature of the gas while the tank stands open or is filled again, ``after_s`` from the start."""
    if 0 < after_s <= s.open_s:
        return outside * volume * (1 + stretch) / (R * gas), gas
    if not s.open_s < after_s <= s.open_s + s.fill_s:
        return n, gas
    now = _pressure(n * R * gas, volume, stretch, kappa, outside)
    left = (s.open_s + s.fill_s - after_s) / s.fill_s
    aim = max(outside + s.start_pressure_kpa * 1e3 * (1 - left), now)
    gas *= 1 + s.heating_share * ATM_EXPONENT * (aim - now) / now
    return aim * volume * (1 + stretch + kappa * (aim - outside)) / (R * gas), gas


def _crept(s: Scenario, held_s: Array) -> Array:
    """Share of the creep that is done after these times."""
    if s.creep_logarithmic:
        return np.asarray(np.log1p(np.minimum(held_s, _LOG_CREEP_S) / s.creep_s) / np.log1p(_LOG_CREEP_S / s.creep_s))
    share, second_s = s.creep_second
    left = (1 - share) * np.exp(-((held_s / s.creep_s) ** s.creep_stretch)) + share * np.exp(-held_s / second_s)
    return np.asarray(1 - left)


def _fill(s: Scenario, share: float) -> float:
    """Gauge pressure (Pa) aimed at while filling; an overshoot is let out in the last third."""
    if s.overpressure_kpa is None:
        return s.start_pressure_kpa * 1e3 * share
    peak = s.overpressure_kpa
    level = peak * share / 0.67 if share < 0.67 else peak + (s.start_pressure_kpa - peak) * (share - 0.67) / 0.33
    return level * 1e3


def _disturb(kind: str, size: float, n: float, volume: float, gas: float, outside: float, start: float) -> float:
    if kind == "disturbance":
        return n - size * 1e3 / 2 * volume / (R * gas)
    level = start if kind == "repressurised" else 0.0
    return (outside + level) * volume / (R * gas)


def _truth(
    s: Scenario, n: float, mean_k: float, mean_pa: float, sealed: float, events: tuple[Event, ...]
) -> Truth:  # fmt: skip
    start = s.start_pressure_kpa * 1e3
    volume, p_start = s.volume_ml * 1e-6, start + s.barometer_kpa * 1e3
    kappa, creep_end = s.elasticity / p_start, s.creep_share * start / p_start
    conductance = s.leak_rate_pa_m3_s / (p_start**2 - (s.barometer_kpa * 1e3) ** 2)
    # what a wall creeps back it gives way to the settled pressure, the rest it keeps
    back = 1.0 if s.refills_h and s.recovers else s.recovers
    gives_way, kept = kappa + back * creep_end / start, (1 - back) * creep_end

    def rate_at(p: float) -> tuple[float, float]:
        leak = conductance * (p**2 - mean_pa**2)
        gives = volume * (1 + kept + gives_way * (p - mean_pa)) + p * volume * gives_way
        return leak, leak * mean_k / T_REF / ((p - mean_pa) * gives) if p > mean_pa else np.nan

    p = _pressure(n * R * mean_k, volume, kept, gives_way, mean_pa)
    leak, rate = rate_at(p)
    if rate > 0:
        # while the pressure is still settling the leak is driven by more than its own component: what it takes then
        # is missing later, the integral of rate exp(rate t) over what is still to settle
        warmth, warm_s = s.wall_warmth
        warm, cooled = warmth / mean_k * p_start, _pressure(n * R * mean_k, volume, 0.0, kappa, mean_pa)
        heat, creep = start - (cooled - mean_pa) - warm, cooled - p
        late = np.concatenate([[0.0], np.geomspace(0.1, 20 * max(s.creep_s, s.creep_second[1], warm_s), 4000)])
        to_settle = heat * np.exp(-late / s.gas_lag_s) + warm * np.exp(-late / warm_s)
        to_settle += creep * (1 - _crept(s, late))
        p -= float(np.trapezoid(rate * np.exp(rate * late) * to_settle, late))
        leak, rate = rate_at(p)
    return Truth(
        sealed_s=sealed, start_pressure_kpa=(p - mean_pa) / 1e3, leak_rate_pa_m3_s=leak, rate_per_h=rate * 3600,
        atmosphere_kpa=mean_pa / 1e3, events=events,
    )  # fmt: skip


def _readings(s: Scenario, exact: pd.DataFrame, sealed: float, rng: np.random.Generator) -> pd.DataFrame:
    """Read the instruments: noise (AR(1) on the gauge), then the step of the display."""
    m = len(exact)
    noise = rng.standard_normal(m) * s.noise_kpa
    for i in range(1, m if s.noise_rho else 0):
        noise[i] = s.noise_rho * noise[i - 1] + np.sqrt(1 - s.noise_rho**2) * noise[i]
    atmosphere = exact["barometer_kpa"].to_numpy()
    gauge = exact["gauge_kpa"].to_numpy() + noise
    frame = pd.DataFrame({"time_s": exact["time_s"], "segment": 0})
    if s.absolute:
        frame["pressure_abs_kpa"] = _rounded(gauge + atmosphere, s.resolution_kpa)
    else:
        frame["pressure_kpa"] = _rounded(gauge, s.resolution_kpa)
    seen = exact["room_c"] + s.thermometer_in_gas * (exact["gas_c"] - exact["room_c"])
    room = seen.to_numpy() + rng.standard_normal(m) * s.temperature_noise_k
    outside = atmosphere + rng.standard_normal(m) * s.barometer_noise_kpa
    if s.temperature:
        frame["temperature_c"] = _rounded(room, s.temperature_resolution_k)
    if s.barometer:
        frame["barometer_kpa"] = _rounded(outside, s.barometer_resolution_kpa)
    if s.readings is None:
        return frame
    at = np.linspace(sealed + 60, float(frame["time_s"].iloc[-1]), s.readings)
    rows = np.clip(np.round(at / s.sampling_s).astype(int), 0, m - 1)
    return frame.iloc[np.unique(rows)].reset_index(drop=True)


def _rounded(values: Array, step: float) -> Array:
    return np.asarray(np.round(values / step) * step if step > 0 else values)
