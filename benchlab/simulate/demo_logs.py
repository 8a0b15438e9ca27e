"""The logs of the demonstration airframe, generated: what is planted in them stands in ``demo``."""

from __future__ import annotations

import lzma
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load
from benchlab.simulate.servo import Bench, Fault, Traits, healthy_traits, simulate_bench
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold

SEED = 20_260
ELEVONS = ("S11", "S12", "S13", "S14")
RUDDERS = ("S15", "S16", "S17")


def generate(
    folder: Path,
    *,
    sampling_hz: float = 50.0,
    period_s: float = 2.4,
    compress: bool = True,
    rudders: tuple[str, ...] = RUDDERS,
) -> None:
    """Write the logs of the demonstration into ``folder/logs``; the same settings give the same logs."""
    rng = np.random.default_rng(SEED)
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    bench = Bench(
        cycles=990, sampling_hz=sampling_hz, period_s=period_s, current_step_a=0.01, voltage_step_v=0.05,
        temperature_noise_c=0.05, temperature_step_c=0.5,
    )  # fmt: skip
    elevons = _one_supply(simulate_bench(rng, bench, _servos(rng, ELEVONS))[0])
    _write(elevons, logs / "elevons.csv", ";", ",", compress)
    others = _one_supply(simulate_bench(rng, bench, _servos(rng, rudders))[0])
    _write(_with_counter_and_glitch(others), logs / "rudders_and_spare.csv", ",", ".", compress)
    _tanks(rng, logs, compress)
    _circuits(rng, logs, compress)


def _servos(rng: np.random.Generator, ids: tuple[str, ...]) -> dict[str, tuple[Traits, list[Fault]]]:
    """Traits and planted faults of the servos of one log, labelled 1, 2, ..."""
    out: dict[str, tuple[Traits, list[Fault]]] = {}
    for label, servo in enumerate(ids, 1):
        traits = healthy_traits(rng, spread=0.03)
        traits = replace(traits, run_in_cycles=float(rng.uniform(80, 150)), centre_deg=float(rng.normal(0, 0.15)))
        faults: list[Fault] = []
        if servo == "S12":
            traits = replace(traits, run_in_share=0.8, run_in_cycles=900.0)
        elif servo == "S13":
            faults.append(Fault(kind="hysteresis_growth", size=1.1))
        elif servo == "S16":
            faults.append(Fault(kind="high_current", size=0.5))
        out[str(label)] = (traits, faults)
    return out


def _one_supply(wide: pd.DataFrame) -> pd.DataFrame:
    """Keep one supply voltage for all servos, the lowest of theirs: they hang on one supply."""
    volts = [c for c in wide.columns if c.startswith("voltage")]
    return wide.drop(columns=volts).assign(**{"supply [V]": wide[volts].min(axis=1)})


