"""How often sound servos are accepted and planted faults found: prints the table of DEVELOPERS.md.

Run: ``python tests/benchmarks/servo_faults.py [repeats]``. Own simulation with known truth; the seeds (from 110 000 on)
were not used while tuning. Noise: that of an ordinary bench (encoder step 0.1 deg and noise 0.05 deg, current 10 mA,
supply 30 mV), servos with gear mesh and eccentricity in their friction. "3x noise": three standard deviations of one
reading about its usual course (position 0.1 deg here, current 17 mA with texture and wander, supply 30 mV).
"""

from __future__ import annotations

import sys
import time

import numpy as np

from benchlab.airframe import Servo
from benchlab.procedure import load_procedures
from benchlab.servo.analyse import analyse_servo
from benchlab.simulate.servo import Bench, Fault, healthy_traits, simulate_servo

PROCEDURE = load_procedures().servo
ORDINARY = Bench(sampling_hz=100.0, period_s=2.4, voltage_noise_v=0.03)
AT_TWICE = {
    "centre drift 1.0 deg/1000": Fault(kind="centre_drift", size=1.0),
    "centre step 0.8 deg": Fault(kind="centre_step", size=0.8, cycles=(500,)),
    "hysteresis +0.6 deg/1000": Fault(kind="hysteresis_growth", size=0.6),
    "jitter +0.2 deg/1000": Fault(kind="jitter_growth", size=0.2),
    "current +20 % per 1000": Fault(kind="current_drift", size=0.2 / 0.85),
    "current step 40 %": Fault(kind="current_step", size=0.4, cycles=(500,)),
    "transit +20 % per 1000": Fault(kind="slowing", size=0.2 / 0.8),
}
AT_NOISE = {
    "tooth 51 mA, from cycle 300": ("tooth", Fault(kind="tooth", size=0.051, cycles=(300,))),
    "tooth 51 mA, from the start": ("tooth", Fault(kind="tooth", size=0.051)),
    "binding 51 mA": ("binding", Fault(kind="binding", size=0.051)),
    "stall 0.3 deg short, one stroke": ("stall", Fault(kind="stall", size=0.3, cycles=(400,))),
    "short stroke 0.3 deg, 3 strokes": ("short_stroke", Fault(kind="short_stroke", size=0.3, cycles=(300, 400, 500))),
    "brown-out 90 mV": ("supply_dip", Fault(kind="brown_out", size=0.09, cycles=(400,))),
}
GLITCHES = (("position_deg", 40.0), ("current_a", 6.0), ("voltage_v", -3.0), ("command_us", 350.0))


def one(seed: int, *faults: Fault):
    """Result of one servo, and the seconds of its analysis."""
    rng = np.random.default_rng(seed)
    made = simulate_servo(rng, ORDINARY, healthy_traits(rng), faults)
    begin = time.perf_counter()
    result = analyse_servo([made.frame], Servo(id="S", supply_v=7.4), PROCEDURE).result
    return result, time.perf_counter() - begin


def main(repeats: int) -> None:
    """Print the table."""
    healthy = [one(110_000 + i) for i in range(repeats)]
    accepted = sum(r.verdict == "accept" for r, _ in healthy)
    print(f"healthy accepted: {accepted}/{repeats}; {np.median([s for _, s in healthy]):.2f} s each")
    for r, _ in healthy:
        if r.verdict != "accept":
            print("   ", [f"{f.quantity} {f.aspect} {f.reason}" for f in r.findings if f.verdict != "accept"])
    for kind in ("tooth", "binding", "stall", "short_stroke", "supply_dip"):
        print(f"false {kind}: {sum(any(e.kind == kind for e in r.events) for r, _ in healthy)}/{repeats}")
    few = max(repeats // 4, 1)
    for name, fault in AT_TWICE.items():
        got = [one(120_000 + i, fault)[0].verdict for i in range(few)]
        print(f"{name}: accepted {got.count('accept')}, retest {got.count('retest')}, reject {got.count('reject')}")
    for name, (kind, fault) in AT_NOISE.items():
        hits = sum(any(e.kind == kind for e in one(130_000 + i, fault)[0].events) for i in range(few))
        print(f"{name}: found {hits}/{few}")
    changed = 0
    for i in range(few):
        cycles = tuple(int(c) for c in np.random.default_rng(i).integers(5, 985, 3))
        faults = [Fault(kind="glitch", size=z, channel=c, cycles=cycles) for c, z in GLITCHES]
        changed += one(110_000 + i, *faults)[0].verdict != healthy[i][0].verdict
    print(f"single glitches: verdict changed {changed}/{few}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
