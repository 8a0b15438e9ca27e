"""How good are charge, energy, source resistance and dip detection? Prints a table.

Run: ``python tests/benchmarks/power_coverage.py [N] [--seeds K] [--only WORD]``: N logs per line, seeded K, K + 1, ...
Truth and logs come from ``benchlab.simulate.power``, which shares no code with the analysis. The bound is that of
Cramer and Rao for independent noise, with polarisation (resistance and time constant) and a cubic fall of the
open-circuit voltage unknown; ripple counts as known, for a steady one could be taken out.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
import pandas as pd

from benchlab.airframe import Circuit, FlightPhase, Pack
from benchlab.power.analyse import analyse_circuit
from benchlab.power.charge import draws_of, flight_budget
from benchlab.power.load import describe
from benchlab.power.phases import phases_of
from benchlab.power.record import prepare
from benchlab.power.source import SourceFit, fit_source
from benchlab.procedure import load_procedures
from benchlab.results import Analysis, PartResult
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load

PROCEDURE = load_procedures().current
QUIET = LoadPhase(name="idle", seconds=60, pulses_per_s=0.1)
BUSY = LoadPhase(name="cruise", seconds=240)
LONG = (replace(QUIET, seconds=300), replace(BUSY, seconds=3300))
SOURCE = Source(capacity_mah=1000)

SOURCE_CASES: dict[str, tuple[tuple[LoadPhase, ...], Source, Logger]] = {
    "20 Hz, 10 mV and 10 mA steps": ((QUIET, BUSY), SOURCE, Logger()),
    "with 5 mV ripple": ((QUIET, BUSY), SOURCE, Logger(ripple_v=0.005)),
    "20 mV steps, little noise": ((QUIET, BUSY), SOURCE, Logger(step_v=0.02, noise_v=0.002)),
    "0.1 A noise on the current": ((QUIET, BUSY), SOURCE, Logger(noise_a=0.1)),
    "readings averaged": ((QUIET, BUSY), SOURCE, Logger(averaging=True, ripple_v=0.005)),
    "5 Hz": ((QUIET, BUSY), SOURCE, Logger(sampling_hz=5, ripple_v=0.005)),
    "5 Hz, no ripple": ((QUIET, BUSY), SOURCE, Logger(sampling_hz=5)),
    "10 Hz": ((QUIET, BUSY), SOURCE, Logger(sampling_hz=10, ripple_v=0.005)),
    "100 Hz, 60 s": (
        (replace(QUIET, seconds=10), replace(BUSY, seconds=50)), SOURCE, Logger(sampling_hz=100, ripple_v=0.005)
    ),
    "no polarisation": ((QUIET, BUSY), replace(SOURCE, polarisation_ohm=0), Logger(ripple_v=0.005)),
    "fast polarisation, 2 s": ((QUIET, BUSY), replace(SOURCE, polarisation_s=2.0), Logger(ripple_v=0.005)),
    "emptied over the log": ((QUIET, BUSY), replace(SOURCE, capacity_mah=95), Logger(ripple_v=0.005)),
    "few pulses": ((replace(QUIET, seconds=300),), SOURCE, Logger(ripple_v=0.005)),
}  # fmt: skip
CHARGE_CASES = {
    "20 Hz averaged, 1 h": (LONG, Logger(averaging=True)),
    "20 Hz point readings, 1 h": (LONG, Logger()),
    "20 Hz averaged, 5 min": ((QUIET, BUSY), Logger(averaging=True)),
    "20 Hz point readings, 5 min": ((QUIET, BUSY), Logger()),
    "20 Hz point readings, 1 h, pulses 1 s": (tuple(replace(p, pulse_s=1.0) for p in LONG), Logger()),
}  # fmt: skip


def bound(frame: pd.DataFrame, source: Source, logger: Logger) -> float:
    """Cramer-Rao bound of the source resistance for the rows of this log."""
    i, h = frame["current_a"].to_numpy(), 1 / logger.sampling_hz

    def lag(tau: float) -> np.ndarray:
        a, out = np.exp(-h / tau), np.zeros(len(i))
        for k in range(1, len(i)):
            out[k] = a * out[k - 1] + (1 - a) * (i[k] + i[k - 1]) / 2
        return out

    q = np.cumsum(i) / i.sum()
    columns = [i, np.ones(len(i)), q, q**2, q**3]
    if source.polarisation_ohm > 0:
        columns += [lag(source.polarisation_s), lag(1.02 * source.polarisation_s) - lag(0.98 * source.polarisation_s)]
    x = np.column_stack(columns)
    x /= np.linalg.norm(x, axis=0)
    variance = logger.noise_v**2 + logger.step_v**2 / 12  # ripple of one frequency could be known and taken out
    variance += source.ohmic_ohm**2 * (logger.noise_a**2 + logger.step_a**2 / 12)
    return float(np.sqrt(variance * np.linalg.inv(x.T @ x)[0, 0]) / np.linalg.norm(i))


def source_rows(seeds: range, only: str) -> None:
    """Coverage and efficiency of the source resistance."""
    print(
        f"{'source resistance':34s} {'cover 95 %':>10s} {'rmse/bound':>10s} {'bias/u':>7s} {'u/rmse':>7s} no fit",
        end="",
    )
    print("; slow answer found, its resistance and time constant covered")
    for name, (phases, source, logger) in SOURCE_CASES.items():
        if only not in name:
            continue
        error, bounds, u, hit, slow, none = [], [], [], [], [], 0
        for seed in seeds:
            frame, truth = simulate_load(phases, source, logger, np.random.default_rng([seed, 1]))
            record = prepare([frame], PROCEDURE)
            fit = fit_source(record) if record is not None else "nothing"
            if not isinstance(fit, SourceFit):
                none += 1
                continue
            r = fit.resistance
            error.append(r.value - truth.source_resistance_ohm)
            u.append(r.u)
            hit.append(r.lo <= truth.source_resistance_ohm <= r.hi)
            if fit.polarisation is not None and source.polarisation_ohm > 0:
                pairs = ((fit.polarisation, source.polarisation_ohm), (fit.polarisation_s, source.polarisation_s))
                slow.append([e.lo <= true <= e.hi for e, true in pairs])
            bounds.append(bound(frame, source, logger))
        e = np.array(error)
        rmse = np.sqrt(np.mean(e**2))
        print(
            f"{name:34s} {100 * np.mean(hit):9.1f}% {np.sqrt(np.mean((e / bounds) ** 2)):10.2f} "
            f"{np.mean(e) / np.mean(u):7.2f} {np.mean(u) / rmse:7.2f} {none:6d}"
            f" {len(slow):6d} {' '.join(f'{100 * x:5.1f}%' for x in np.mean(slow, axis=0)) if slow else ''}"
        )


def charge_rows(seeds: range, only: str) -> None:
    """Error of charge and energy, and how often the 95 % intervals hold."""
    print(f"\n{'charge and energy':38s} {'rms error':>9s} {'largest':>8s} {'cover':>6s}   energy rms  cover")
    for name, (phases, logger) in CHARGE_CASES.items():
        if only not in name:
            continue
        error, energy, hit, hit_energy = [], [], [], []
        for seed in seeds:
            source = replace(SOURCE, capacity_mah=4000)
            frame, truth = simulate_load(phases, source, logger, np.random.default_rng([seed, 2]))
            got = describe(prepare([frame], PROCEDURE))
            c, w = got["charge_mah"], got["energy_wh"]
            error.append(c.value / truth.recorded_mah - 1)
            energy.append(w.value / truth.recorded_wh - 1)
            hit.append(c.lo <= truth.recorded_mah <= c.hi)
            hit_energy.append(w.lo <= truth.recorded_wh <= w.hi)
        e = 100 * np.array(error)
        print(
            f"{name:38s} {np.sqrt(np.mean(e**2)):8.4f}% {np.abs(e).max():7.4f}% {100 * np.mean(hit):5.0f}% "
            f"{100 * np.sqrt(np.mean(np.square(energy))):10.4f}% {100 * np.mean(hit_energy):5.0f}%"
        )


def flight_rows(seeds: range) -> None:
    """Charge per flight from logs of five minutes, against the mean of the load they are samples of."""
    print(f"\n{'charge per flight (5 min log)':38s} {'rms error':>9s} {'cover':>6s} {'u/rms':>6s}")
    flight = [FlightPhase(phase="idle", minutes=2), FlightPhase(phase="cruise", minutes=6)]
    part, pack = Circuit(id="c", packs=["p"]), Pack(id="p")
    for name, logger in (("20 Hz point readings", Logger()), ("5 Hz averaged", Logger(sampling_hz=5, averaging=True))):
        true = sum(f.minutes * mean_of(p) / 60 * 1e3 for f, p in zip(flight, (QUIET, BUSY), strict=True))
        error, u, hit = [], [], []
        for seed in seeds:
            frame, _ = simulate_load((QUIET, BUSY), SOURCE, logger, np.random.default_rng([seed, 5]))
            record = prepare([frame], PROCEDURE)
            phases = {name: describe(record, rows) for name, rows in phases_of(record)[0].items()}
            result = PartResult(
                id="c", kind="circuit", verdict="accept", quantities=describe(record), phases=phases
            )  # fmt: skip
            draws, _ = draws_of(pack, [(part, Analysis(result=result))], flight, None, PROCEDURE, [])
            got = flight_budget(draws, None, 1.0)[0]["flight_charge_mah"]
            error.append(got.value / true - 1)
            u.append(got.u / true)
            hit.append(got.lo <= true <= got.hi)
        rms = np.sqrt(np.mean(np.square(error)))
        print(f"{name:38s} {100 * rms:8.3f}% {100 * np.mean(hit):5.1f}% {np.mean(u) / rms:6.2f}")


def mean_of(phase: LoadPhase) -> float:
    """Mean current of a simulated phase: pulses that reach past its end are cut there."""
    length = phase.pulse_s - phase.pulse_s**2 * (1 + 1 / 12) / (2 * phase.seconds)
    return phase.base_a + phase.pulses_per_s * phase.pulse_a * length


def dip_rows(seeds: range) -> None:
    """Dips of one and two rows: found, and false ones in logs without any."""
    print(f"\n{'supply dips (5 mV ripple)':38s} {'found':>7s} {'false':>6s}")
    for hz, depth, rows in ((20, 0.6, 1), (20, 0.6, 2), (20, 0.45, 1), (5, 0.6, 1), (100, 0.6, 1), (20, 0.0, 0)):
        found = false = 0
        phases = (QUIET, BUSY) if hz < 100 else (replace(QUIET, seconds=10), replace(BUSY, seconds=50))
        for seed in seeds:
            at = np.random.default_rng([seed, 3]).uniform(12, 58)
            logger = Logger(sampling_hz=hz, ripple_v=0.005, dips=((at, depth, rows),) if rows else ())
            frame, _ = simulate_load(phases, SOURCE, logger, np.random.default_rng([seed, 4]))
            result = analyse_circuit([frame], Circuit(id="c"), PROCEDURE).result
            times = [e.time_s for e in result.events if e.kind == "supply_dip"]
            found += rows > 0 and any(abs(t - at) < 2 / hz for t in times)
            false += sum(abs(t - at) >= 2 / hz or not rows for t in times)
        name = f"{hz} Hz, {depth:g} V for {rows} row{'s' if rows > 1 else ''}" if rows else "none planted, 20 Hz"
        print(f"{name:38s} {f'{found}/{len(seeds)}' if rows else '-':>7s} {false:6d}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("runs", type=int, nargs="?", default=200)
    parser.add_argument("--seeds", type=int, default=0, help="first seed")
    parser.add_argument("--only", default="", help="only lines whose name holds this")
    given = parser.parse_args()

    def seeds_for(n: int) -> range:
        return range(given.seeds, given.seeds + n)

    source_rows(seeds_for(given.runs), given.only)
    charge_rows(seeds_for(given.runs), given.only)
    if not given.only:
        flight_rows(seeds_for(given.runs))
        dip_rows(seeds_for(max(given.runs // 6, 10)))
