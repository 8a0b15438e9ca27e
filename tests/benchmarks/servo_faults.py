"""How often sound servos are accepted and planted faults found: prints the table of DEVELOPERS.md.

Run: ``python tests/benchmarks/servo_faults.py [healthy] [repeats] [seed]``. Own simulation with known truth; the seeds
(from 1 100 000 on) were not used while tuning. Sound servos of many kinds: sampling 25 to 200 Hz, noise up to three
times an ordinary bench's, gear mesh of 5 to 12 deg and up to 6 %, teeth that differ by up to 2 %, eccentric gears of
up to 2 %, run-in up to 40 %, warming up to 20 K, soft supplies. Faults: on an ordinary bench (100 Hz, encoder step 0.1
deg and noise 0.05 deg, current 10 mA, supply 30 mV; at twice the limit 50 Hz), servos with gear mesh and eccentricity.
"3x noise": three standard deviations of one reading about its usual course (position 0.1 deg here, current 17 mA with
texture and wander, supply 30 mV).
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from benchlab.airframe import Servo
from benchlab.procedure import load_procedures
from benchlab.results import PartResult
from benchlab.servo.analyse import analyse_servo
from benchlab.servo.events import EVENT_KINDS
from benchlab.servo.observe import observe_rows
from benchlab.servo.samples import join
from benchlab.simulate.servo import Bench, Fault, Traits, healthy_traits, simulate_servo

PROCEDURE = load_procedures().servo
ORDINARY = Bench(sampling_hz=100.0, period_s=2.4, voltage_noise_v=0.03)
AT_TWICE = {
    "centre drift 1.0 deg/1000": Fault(kind="centre_drift", size=1.0),
    "centre step 0.8 deg": Fault(kind="centre_step", size=0.8, cycles=(500,)),
    "hysteresis +0.6 deg/1000": Fault(kind="hysteresis_growth", size=0.6),
    "jitter +0.2 deg/1000": Fault(kind="jitter_growth", size=0.2),
    # the mean while moving holds the inrush too, and is judged in percent of what it settles at
    "current +20 % per 1000": Fault(kind="current_drift", size=0.4),
    "current step 40 %": Fault(kind="current_step", size=1.07, cycles=(500,)),
    "transit +20 % per 1000": Fault(kind="slowing", size=0.2 / 0.8),
}


def at_noise(rng: np.random.Generator) -> dict[str, tuple[str, list[Fault]]]:
    """Faults at three times the noise: name -> kind of event, faults. A tooth anywhere that strokes pass at speed."""
    angle = float(rng.uniform(8, 42) * rng.choice([-1, 1]))
    return {
        "tooth 51 mA, from cycle 300": ("tooth", [Fault(kind="tooth", size=0.051, cycles=(300,), angle_deg=angle)]),
        "tooth 51 mA, from the start": ("tooth", [Fault(kind="tooth", size=0.051, angle_deg=angle)]),
        "binding 51 mA at one end": ("binding", [Fault(kind="binding", size=0.051)]),
        "stall 0.3 deg short, one stroke": ("stall", [Fault(kind="stall", size=0.3, cycles=(400,))]),
        "short stroke 0.3 deg, 3 strokes": (
            "short_stroke",
            [Fault(kind="short_stroke", size=0.3, cycles=(300, 400, 500))],
        ),
        "brown-out 90 mV": ("supply_dip", [Fault(kind="brown_out", size=0.09, cycles=(400,))]),
    }


def varied(rng: np.random.Generator) -> tuple[Bench, Traits]:
    """A sound servo of any kind on any bench."""
    noise = rng.uniform(0.3, 3)
    bench = replace(
        ORDINARY,
        pattern=str(rng.choice(["step_neutral", "step_neutral", "step", "ramp", "sine"])),
        sampling_hz=float(rng.choice([25, 50, 100, 200], p=[0.3, 0.3, 0.3, 0.1])),
        period_s=float(rng.choice([2.0, 2.4, 3.2])),
        dwell_spread=float(rng.choice([0.0, 0.0, 0.1])),
        position_noise_deg=0.05 * noise,
        current_noise_a=0.01 * noise,
        voltage_noise_v=0.01 * noise,
        source_ohm=rng.uniform(0.0, 0.3),
        ambient_c=rng.uniform(12, 32),
    )
    traits = replace(
        healthy_traits(rng),
        texture=rng.uniform(0, 0.06),
        mesh_deg=rng.uniform(5, 12),
        irregular=float(rng.choice([0.0, 0.01, 0.02])),
        eccentricity=rng.uniform(0, 0.02),
        run_in_share=rng.uniform(0, 0.4),
        warming_k=rng.uniform(2, 20),
        rho=rng.uniform(0, 0.7),
        overshoot_deg=rng.uniform(0, 0.8),
    )
    return bench, traits


def one(seed: int, *faults: Fault) -> PartResult:
    """Result of one servo on the ordinary bench, sampled at 50 Hz."""
    rng = np.random.default_rng(seed)
    made = simulate_servo(rng, replace(ORDINARY, sampling_hz=50.0), healthy_traits(rng), faults)
    return analyse_servo([made.frame], Servo(id="S", supply_v=7.4), PROCEDURE).result


def events_of(seed: int, faults: list[Fault]) -> list[str]:
    """Kinds of the events inside cycles of one servo on the ordinary bench, trends left out."""
    rng = np.random.default_rng(seed)
    made = simulate_servo(rng, ORDINARY, healthy_traits(rng), faults)
    return [e.kind for e in observe_rows(join([made.frame], PROCEDURE), 7.4, PROCEDURE).events]


def healthy(count: int, seed: int) -> None:
    """Sound servos of varied kinds: verdicts, and events that are none."""
    verdicts, false, looked = Counter(), Counter(), Counter()
    for i in range(count):
        rng = np.random.default_rng(seed + i)
        bench, traits = varied(rng)
        made = simulate_servo(rng, bench, traits)
        result = analyse_servo([made.frame], Servo(id="S", supply_v=7.4), PROCEDURE).result
        verdicts[result.verdict] += 1
        hidden = {n.quantity for n in result.not_measured}
        for kind in EVENT_KINDS:
            looked[kind] += kind not in hidden
            false[kind] += any(e.kind == kind for e in result.events)
        if result.verdict != "accept":
            said = [f"{f.quantity} {f.aspect}: {f.reason}" for f in result.findings if f.verdict != "accept"]
            print(f"   seed {seed + i}, {bench.pattern} {bench.sampling_hz:g} Hz: {said}", flush=True)
    print(f"sound servos of varied kinds: {dict(verdicts)} of {count}")
    print("false events of those looked for:", {k: f"{false[k]}/{looked[k]}" for k in EVENT_KINDS}, flush=True)


def at_twice(repeats: int, seed: int) -> None:
    """Verdicts on faults at twice the limit (50 Hz)."""
    for j, (name, fault) in enumerate(AT_TWICE.items()):
        got = [one(seed + 20_000 + 1000 * j + i, fault).verdict for i in range(repeats)]
        said = {v: got.count(v) for v in ("accept", "retest", "reject")}
        print(f"{name}: {said} of {repeats}", flush=True)


def found(repeats: int, seed: int) -> None:
    """How many of the faults at three times the noise are found."""
    for j, name in enumerate(at_noise(np.random.default_rng(0))):
        hits = 0
        for i in range(repeats):
            kind, faults = at_noise(np.random.default_rng([seed, i]))[name]
            hits += kind in events_of(seed + 30_000 + 1000 * j + i, faults)
        print(f"{name}: found {hits}/{repeats}", flush=True)


def main(count: int, repeats: int, seed: int) -> None:
    """Print the table."""
    healthy(count, seed)
    found(repeats, seed)
    at_twice(repeats, seed)


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:4]]
    main(*(arguments + [300, 100, 1_100_000][len(arguments) :]))
