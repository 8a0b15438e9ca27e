"""Seeded servo cycling logs with known truth: command, position, current, supply, temperature, and planted faults.

The servo here is a machine, not a formula that the analysis fits: it moves at a limited speed that follows the supply,
runs past its target and comes back, has backlash, warms up, runs in, and is seen through a quantised, noisy sensor.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]
Pattern = Literal["step_neutral", "step", "ramp", "sine"]
FaultKind = Literal[
    "hysteresis_growth", "centre_drift", "centre_step", "current_drift", "current_step", "high_current", "slow",
    "slowing", "jitter_growth", "stall", "short_stroke", "tooth", "binding", "brown_out", "glitch",
]  # fmt: skip

_DEG_PER_US = 0.1
_START_S = 0.012
"""Dead time between a command edge and the first movement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One planted fault. ``size`` is in the unit of what it disturbs.

    Growths and drifts: per 1000 cycles (current and slowing: relative, 0.1 = 10 %). Steps, short strokes, teeth,
    binding, brown-outs and glitches: the size itself (deg, A or V; current steps and high current relative).
    """

    kind: FaultKind
    size: float
    cycles: tuple[int, ...] = ()
    """Cycles (from 1) with a stall, short stroke, brown-out or glitch; the first cycle of a step or a tooth."""
    angle_deg: float = 17.0
    """Where a tooth sits."""
    channel: str = "position_deg"
    """Which channel a glitch hits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """How the bench cycles and logs. Noise figures are those of an ordinary bench."""

    pattern: Pattern = "step_neutral"
    cycles: int = 990
    period_s: float = 4.0
    sampling_hz: float = 100.0
    dwell_spread: float = 0.0
    """Random share by which each dwell is longer or shorter."""
    low_us: float = 1000.0
    high_us: float = 2000.0
    ambient_c: float = 22.0
    supply_v: float = 7.4
    source_ohm: float = 0.05
    position_noise_deg: float = 0.05
    position_step_deg: float = 0.1
    current_noise_a: float = 0.01
    current_step_a: float = 0.001
    voltage_noise_v: float = 0.01
    voltage_step_v: float = 0.001
    temperature_noise_c: float = 0.1
    temperature_step_c: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """The servo itself."""

    transit_s_per_60deg: float = 0.14
    centre_deg: float = 0.0
    hysteresis_deg: float = 0.3
    overshoot_deg: float = 0.4
    jitter_deg: float = 0.02
    friction_a: float = 0.35
    run_in_share: float = 0.25
    """Share by which friction is higher at the first cycle, decaying with ``run_in_cycles``."""
    run_in_cycles: float = 120.0
    inrush_a: float = 0.9
    idle_a: float = 0.03
    stall_a: float = 1.8
    warming_k: float = 12.0
    warming_cycles: float = 90.0
    current_per_kelvin: float = -0.004
    texture: float = 0.04
    """Relative change of friction along the travel (gear mesh), the same in every cycle."""
    eccentricity: float = 0.015
    """The same with a period of 90 deg."""
    mesh_deg: float = 9.0
    """Period of the texture along the travel."""
    irregular: float = 0.0
    """Relative standard deviation of friction from tooth to tooth, the same in every cycle."""
    wander_deg: float = 0.03
    wander_share: float = 0.02
    rho: float = 0.4
    """Lag-1 correlation of the wander from cycle to cycle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedServo:
    """A log and what is true of it."""

    frame: pd.DataFrame
    """Canonical servo table: time_s, segment, command_us, position_deg, current_a, voltage_v, temperature_c."""
    truth: pd.DataFrame
    """Per cycle, without sensor noise: centre_deg, hysteresis_deg, end_high_deg, end_low_deg, friction_a (25 C)."""
    moving: NDArray[np.bool_]
    """Per row of the frame: the servo really moves."""


def simulate_servo(
    rng: np.random.Generator, bench: Bench | None = None, traits: Traits | None = None, faults: Sequence[Fault] = ()
) -> SimulatedServo:
    """Return one servo's log over all cycles of the bench, with its truth."""
    bench, traits = bench or Bench(), traits or Traits()
    truth = _per_cycle(rng, bench, traits, faults)
    time, cycle, command, edges = _command(rng, bench)
    supply = np.full(len(time), bench.supply_v)
    for f in (f for f in faults if f.kind == "brown_out"):
        for c in f.cycles:
            begin = time[np.searchsorted(cycle, c - 1)] + 0.3 * bench.period_s
            supply[(time >= begin) & (time < begin + 0.25)] -= f.size
    true_position, moving, since_start = _motion(bench, traits, faults, truth, time, cycle, command, edges, supply)
    current = _current(rng, bench, traits, faults, truth, cycle, true_position, moving, since_start)
    current = np.where(_stalled(bench, faults, cycle, command, since_start), traits.stall_a, current)
    voltage = supply - bench.source_ohm * current
    grown = sum(f.size for f in faults if f.kind == "jitter_growth") * cycle / 1000
    shake = traits.jitter_deg + grown
    frame = pd.DataFrame({
        "time_s": time,
        "segment": 0,
        "command_us": command,
        "position_deg": _seen(rng, true_position + shake * rng.standard_normal(len(time)), bench.position_noise_deg,
                              bench.position_step_deg),
        "current_a": _seen(rng, current, bench.current_noise_a, bench.current_step_a),
        "voltage_v": _seen(rng, voltage, bench.voltage_noise_v, bench.voltage_step_v),
        "temperature_c": _seen(rng, truth["temperature_c"].to_numpy()[cycle], bench.temperature_noise_c,
                               bench.temperature_step_c),
    })  # fmt: skip
    return SimulatedServo(frame=_with_glitches(rng, frame, cycle, faults), truth=truth, moving=moving)


