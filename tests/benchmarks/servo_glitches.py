"""Do single wrong samples change a verdict? Random glitches within the channels' bounds, anywhere in a log.

Run: ``python tests/benchmarks/servo_glitches.py [cases] [seed]``. One to three samples of any channel are replaced by a
random value that the procedure's bounds let through. Prints every case whose verdict, or whose finding's verdict,
changed, and the totals.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from benchlab.airframe import Servo
from benchlab.procedure import Limit, load_procedures
from benchlab.results import PartResult
from benchlab.servo.analyse import analyse_servo
from benchlab.simulate.servo import Bench, Fault, healthy_traits, simulate_servo

PROCEDURE = load_procedures().servo
FEW = {"cycles": {"count": Limit(lower=100, otherwise="retest", source="short logs of the benchmark")}}
BASES = (
    (Bench(cycles=150, sampling_hz=50, period_s=2.4), ()),
    (Bench(cycles=150, sampling_hz=100, period_s=2.0), ()),
    (Bench(cycles=150, sampling_hz=50, period_s=2.0, pattern="step"), ()),
    (Bench(cycles=150, sampling_hz=25, period_s=2.0, pattern="sine"), ()),
    (Bench(cycles=150, sampling_hz=50, period_s=2.0, pattern="ramp"), ()),
    (Bench(cycles=150, sampling_hz=25, period_s=3.2, dwell_spread=0.3), ()),
    (Bench(cycles=150, sampling_hz=50, period_s=2.4), (Fault(kind="centre_step", size=1.0, cycles=(70,)),)),
    (Bench(cycles=150, sampling_hz=50, period_s=2.4), (Fault(kind="stall", size=5.0, cycles=(70,)),)),
)


def base(i: int, seed: int) -> pd.DataFrame:
    """Log without glitches."""
    rng = np.random.default_rng([seed, i])
    bench, faults = BASES[i % len(BASES)]
    return simulate_servo(rng, bench, healthy_traits(rng), faults).frame


def glitched(rng: np.random.Generator, frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The log with one to three wrong samples, and where they are."""
    out, told = frame.copy(), []
    channels = [c for c in frame.columns if c in PROCEDURE.channels and PROCEDURE.channels[c].bounds]
    for _ in range(rng.integers(1, 4)):
        channel, row = str(rng.choice(channels)), int(rng.integers(len(frame)))
        value = float(rng.uniform(*PROCEDURE.channels[channel].bounds))
        out.loc[row, channel] = value
        told.append(f"{channel}[{row}] = {value:.4g}")
    return out, told


def judged(frame: pd.DataFrame) -> PartResult:
    """Result with a limit on cycles that short logs keep."""
    return analyse_servo([frame], Servo(id="S", supply_v=7.4, limits=FEW), PROCEDURE).result


def main(cases: int, seed: int) -> None:
    """Print changes and totals."""
    changed, moved = 0, 0
    clean = {i: judged(base(i, seed)) for i in range(len(BASES))}
    frames = {i: base(i, seed) for i in clean}
    for case in range(cases):
        i = case % len(BASES)
        frame, told = glitched(np.random.default_rng([seed, 1000 + case]), frames[i])
        result = judged(frame)
        before, after = ({(f.quantity, f.aspect): f.verdict for f in r.findings} for r in (clean[i], result))
        different = {k: (before.get(k), after.get(k)) for k in before | after if before.get(k) != after.get(k)}
        changed += result.verdict != clean[i].verdict
        moved += bool(different)
        if different or result.verdict != clean[i].verdict:
            print(f"base {i}, {told}: {clean[i].verdict} -> {result.verdict}; {different}", flush=True)
    print(f"clean: {[r.verdict for r in clean.values()]}")
    print(f"{cases} cases: verdict changed in {changed}, some finding's verdict in {moved}")


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:3]]
    main(*(arguments + [200, 500_000][len(arguments) :]))
