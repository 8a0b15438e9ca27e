"""Comparison of sisters: false alarms among sound batches, and one bad servo among them found.

Run: ``python tests/benchmarks/servo_sisters.py [batches]``. Batches of 4 to 8 servos of one type; quantities are drawn
about their batch as ``healthy_traits`` spreads them (5 % in speed, friction and idle current, 0.05 deg in hysteresis)
without simulating their logs: what is tested is the comparison. Seeds from 900 000 on.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from benchlab.airframe import Servo
from benchlab.procedure import load_procedures
from benchlab.results import Analysis, Estimate, PartResult, Trend
from benchlab.servo.sisters import compare_sisters
from benchlab.stats.uncertainty import estimate

PROCEDURE = load_procedures().servo
# quantity: level, spread from servo to servo, unit, uncertainty of a settled value
QUANTITIES = {
    "moving_current_ref_a": (0.35, 0.0175, "A", 0.003),
    "idle_current_a": (0.03, 0.0015, "A", 0.0002),
    "transit_ref_s_per_60deg": (0.14, 0.007, "s/60 deg", 0.0005),
    "hysteresis_deg": (0.3, 0.05, "deg", 0.01),
}
BAD = {
    "moving_current_ref_a": 0.35 * 1.45,
    "idle_current_a": 0.03 * 1.45,
    "transit_ref_s_per_60deg": 0.14 * 1.45,
    "hysteresis_deg": 0.3 + 0.75,
}


def made(name: str, values: dict[str, float]) -> Analysis:
    """Analysis of a servo that settled at the values and is sound by itself."""
    trends = {}
    for quantity, value in values.items():
        _, _, unit, u = QUANTITIES[quantity]
        none = Estimate(value=0.0, u=0.0, unit=unit)
        settled = estimate(value, u, unit)
        trends[quantity] = Trend(
            model="constant", n=990, rho=0.0, start=settled, end=settled, settled=settled, change=none,
            drift_per_1000=none,
        )  # fmt: skip
    return Analysis(result=PartResult(id=name, kind="servo", type="A", verdict="accept", quantities=trends))


def batch(rng: np.random.Generator, n: int, bad: str | None) -> dict[str, Analysis]:
    """One batch; ``bad``: the quantity in which the first servo is bad."""
    out = {}
    for i in range(n):
        values = {q: level + spread * rng.standard_normal() for q, (level, spread, _, _) in QUANTITIES.items()}
        if bad is not None and i == 0:
            values[bad] = BAD[bad] + QUANTITIES[bad][1] * rng.standard_normal()
        out[f"S{i}"] = made(f"S{i}", values)
    return out


def verdicts(analyses: dict[str, Analysis]) -> dict[str, str]:
    """Verdict of each servo after the comparison."""
    servos = [Servo(id=name, type="A") for name in analyses]
    done = compare_sisters(analyses, servos, PROCEDURE)
    return {name: a.result.verdict for name, a in done.items()}


def main(batches: int) -> None:
    """Print false alarms and finds by size of batch."""
    for n in (3, 4, 5, 6, 8):
        false, found = Counter(), {}
        for i in range(batches):
            false.update(verdicts(batch(np.random.default_rng([900_000, n, i]), n, None)).values())
        for j, quantity in enumerate(QUANTITIES):
            hits, others = 0, 0
            for i in range(batches // 4):
                got = verdicts(batch(np.random.default_rng([910_000, n, j, i]), n, quantity))
                hits += got.pop("S0") != "accept"
                others += sum(v != "accept" for v in got.values())
            found[quantity] = f"{hits}/{batches // 4} (sound ones: {others}/{(n - 1) * (batches // 4)})"
        print(f"batch of {n}: sound {dict(false)}; one bad by 45 % or 0.75 deg, not accepted: {found}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