def simulate_bench(
    rng: np.random.Generator,
    bench: Bench,
    servos: Mapping[str, tuple[Traits, Sequence[Fault]]],
) -> tuple[pd.DataFrame, dict[str, SimulatedServo]]:
    """Return one wide log of several servos on one command (columns such as ``current 1 [A]``) and each one's truth."""
    made = {label: simulate_servo(rng, bench, traits, faults) for label, (traits, faults) in servos.items()}
    first = next(iter(made.values())).frame
    wide = {"time [s]": first["time_s"], "command [us]": first["command_us"]}
    for label, servo in made.items():
        for name, unit in (("position", "deg"), ("current", "A"), ("voltage", "V"), ("temperature", "C")):
            wide[f"{name} {label} [{unit}]"] = servo.frame[f"{name}_{unit.lower()}"]
    return pd.DataFrame(wide), made


def healthy_traits(rng: np.random.Generator, spread: float = 0.05) -> Traits:
    """Return a sound servo of one type: speed, friction and idle current spread relatively by ``spread``."""
    factor = 1 + spread * rng.standard_normal(4)
    return Traits(
        transit_s_per_60deg=0.14 * factor[0],
        friction_a=0.35 * factor[1],
        idle_a=0.03 * factor[2],
        inrush_a=0.9 * factor[3],
        hysteresis_deg=0.3 + 0.05 * rng.standard_normal(),
        centre_deg=0.5 * rng.standard_normal(),
        run_in_share=rng.uniform(0.1, 0.35),
        run_in_cycles=rng.uniform(60, 200),
        warming_k=rng.uniform(6, 18),
    )


# --- the parts of the machine -----------------------------------------------------------------------------------------


def _size(faults: Sequence[Fault], kind: FaultKind) -> float:
    return sum(f.size for f in faults if f.kind == kind)


def _ar1(rng: np.random.Generator, n: int, rho: float) -> Array:
    """AR(1) series of unit marginal standard deviation."""
    noise = rng.standard_normal(n)
    noise[1:] *= np.sqrt(1 - rho**2)
    return np.asarray(lfilter([1.0], [1.0, -rho], noise))


def _from_cycle(faults: Sequence[Fault], kind: FaultKind, k: Array) -> Array:
    """Sum of the steps of one kind: their size from their first cycle on."""
    total = np.zeros(len(k))
    for f in (f for f in faults if f.kind == kind):
        total = total + f.size * (k >= (f.cycles[0] if f.cycles else 1))
    return total


