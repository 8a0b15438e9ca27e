"""Planned holds against the holds at which simulated tanks are in fact accepted with the wanted probability.

    python tests/benchmarks/tank_plan.py [N]

For each bench N tanks (default 100) are simulated and analysed at five holds about the planned one, with seeds that the
planning does not use; the hold at which the wanted share is accepted is read from a probit line through the counts.
"""

import os
import sys
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtri

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank
from benchlab.tank.plan import Bench, plan_hold, scenario_of

BENCHES = {
    "both logged": Bench(volume_ml=1450, start_pressure_kpa=12, temperature=True, barometer=True),
    "both logged, coarse gauge": Bench(
        volume_ml=600, start_pressure_kpa=15, resolution_kpa=0.1, temperature=True, barometer=True
    ),
    "thermometer only": Bench(volume_ml=1450, start_pressure_kpa=12, temperature=True),
}
FACTORS = (0.6, 0.8, 1.0, 1.25, 1.6)


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    procedure = load_procedures().tank
    for name, bench in BENCHES.items():
        plan = plan_hold(bench, procedure)
        holds = plan.hold_h * np.array(FACTORS)
        counts = np.array([accepted(bench, procedure, plan, h, n) for h in holds])
        actual = hold_for(holds, counts, n, plan.probability)
        print(f"{name}: planned {plan.hold_h:g} h, in fact {actual:.3g} h, ratio {plan.hold_h / actual:.2f}", end="; ")
        print("accepted of", n, dict(zip(np.round(holds, 2).tolist(), counts.tolist(), strict=True)), flush=True)


def accepted(bench, procedure, plan, hold_h, n) -> int:
    scenario = scenario_of(bench, procedure, float(hold_h))
    scenario = replace(scenario, leak_rate_pa_m3_s=leak_rate_for(scenario, plan.expected, plan.required_h))
    part = Tank(id="T", volume_ml=bench.volume_ml, required_hold_h=plan.required_h)
    count = 0
    for seed in range(5000, 5000 + n):
        frame = simulate_hold(scenario, np.random.default_rng(seed)).frame
        found = analyse_tank([frame], part, procedure).result.findings
        count += all(f.verdict == "accept" for f in found if f.quantity == "retained_fraction")
    return count


def hold_for(holds, counts, n, probability) -> float:
    """The hold at which a probit line in ln(hold), fitted by maximum likelihood, reaches the probability."""
    x = np.log(holds / holds[len(holds) // 2])

    def minus_log(beta) -> float:
        z = beta[0] + beta[1] * x
        return float(-(counts * log_ndtr(z) + (n - counts) * log_ndtr(-z)).sum())

    a, b = minimize(minus_log, [1.0, 1.0], method="Nelder-Mead").x
    return float(holds[len(holds) // 2] * np.exp((ndtri(probability) - a) / b))


if __name__ == "__main__":
    main()
