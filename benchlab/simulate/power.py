"""Current and voltage logs of a circuit with known truth: servo-like pulses on a base load, a pack that empties."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPhase:
    """One phase of a simulated load; pulses come at random, of random size and length."""

    name: str
    seconds: float
    base_a: float = 0.4
    pulses_per_s: float = 1.0
    pulse_a: float = 2.0
    """Mean size; sizes lie between half and one and a half of it."""
    pulse_s: float = 0.35
    """Mean length; lengths lie between half and one and a half of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A pack and the way to the point where voltage is read."""

    capacity_mah: float = 4000.0
    cells: int = 2
    ohmic_ohm: float = 0.06
    polarisation_ohm: float = 0.03
    polarisation_s: float = 12.0
    charge_start: float = 1.0
    """State of charge at the start, 1 = full."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Logger:
    """How the log is taken. Noise is rms and white; a step of 0 is no quantisation."""

    sampling_hz: float = 20.0
    averaging: bool = False
    """True: a reading is the mean over its interval; False: the value of its moment."""
    noise_a: float = 0.005
    noise_v: float = 0.004
    step_a: float = 0.01
    step_v: float = 0.01
    ripple_v: float = 0.0
    """Amplitude of a sinusoid on the voltage, at ``ripple_hz``."""
    ripple_hz: float = 47.3
    clip_a: float | None = None
    """The sensor reads no more than this."""
    gaps: tuple[tuple[float, float], ...] = ()
    """(start, length) in s: rows that are missing."""
    dips: tuple[tuple[float, float, int], ...] = ()
    """(time s, depth V, rows): the voltage falls without a load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadTruth:
    """What is true of a simulated log."""

    charge_mah: float
    energy_wh: float
    mean_current_a: float
    peak_current_a: float
    source_resistance_ohm: float
    open_circuit_end_v: float
    phase_charge_mah: Mapping[str, float] = field(default_factory=dict)
    recorded_mah: float
    """Charge between the first and the last reading."""
    recorded_wh: float


def open_circuit_v(state: Array, cells: int) -> Array:
    """Open-circuit voltage against state of charge (1 = full): an invented curve of the shape lithium cells have."""
    cell = 3.62 + 0.48 * state + 0.09 * np.exp(-((1 - state) / 0.05)) - 0.55 * np.exp(-state / 0.035)
    return np.asarray(cells * cell)


def simulate_load(
    phases: tuple[LoadPhase, ...], source: Source, logger: Logger, rng: np.random.Generator
) -> tuple[pd.DataFrame, LoadTruth]:
    """Return a canonical current log (``time_s, segment, current_a, voltage_v, phase``) and its truth.

    The circuit is stepped on a grid ten times finer than the log (1 ms at most) and read from there; charge and
    energy are those of the fine grid.
    """
    per_row = max(10, int(np.ceil(1000 / logger.sampling_hz)))
    h = 1 / (logger.sampling_hz * per_row)
    current, owner = _load(phases, h, rng)
    state = source.charge_start - np.cumsum(current) * h / 3.6 / source.capacity_mah
    decay = np.exp(-h / source.polarisation_s)
    slow = lfilter([1 - decay], [1, -decay], current)
    rest = open_circuit_v(state, source.cells)
    voltage = rest - source.ohmic_ohm * current - source.polarisation_ohm * slow

    pick = np.arange(0, len(current), per_row)
    if logger.averaging:
        whole = len(current) // per_row
        i = current[: whole * per_row].reshape(whole, per_row).mean(axis=1)
        v = voltage[: whole * per_row].reshape(whole, per_row).mean(axis=1)
        pick = pick[:whole]
    else:
        i, v = current[pick], voltage[pick]
    time = np.asarray((pick + (per_row / 2 if logger.averaging else 0)) * h, dtype=np.float64)
    frame = pd.DataFrame(
        {
            "time_s": time - time[0], "segment": 0, "current_a": _read_current(i, logger, rng),
            "voltage_v": _read_voltage(v, time, logger, rng), "phase": np.array([p.name for p in phases])[owner[pick]],
        }
    )  # fmt: skip
    missing = np.zeros(len(frame), dtype=bool)
    for start, length in logger.gaps:
        missing |= (time > start) & (time < start + length)
    recorded = slice(round(time[0] / h), round(time[-1] / h))
    truth = LoadTruth(
        recorded_mah=float(current[recorded].sum() * h / 3.6),
        recorded_wh=float((current * voltage)[recorded].sum() * h / 3600),
        charge_mah=float(current.sum() * h / 3.6), energy_wh=float((current * voltage).sum() * h / 3600),
        mean_current_a=float(current.mean()), peak_current_a=float(current.max()),
        source_resistance_ohm=source.ohmic_ohm, open_circuit_end_v=float(rest[-1]),
        phase_charge_mah={p.name: float(current[owner == k].sum() * h / 3.6) for k, p in enumerate(phases)},
    )  # fmt: skip
    return frame[~missing].reset_index(drop=True), truth


def _load(phases: tuple[LoadPhase, ...], h: float, rng: np.random.Generator) -> tuple[Array, NDArray[np.int64]]:
    """Current on the fine grid and the number of the phase that each point belongs to."""
    pieces, owner = [], []
    for k, phase in enumerate(phases):
        n = round(phase.seconds / h)
        change = np.zeros(n + 1)
        count = rng.poisson(phase.pulses_per_s * phase.seconds)
        start = rng.uniform(0, phase.seconds, count)
        size = phase.pulse_a * rng.uniform(0.5, 1.5, count)
        stop = np.minimum(start + phase.pulse_s * rng.uniform(0.5, 1.5, count), phase.seconds)
        np.add.at(change, np.minimum((start / h).astype(int), n), size)
        np.add.at(change, np.minimum((stop / h).astype(int), n), -size)
        pieces.append(phase.base_a + np.cumsum(change[:-1]))
        owner.append(np.full(n, k))
    return np.concatenate(pieces), np.concatenate(owner)


def _read_current(i: Array, logger: Logger, rng: np.random.Generator) -> Array:
    read = i + logger.noise_a * rng.standard_normal(len(i))
    if logger.clip_a is not None:
        read = np.minimum(read, logger.clip_a)
    return _rounded(read, logger.step_a)


def _read_voltage(v: Array, time: Array, logger: Logger, rng: np.random.Generator) -> Array:
    read = v + logger.noise_v * rng.standard_normal(len(v))
    read += logger.ripple_v * np.sin(2 * np.pi * logger.ripple_hz * time + rng.uniform(0, 2 * np.pi))
    for at, depth, rows in logger.dips:
        first = int(np.searchsorted(time, at))
        read[first : first + rows] -= depth
    return _rounded(read, logger.step_v)


def _rounded(x: Array, step: float) -> Array:
    return np.rint(x / step) * step if step > 0 else x
