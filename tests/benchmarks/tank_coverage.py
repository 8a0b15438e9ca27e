"""How honest the leak rate of a tank is, measured on simulated holds with known truth.

Run ``python tests/benchmarks/tank_coverage.py [logs per kind]``. For each kind of log the table gives the share of 95 %
intervals that hold the true leak rate, the bias in units of the standard uncertainty, the rmse over the Cramer-Rao
bound (where temperature and barometer are logged; computed from the simulator by finite differences) and the verdicts
on tanks at a quarter of and at twice the allowed leak.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field, replace

import numpy as np

from benchlab.airframe import Tank
from benchlab.procedure import TankProcedure, load_procedures
from benchlab.simulate.tank import Scenario, SimulatedHold, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank

LIMIT, REQUIRED_H = 0.8, 4.0
VOLUME_U = 15.0

# what the log has or lacks; where a channel is missing, the weather wanders as the shipped procedure assumes
UNKNOWN_T = {"temperature": False, "room_wander_k": 1.0}
UNKNOWN_B = {"barometer": False, "barometer_wander_kpa": 0.15}
KINDS: dict[str, dict[str, object]] = {
    "gauge, thermometer, barometer": {},
    "ideal": {"creep_short_share": 0.0, "thermometer_in_gas": True, "elasticity": 0.0},
    "ideal, room": {"creep_short_share": 0.0, "elasticity": 0.0},
    "ideal, short": {"thermometer_in_gas": True, "elasticity": 0.0},
    "the same, once a second": {"sampling_s": 1.0},
    "the same, once a minute": {"sampling_s": 60.0, "fill_s": 120.0},
    "the same, two hours": {"hold_h": 2.0},
    "the same, correlated noise": {"noise_rho": 0.8},
    "the same, steps of 0.1 kPa": {"resolution_kpa": 0.1, "noise_kpa": 0.01},
    "the same, steps of 0.5 K": {"temperature_resolution_k": 0.5},
    "absolute gauge, thermometer, barometer": {"absolute": True},
    "no thermometer": UNKNOWN_T,
    "no barometer": UNKNOWN_B,
    "gauge only": UNKNOWN_T | UNKNOWN_B,
    "six readings by hand": {"readings": 6, "resolution_kpa": 0.05, "temperature_resolution_k": 0.1},
    "five readings, gauge only": UNKNOWN_T | UNKNOWN_B | {"readings": 5, "resolution_kpa": 0.1},
    "two readings by hand": {"readings": 2, "resolution_kpa": 0.05},
}


@dataclass
class Tally:
    """What came out for one kind of log."""

    inside: list[bool] = field(default_factory=list)
    inside_rate: list[bool] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    u: list[float] = field(default_factory=list)
    bound: list[float] = field(default_factory=list)
    rate_error: list[float] = field(default_factory=list)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)


def drawn(kind: dict[str, object], retained: float, rng: np.random.Generator) -> Scenario:
    """Draw a tank, its wall, its filling and its gauge at random."""
    scenario = Scenario(
        start_pressure_kpa=rng.uniform(8, 13),
        creep_share=rng.uniform(0.05, 0.2),
        creep_s=rng.uniform(900, 3600),
        heating_share=rng.uniform(0.1, 0.7),
        gas_lag_s=rng.uniform(45, 180),
        elasticity=rng.uniform(0.0, 0.02),
        noise_kpa=rng.uniform(0.005, 0.02),
        room_wander_k=rng.uniform(0.2, 0.8),
        barometer_wander_kpa=rng.uniform(0.05, 0.2),
    )
    scenario = replace(scenario, **kind)
    return replace(scenario, leak_rate_pa_m3_s=leak_rate_for(scenario, retained, REQUIRED_H))


def bound_of(hold: SimulatedHold, seed: int) -> float:
    """Relative Cramer-Rao bound (1 sd) of the leak rate, the settling's size and times being unknown too."""
    s = hold.scenario
    names = ("leak_rate_pa_m3_s", "start_pressure_kpa", "creep_share", "creep_s", "heating_share", "gas_lag_s")
    sealed = hold.frame["time_s"].to_numpy() >= hold.truth.sealed_s
    columns = []
    for name in names:
        h = 0.01 * getattr(s, name)
        up, down = (
            simulate_hold(replace(s, **{name: getattr(s, name) + d}), np.random.default_rng(seed)) for d in (h, -h)
        )
        change = up.exact["gauge_kpa"] - down.exact["gauge_kpa"]
        columns.append(change.to_numpy()[sealed] / 0.02)  # per unit of ln(parameter)
    jacobian = np.column_stack(columns)
    per_kelvin = (s.start_pressure_kpa + s.barometer_kpa) / 293.15
    parts = (
        s.noise_kpa, s.resolution_kpa / 12**0.5, per_kelvin * s.temperature_noise_k,
        per_kelvin * s.temperature_resolution_k / 12**0.5, s.barometer_noise_kpa, s.barometer_resolution_kpa / 12**0.5,
    )  # fmt: skip
    return float(np.sqrt(np.linalg.inv(jacobian.T @ jacobian / np.hypot.reduce(parts) ** 2)[0, 0]))