def _per_cycle(rng: np.random.Generator, bench: Bench, t: Traits, faults: Sequence[Fault]) -> pd.DataFrame:
    k = np.arange(1, bench.cycles + 1, dtype=float)
    temperature = bench.ambient_c + t.warming_k * (1 - np.exp(-k / t.warming_cycles))
    friction = t.friction_a * (1 + t.run_in_share * np.exp(-k / t.run_in_cycles))
    friction = friction * (1 + _size(faults, "current_drift") * k / 1000 + _size(faults, "high_current"))
    friction = friction * (1 + _from_cycle(faults, "current_step", k))
    friction = friction * (1 + t.wander_share * _ar1(rng, bench.cycles, t.rho))
    centre = t.centre_deg + _size(faults, "centre_drift") * k / 1000 + _from_cycle(faults, "centre_step", k)
    centre = centre + t.wander_deg * _ar1(rng, bench.cycles, t.rho)
    half = (bench.high_us - bench.low_us) / 2 * _DEG_PER_US
    slower = 1 + _size(faults, "slow") + _size(faults, "slowing") * k / 1000
    return pd.DataFrame({
        "cycle": np.arange(1, bench.cycles + 1),
        "temperature_c": temperature,
        "friction_a": friction,
        "centre_deg": centre,
        "hysteresis_deg": t.hysteresis_deg + _size(faults, "hysteresis_growth") * k / 1000,
        "end_high_deg": centre + half,
        "end_low_deg": centre - half,
        "transit_s_per_60deg": t.transit_s_per_60deg * slower,
    })  # fmt: skip


def _command(rng: np.random.Generator, b: Bench) -> tuple[Array, NDArray[np.intp], Array, NDArray[np.intp]]:
    """Time, cycle (from 0) and command of every row; the rows at which a step command jumps."""
    dt = 1 / b.sampling_hz
    mid, half = (b.high_us + b.low_us) / 2, (b.high_us - b.low_us) / 2
    if b.pattern in ("step", "step_neutral"):
        levels = np.array([1.0, 0, -1, 0] if b.pattern == "step_neutral" else [1.0, -1])
        spread = 1 + b.dwell_spread * rng.uniform(-1, 1, b.cycles * len(levels))
        rows = np.maximum(np.rint(b.period_s / len(levels) * spread / dt).astype(int), 2)
        command = np.repeat(mid + half * np.tile(levels, b.cycles), rows)
        cycle = np.repeat(np.repeat(np.arange(b.cycles), len(levels)), rows)
        edges = np.concatenate([[0], np.cumsum(rows)[:-1]])
    else:
        n = round(b.cycles * b.period_s / dt)
        phase = np.arange(n) * dt / b.period_s
        shape = np.sin(2 * np.pi * phase) if b.pattern == "sine" else 2 / np.pi * np.arcsin(np.sin(2 * np.pi * phase))
        command, edges = mid + half * shape, np.zeros(0, dtype=np.intp)
        cycle = np.minimum(phase.astype(int), b.cycles - 1)
    time = np.asarray(np.arange(len(command)) * dt, dtype=float)
    return time, cycle, np.asarray(np.rint(command), dtype=float), np.asarray(edges)


def _motion(
    b: Bench, t: Traits, faults: Sequence[Fault], truth: pd.DataFrame, time: Array, cycle: NDArray[np.intp],
    command: Array, edges: NDArray[np.intp], supply: Array,
) -> tuple[Array, NDArray[np.bool_], Array]:  # fmt: skip
    """True position, whether the servo moves, and the time since it was sent on its way, of every row."""
    mid = (b.high_us + b.low_us) / 2
    target = (command - mid) * _DEG_PER_US + truth["centre_deg"].to_numpy()[cycle]
    play = truth["hysteresis_deg"].to_numpy()[cycle]
    if not len(edges):
        position = _play(target, play / 2)
        speed = np.gradient(position, time)
        return position, np.abs(speed) > 0.1 * np.max(np.abs(speed)), np.full(len(time), np.inf)
    at = target[edges]
    before = np.concatenate([[np.nan], at[:-1]])
    before[0] = at[0]
    sense = np.sign(at - before)
    rest = at - sense * play[edges] / 2
    for f in (f for f in faults if f.kind in ("short_stroke", "stall")):
        hit = np.isin(cycle[edges] + 1, f.cycles) & (command[edges] >= b.high_us)
        rest = np.where(hit, rest - f.size, rest)
    begin = np.concatenate([[rest[0]], rest[:-1]])
    stroke = np.searchsorted(edges, np.arange(len(time)), side="right") - 1
    since = time - time[edges][stroke] - _START_S
    way = (rest - begin)[stroke]
    speed = 60 / truth["transit_s_per_60deg"].to_numpy()[cycle] * supply / b.supply_v
    done = np.clip(speed * np.maximum(since, 0), 0, np.abs(way))
    after = np.maximum(since - np.abs(way) / speed, 0)
    swing = t.overshoot_deg * np.exp(-after / 0.03) * np.sin(after / 0.025) * (after > 0) * (np.abs(way) > 5)
    moving = (since > 0) & (done < np.abs(way))
    return begin[stroke] + np.sign(way) * (done + swing), moving, np.where(np.abs(way) > 1, since, np.inf)


