"""Battery and load logs of many habits through reader and analysis: is anything false said? Prints a table.

Run: ``python tests/benchmarks/power_zoo.py [N] [--seeds K]``: N random logs seeded K, K + 1, ... Each is a profile
(cycles of a cycler, discharge or charge alone, pulses both ways, a drive with regeneration, a flight, servo pulses,
nothing) in a habit: sign convention or none, names for the steps or none, A or mA, 0.1 to 60 s between rows, rounded
to a few places, with or without voltage, extra columns. A figure counts as false if it is off by more than four
standard uncertainties and half a per cent (resistances: five per cent); what is not told counts as not told.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from benchlab.airframe import Pack
from benchlab.logs.reader import read_log
from benchlab.power.analyse import analyse_circuit
from benchlab.procedure import load_procedures
from benchlab.simulate.power import open_circuit_v

PROCEDURES = load_procedures()
PROFILES = (
    "cycles",
    "discharge",
    "charge",
    "charge, rests",
    "pulses both ways",
    "drive",
    "flight",
    "servos",
    "nothing",
)


@dataclass(frozen=True, kw_only=True)
class Truth:
    profile: str
    habit: str
    out_mah: float
    in_mah: float
    ohm: float


def current_of(profile: str, capacity_ah: float, step_s: float, rng: np.random.Generator) -> np.ndarray:
    """Current on a grid of ``step_s``, positive out of the pack."""
    rate = rng.uniform(0.3, 1.5) * capacity_ah

    def hold(amps: float, seconds: float) -> np.ndarray:
        return np.full(max(int(seconds / step_s), 3), amps)

    def charge() -> list[np.ndarray]:
        taper = -0.5 * rate * np.exp(-np.arange(0, 1500, step_s) / 500)
        return [hold(-0.5 * rate, 0.65 * 3600 * capacity_ah / (0.5 * rate)), taper]

    if profile == "cycles":
        one = [hold(0, 300), hold(rate, 0.75 * 3600 * capacity_ah / rate), hold(0, 900), *charge(), hold(0, 600)]
        return np.concatenate(one * int(rng.integers(1, 4)))
    if profile == "discharge":
        return hold(rate, 0.8 * 3600 * capacity_ah / rate)
    if profile == "charge":
        return np.concatenate(charge())
    if profile == "charge, rests":
        return np.concatenate([hold(0, 200), *charge(), hold(0, 400)])
    if profile == "pulses both ways":
        pulse, rest = float(rng.choice([10, 18, 30])), float(rng.choice([40, 60, 90]))
        one = [hold(0, rest), hold(2 * rate, pulse), hold(0, rest), hold(-rate, pulse)]
        return np.concatenate(one * 15)
    n = int(1800 / step_s)
    if profile == "drive":
        wander = lfilter([1], [1, -np.exp(-step_s / 8)], rng.standard_normal(n)) * np.sqrt(1 - np.exp(-step_s / 4))
        return np.clip(rate * (0.7 + wander), -0.8 * rate, 4 * rate)
    if profile == "flight":
        level = rng.choice([0.0, 1, 2, 3, 4], n // int(np.ceil(12 / step_s)) + 1)
        amps = np.repeat(level, int(np.ceil(12 / step_s)))[:n] * rate
        return amps * (1 + 0.02 * rng.standard_normal(n))
    if profile == "servos":
        start = rng.random(n) < 0.7 * step_s
        length = max(int(0.4 / step_s), 1)
        busy = np.convolve(start * rng.uniform(0.5, 1.5, n), np.ones(length))[:n]
        return 0.1 * rate + rate * busy
    return np.zeros(n)


def write_log(path: Path, rng: np.random.Generator) -> Truth:
    """Write one random log and return its truth."""
    profile = str(rng.choice(PROFILES))
    capacity, cells = float(rng.choice([0.6, 2.2, 5.0, 30.0])), int(rng.integers(1, 7))
    slow = profile in ("cycles", "discharge", "charge", "charge, rests")
    step = float(rng.choice([1.0, 5.0, 10.0, 60.0] if slow else [0.1, 0.2, 0.5, 1.0]))
    i = current_of(profile, capacity, step, rng)
    t = np.arange(len(i)) * step
    begin = 0.3 if profile.startswith("charge") else 0.95
    state = np.clip(begin - np.concatenate([[0.0], np.cumsum(i[:-1])]) * step / 3600 / capacity, 0.02, 1.0)
    ohm = cells * rng.uniform(0.01, 0.06) * 2.0 / capacity
    decay = np.exp(-step / 20)
    v = open_circuit_v(state, cells) - ohm * i - 0.5 * ohm * lfilter([1 - decay], [1, -decay], i)
    top = max(float(np.abs(i).max()), 0.1)
    noise = 10 ** rng.uniform(-4, -2.5)
    read = i + noise * top * rng.standard_normal(len(i)) * (i != 0)
    sign = str(rng.choice(["out +", "out -", "no sign"]))
    logged = {"out +": read, "out -": -read, "no sign": np.abs(read)}[sign]
    milli = rng.random() < 0.4
    places = int(rng.choice([2, 3, 4]))
    columns: dict[str, object] = {str(rng.choice(["Time [s]", "time_s", "Elapsed time (s)"])): np.round(t, 2)}
    named = rng.random() < 0.3 and slow
    if named:
        columns["Mode"] = np.where(i > 0, "Discharge", np.where(i < 0, "Charge", "Rest"))
    header = str(rng.choice(["Current", "I"]))
    columns[f"{header} [{'mA' if milli else 'A'}]"] = np.round(logged * (1e3 if milli else 1), 1 if milli else places)
    volts = rng.random() < 0.8
    if volts:
        columns["Voltage [V]"] = np.round(v + 0.0007 * cells * rng.standard_normal(len(v)), places)
    if rng.random() < 0.5:
        columns["Charge [mAh]"] = np.round(np.abs(np.cumsum(i)) * step / 3.6, 1)
    if rng.random() < 0.4:
        columns["Temperature [C]"] = np.round(25 + 0.2 * rng.standard_normal(len(t)), 1)
    pd.DataFrame(columns).to_csv(path, index=False, sep=str(rng.choice([",", ";", "\t"])))
    piece = (i[1:] + i[:-1]) / 2 * step / 3.6
    habit = f"{sign}{', names' if named else ''}{'' if volts else ', no voltage'}"
    return Truth(
        profile=profile, habit=habit, out_mah=float(np.maximum(piece, 0).sum()),
        in_mah=float(np.maximum(-piece, 0).sum()), ohm=ohm,
    )  # fmt: skip


def judge(path: Path, truth: Truth) -> list[str]:
    """Say of charge and resistance whether they are right, not told, or false (with the figures)."""
    read = read_log(path, name=path.name, procedures=PROCEDURES, kind=None, help=None)
    result = analyse_circuit(list(read.tables.values()), Pack(id="p"), PROCEDURES.current, read.events).result
    q, words = result.quantities, []
    told = {
        "net": (q.get("charge_mah"), truth.out_mah - truth.in_mah),
        "out": (q.get("discharged_mah"), truth.out_mah),
        "in": (q.get("charged_mah"), truth.in_mah),
    }
    flow = truth.out_mah + truth.in_mah
    charges = [
        (name, e, true) for name, (e, true) in told.items() if e is not None and e.value is not None and e.u is not None
    ]
    wrong = [
        f"{name} {e.value:.5g} ({e.u:.2g}) for {true:.5g} mAh" for name, e, true in charges
        if abs(e.value - true) > max(4 * e.u, 0.005 * flow)
    ]  # fmt: skip
    if wrong and any(n.startswith("No voltage tells which way") for n in result.notes):
        words.append("charge taken as outward for want of voltage, and said so")
    else:
        words.append(f"FALSE charge: {'; '.join(wrong)}" if wrong else "charge right" if charges else "charge not told")
    r = q.get("source_resistance_ohm")
    if r is None or r.value is None or r.u is None:
        words.append("resistance not told")
    elif abs(r.value - truth.ohm) > max(4 * r.u, 0.05 * truth.ohm):
        words.append(f"FALSE resistance: {r.value:.4g} ({r.u:.2g}) for {truth.ohm:.4g} ohm")
    else:
        words.append("resistance right")
    events = Counter(e.kind for e in result.events)
    words += [f"FALSE {n} {kind}" for kind, n in events.items()]  # none was planted
    return words


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("runs", type=int, nargs="?", default=200)
    parser.add_argument("--seeds", type=int, default=0, help="first seed")
    given = parser.parse_args()
    tally: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(given.seeds, given.seeds + given.runs):
            path = Path(folder) / f"{seed}.csv"
            truth = write_log(path, np.random.default_rng([seed, 9]))
            words = judge(path, truth)
            path.unlink()
            tally.setdefault(truth.profile, Counter()).update(w.split(":")[0] for w in words)
            for w in words:
                if w.startswith("FALSE"):
                    print(f"seed {seed} {truth.profile} ({truth.habit}): {w}")
    for profile, counts in tally.items():
        print(f"{profile:18s}", ", ".join(f"{w} {n}" for w, n in sorted(counts.items())))