def _with_counter_and_glitch(wide: pd.DataFrame) -> pd.DataFrame:
    """Give the log a 32-bit microsecond counter that wraps inside it, and one impossible encoder value."""
    start = 3_000_000_000
    counter = (np.rint(wide["time [s]"].to_numpy() * 1e6).astype(np.int64) + start) % 2**32
    glitched = wide["position 1 [deg]"].to_numpy(copy=True)
    glitched[len(glitched) // 3] = 327.67
    out = wide.drop(columns="time [s]").assign(**{"position 1 [deg]": glitched})
    out.insert(0, "time [us]", counter)
    return out


def _tanks(rng: np.random.Generator, logs: Path, compress: bool) -> None:
    base = Scenario(volume_ml=1450, start_pressure_kpa=12, hold_h=4.5, sampling_s=20, creep_share=0.12)
    for name, retained in (("tank_left", 0.96), ("tank_right", 0.55)):
        scenario = replace(base, leak_rate_pa_m3_s=leak_rate_for(base, retained, 4.0))
        frame = simulate_hold(scenario, rng).frame
        frame = frame.drop(columns="segment").rename(columns={
            "time_s": "time [s]", "pressure_kpa": "gauge pressure [kPa]", "temperature_c": "air temperature [°C]",
            "barometer_kpa": "barometer [hPa]",
        })  # fmt: skip
        frame["barometer [hPa]"] *= 10
        _write(frame, logs / f"{name}.csv", ",", ".", compress)
    header = replace(base, volume_ml=240, hold_h=4.2, readings=7, resolution_kpa=0.1, noise_kpa=0.03,
                       temperature=False, barometer=False, leak_rate_pa_m3_s=1e-6)  # fmt: skip
    frame = simulate_hold(header, rng).frame[:5]  # the technician did not stay for the last two readings
    text = "time,gauge pressure (kPa)\n"
    for seconds, pressure in zip(frame["time_s"], frame["pressure_kpa"], strict=True):
        minute = 9 * 60 + 10 + round(seconds / 60)
        text += f"2026-03-14 {minute // 60:02d}:{minute % 60:02d},{pressure:.1f}\n"
    (logs / "tank_header_by_hand.csv").write_text(text, encoding="utf-8")


def _circuits(rng: np.random.Generator, logs: Path, compress: bool) -> None:
    receiver = (
        LoadPhase(name="idle", seconds=120, base_a=0.45, pulses_per_s=0.3, pulse_a=1.2),
        LoadPhase(name="cruise", seconds=240, base_a=0.45, pulses_per_s=1.5, pulse_a=2.0),
        LoadPhase(name="manoeuvres", seconds=120, base_a=0.45, pulses_per_s=3.0, pulse_a=3.0),
    )
    ignition = (
        LoadPhase(name="idle", seconds=120, base_a=0.9, pulses_per_s=4.0, pulse_a=1.0, pulse_s=0.06),
        LoadPhase(name="cruise", seconds=240, base_a=1.1, pulses_per_s=6.0, pulse_a=1.2, pulse_s=0.06),
        LoadPhase(name="manoeuvres", seconds=120, base_a=1.1, pulses_per_s=7.0, pulse_a=1.2, pulse_s=0.06),
    )
    logger = Logger(sampling_hz=20, noise_v=0.004, step_v=0.01, step_a=0.01)
    for name, phases, source in (
        ("receiver", receiver, Source(capacity_mah=6400, ohmic_ohm=0.045)),
        ("ignition", ignition, Source(capacity_mah=300, ohmic_ohm=0.11)),
    ):
        frame, _ = simulate_load(phases, source, logger, rng)
        frame = frame.drop(columns="segment").rename(columns={
            "time_s": "t [s]", "current_a": "current [A]", "voltage_v": "voltage [V]",
        })  # fmt: skip
        _write(frame, logs / f"{name}.csv", "\t", ".", compress)


def _write(frame: pd.DataFrame, path: Path, delimiter: str, decimal: str, compress: bool) -> None:
    """Write a log as a logger would, to four decimals at most."""
    columns = [_texts(values, decimal) for _, values in frame.round(4).items()]
    text = "".join(delimiter.join(row) + "\r\n" for row in ([*map(str, frame)], *zip(*columns, strict=True)))
    if compress:
        # no time stamp goes into an xz file: the same log gives the same bytes
        path.with_name(path.name + ".xz").write_bytes(lzma.compress(text.encode(), preset=9 | lzma.PRESET_EXTREME))
    else:
        path.write_bytes(text.encode())


def _texts(values: pd.Series, decimal: str) -> list[str]:
    """Values of a column as text, each number that occurs written once: pandas takes four times as long."""
    if values.dtype != np.float64:
        return [str(v) for v in values]
    # by their bits: 0.0 and -0.0 are two
    bits, place = np.unique(np.array(values).view(np.int64), return_inverse=True)
    known = [str(v).replace(".", decimal) for v in bits.view(np.float64).tolist()]
    return list(np.array(known, dtype=object)[place])
