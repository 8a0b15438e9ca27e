"""Planned cycles against the cycles at which simulated quantities are in fact accepted with the wanted probability.

Run: ``python tests/benchmarks/servo_plan.py [series]``. For each case the share accepted is simulated around the
planned number (drift shown within its limit at 95 % and run-in complete), and the number at which it passes 95 %
interpolated by a probit line. Seeds from 700 000 on.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.signal import lfilter
from scipy.special import ndtri

from benchlab.judgement import judge
from benchlab.procedure import Limit, Rule
from benchlab.servo.plan import plan_cycles
from benchlab.stats.trend import fit_trend

RULE = Rule()
# sd 1, rho, tau, amplitude, limit per 1000 cycles
CASES = (
    (0.0, None, 0.0, 4.0),
    (0.4, None, 0.0, 3.0),
    (0.3, 60.0, 10.0, 3.0),
    (0.3, 60.0, 3.0, 3.0),
    (0.5, 120.0, 20.0, 4.0),
    (0.0, 200.0, 30.0, 5.0),
)
AROUND = (0.75, 0.85, 0.95, 1.05, 1.15, 1.3)


def accepted(rng: np.random.Generator, n: int, rho: float, tau: float | None, amplitude: float, limit: Limit) -> bool:
    """Whether one simulated quantity is accepted after n cycles."""
    k = np.arange(n, dtype=float)
    e = rng.standard_normal(n) * np.sqrt(1 - rho**2)
    e[0] = rng.standard_normal()
    y = lfilter([1.0], [1.0, -rho], e) + (amplitude * np.exp(-k / tau) if tau else 0.0)
    fit = fit_trend(k + 1, y, unit="1")
    drift = judge("x", "drift", fit.trend.drift_per_1000, limit, RULE)
    return drift.verdict == "accept" and (tau is None or fit.cycles_needed == 0)


def main(series: int) -> None:
    """Print one line per case."""
    for j, (rho, tau, amplitude, size) in enumerate(CASES):
        limit = Limit(lower=-size, upper=size)
        plan = plan_cycles(sd=1.0, rho=rho, limit=limit, rule=RULE, tau_cycles=tau, amplitude=amplitude)
        numbers = [round(plan.total * a) for a in AROUND]
        share = np.array([
            np.mean([accepted(np.random.default_rng([700_000, j, n, i]), n, rho, tau, amplitude, limit)
                     for i in range(series)]) for n in numbers
        ])  # fmt: skip
        z = ndtri(np.clip(share, 0.5 / series, 1 - 0.5 / series))
        slope, level = np.polyfit(np.log(numbers), z, 1)
        true = np.exp((ndtri(0.95) - level) / slope)
        print(
            f"rho {rho}, tau {tau}, amplitude {amplitude}, limit {size}: planned {plan.total} (drift {plan.for_drift}, "
            f"run-in {plan.for_run_in}), in fact {true:.0f}, ratio {plan.total / true:.2f}; accepted {share.round(2)}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