def run(kind: dict[str, object], logs: int, procedure: TankProcedure, seed: int) -> Tally:
    """Simulate and analyse ``logs`` tanks, a third each at a quarter of, at and at twice the allowed leak."""
    tally = Tally()
    for i in range(logs):
        name, share = (("quarter", 0.25), ("limit", 1.0), ("twice", 2.0))[i % 3]
        own = 1000 * seed + i
        scenario = drawn(kind, LIMIT**share, np.random.default_rng(own))
        hold = simulate_hold(scenario, np.random.default_rng(own + 500_000))
        given = scenario.volume_ml + VOLUME_U * np.random.default_rng(own + 900_000).standard_normal()
        tank = Tank(id="T", volume_ml=float(given), volume_u_ml=VOLUME_U)
        result = analyse_tank([hold.frame], tank, procedure).result
        tally.verdicts[name, result.verdict] += 1
        leak, kept = result.quantities["leak_rate_pa_m3_s"], result.quantities["retained_fraction"]
        true = hold.truth
        tally.inside.append(leak.lo <= true.leak_rate_pa_m3_s <= leak.hi)
        tally.inside_rate.append(kept.lo <= true.retained_fraction(REQUIRED_H) <= kept.hi)
        tally.error.append(leak.value - true.leak_rate_pa_m3_s)
        tally.u.append(leak.u)
        plain = not set(kind) - {
            "sampling_s",
            "fill_s",
            "hold_h",
            "absolute",
            "creep_short_share",
            "thermometer_in_gas",
            "elasticity",
        }
        if plain:
            tally.bound.append(bound_of(hold, own + 500_000) * true.leak_rate_pa_m3_s)
    return tally


def row(name: str, tally: Tally) -> str:
    """One line of the table."""
    z = np.array(tally.error) / np.array(tally.u)
    n = len(z)
    ratio = ""
    if tally.bound:
        ratio = f"{np.sqrt(np.mean((np.array(tally.error) / np.array(tally.bound)) ** 2)):.2f}"
    v = tally.verdicts
    return (
        f"{name:40s} {n:4d} {100 * np.mean(tally.inside):6.1f} "
        f"{100 * np.mean(tally.inside_rate):6.1f} {z.mean():+6.2f} "
        f"{z.std():5.2f} {ratio:>5s}   "
        f"{v['quarter', 'accept']:3d} {v['quarter', 'retest']:3d} {v['quarter', 'reject']:3d}"
        f"   {v['twice', 'accept']:3d} {v['twice', 'retest']:3d} {v['twice', 'reject']:3d}"
    )


def main(logs: int, only: str = "") -> None:
    """Print the table."""
    procedure = load_procedures().tank
    print(f"{'kind of log':40s} logs cover% kept%  bias/u sd(z) /CRB   quarter acc/ret/rej   twice acc/ret/rej")
    total: list[bool] = []
    for seed, (name, kind) in enumerate(KINDS.items()):
        if only in name:
            tally = run(kind, logs, procedure, seed + 1)
            total += tally.inside
            print(row(name, tally), flush=True)
    print(f"all kinds: {100 * np.mean(total):.1f} % of {len(total)} intervals hold the truth")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60, sys.argv[2] if len(sys.argv) > 2 else "")
