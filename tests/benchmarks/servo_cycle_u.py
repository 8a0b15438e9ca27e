"""Stated uncertainty of one cycle over the scatter that simulated readings show: prints one line per cause.

Run: ``python tests/benchmarks/servo_cycle_u.py [repeats]``. The servos are alike in every cycle, or their true values
are taken away, so that only noise, step or sampling makes cycles differ. A ratio of 1 is right; seeds from 600 000 on.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pandas as pd

from benchlab.procedure import load_procedures
from benchlab.quantities import unit_of
from benchlab.servo.observe import observe_rows
from benchlab.servo.samples import join
from benchlab.simulate.drive import Seen, drive_servo
from benchlab.simulate.servo import Bench, Traits, simulate_servo

PROCEDURE = load_procedures().servo
STILL = Traits(run_in_share=0, wander_deg=0, wander_share=0, warming_k=0, jitter_deg=0)
CLEAN = Bench(
    cycles=200, period_s=2.4, source_ohm=0, position_noise_deg=0, position_step_deg=0, current_noise_a=0,
    current_step_a=0, voltage_noise_v=0, voltage_step_v=0, temperature_noise_c=0, temperature_step_c=0,
)  # fmt: skip
NOISY = replace(CLEAN, position_noise_deg=0.1, current_noise_a=0.02, temperature_noise_c=0.2)
CASES = {
    "white noise, 100 Hz": (NOISY, 0.0),
    "white noise, 25 Hz": (replace(NOISY, sampling_hz=25.0), 0.0),
    "step 0.23 deg alone, 100 Hz": (replace(CLEAN, position_step_deg=0.23), 0.6),
    "noise of half a step, 100 Hz": (replace(CLEAN, position_noise_deg=0.1, position_step_deg=0.2), 0.6),
    "noise of a quarter step, 50 Hz": (
        replace(CLEAN, position_noise_deg=0.05, position_step_deg=0.2, sampling_hz=50.0),
        0.6,
    ),
}


def one(rng: np.random.Generator, bench: Bench, wander: float) -> dict[str, tuple[float, float]]:
    """Stated and actual for each quantity."""
    traits = replace(STILL, wander_deg=wander, rho=0.0, transit_s_per_60deg=rng.uniform(0.12, 0.18),
                     hysteresis_deg=rng.uniform(0.2, 0.5))  # fmt: skip
    made = simulate_servo(rng, bench, traits)
    truth = made.truth if wander else pd.DataFrame()
    return ratios(made.frame, truth)


def at_random(rng: np.random.Generator, hz: float) -> dict[str, tuple[float, float]]:
    """Sampling alone: a servo in fine time, its command not in step with the samples."""
    dwell = rng.uniform(0.5, 0.7, 4 * 200)
    target = np.repeat(np.tile([45.0, 0, -45, 0], 200), np.rint(dwell / 0.001).astype(int))
    time = np.arange(len(target)) * 0.001
    look = Seen(sampling_hz=hz, position_noise_deg=0, position_step_deg=0, current_noise_a=0, current_step_a=0)
    frame = drive_servo(rng, time, target, None, look)
    frame["command_us"] = 1500 + 10 * target[:: round(1000 / hz)][: len(frame)]
    return ratios(frame, pd.DataFrame())


def ratios(frame: pd.DataFrame, truth: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Stated uncertainty, and the scatter about the truth."""
    seen = observe_rows(join([frame], PROCEDURE), 7.4, PROCEDURE)
    out = {}
    for name, u in seen.u_one_cycle.items():
        x = seen.cycles[name].to_numpy()[2:]
        if len(truth) and name not in truth and name != "travel_deg":
            continue  # the true value moves too
        if name in truth and name != "transit_s_per_60deg":
            x = x - truth[name].to_numpy()[2:]
        out[name] = u, float(np.nanstd(x))
    return out


def main(repeats: int) -> None:
    """Print mean ratios."""
    rows = {
        name: [one(np.random.default_rng(600_000 + i), *case) for i in range(repeats)] for name, case in CASES.items()
    }
    for hz in (50.0, 100.0):
        rows[f"sampling at {hz:g} Hz alone"] = [
            at_random(np.random.default_rng(610_000 + i), hz) for i in range(max(repeats // 3, 1))
        ]
    for name, found in rows.items():
        shown = []
        for quantity in found[0]:
            u, scatter = np.sqrt(np.mean([np.square(f[quantity]) for f in found if quantity in f], axis=0))
            # far below any instrument: nothing to compare
            if scatter > {"deg": 1e-3, "A": 2e-4}.get(unit_of(quantity), 1e-6) and u > 0:
                shown.append(f"{quantity} {u / scatter:.2f}")
        print(f"{name}: {', '.join(shown)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