def _play(target: Array, half: Array) -> Array:
    """Backlash: the output stays until the input has crossed the play."""
    out = np.empty(len(target))
    last = target[0]
    for i, (u, h) in enumerate(zip(target.tolist(), half.tolist(), strict=True)):
        last = min(max(last, u - h), u + h)
        out[i] = last
    return out


def _current(
    rng: np.random.Generator, b: Bench, t: Traits, faults: Sequence[Fault], truth: pd.DataFrame,
    cycle: NDArray[np.intp], position: Array, moving: NDArray[np.bool_], since: Array,
) -> Array:  # fmt: skip
    """Supply current of every row without sensor noise: idle, friction and inrush, teeth and binding."""
    half = (b.high_us - b.low_us) / 2 * _DEG_PER_US
    place = position - truth["centre_deg"].to_numpy()[cycle]
    cold = 1 + t.current_per_kelvin * (truth["temperature_c"].to_numpy() - 25)
    phase = rng.uniform(0, 2 * np.pi, 2)
    mesh = 1 + t.texture * np.sin(2 * np.pi * place / t.mesh_deg + phase[0])
    mesh = mesh + t.eccentricity * np.sin(2 * np.pi * place / 90 + phase[1])
    if t.irregular:
        teeth = np.arange(-60, 61) * t.mesh_deg
        mesh = mesh + np.interp(place, teeth, t.irregular * rng.standard_normal(len(teeth)))
    running = (truth["friction_a"].to_numpy() * cold)[cycle] * mesh
    for f in faults:
        if f.kind == "tooth":
            from_cycle = f.cycles[0] if f.cycles else 1
            bump = f.size * np.exp(-0.5 * ((place - f.angle_deg) / 1.5) ** 2)
            running = running + bump * (cycle + 1 >= from_cycle)
        elif f.kind == "binding":
            running = running + f.size * np.clip((place / half - 0.4) / 0.6, 0, 1)
    # what a motor draws from standstill is supply over winding resistance: it falls as the winding warms
    inrush = (t.inrush_a * cold)[cycle] * np.exp(-np.maximum(since, 0) / 0.02) * np.isfinite(since)
    return t.idle_a + np.where(moving, running + inrush, 0.0)


def _stalled(
    b: Bench, faults: Sequence[Fault], cycle: NDArray[np.intp], command: Array, since: Array
) -> NDArray[np.bool_]:
    """Rows in which a stalled servo pushes on: from the start of the blocked stroke to the end of its dwell."""
    struck = np.zeros(len(cycle), dtype=bool)
    for f in (f for f in faults if f.kind == "stall"):
        struck |= np.isin(cycle + 1, f.cycles) & (command >= b.high_us) & (since > 0.05)
    return struck


def _seen(rng: np.random.Generator, true: Array, noise: float, step: float) -> Array:
    """What the instrument shows: noise added, then rounded to its step."""
    seen = true + noise * rng.standard_normal(len(true))
    return np.rint(seen / step) * step if step else seen


def _with_glitches(
    rng: np.random.Generator, frame: pd.DataFrame, cycle: NDArray[np.intp], faults: Sequence[Fault]
) -> pd.DataFrame:
    for f in (f for f in faults if f.kind == "glitch"):
        values = frame[f.channel].to_numpy(copy=True)
        for c in f.cycles:
            values[rng.choice(np.flatnonzero(cycle == c - 1))] += f.size
        frame = frame.assign(**{f.channel: values})
    return frame
