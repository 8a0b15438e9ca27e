"""The same servo simulated twice: how often a change is called real that is none, and how often a planted one is found.

Run from the checkout: python -m tests.benchmarks.retest [servos, default 40]
"""

import dataclasses
import sys

import numpy as np

from benchlab.matching.retest import compare_earlier
from benchlab.results import AirframeResult, Analysis, to_json
from benchlab.servo.analyse import analyse_servo
from benchlab.simulate.servo import Bench, Traits, healthy_traits, simulate_servo
from tests.matching.fakes import PROCEDURES, register

SERVO = register(servo=[{"id": "S01", "supply_v": 7.4}]).servo[0]
CENTRE_DEG, CURRENT = 0.15, 1.1


def run_in(seed: int, traits: Traits) -> Analysis:
    log = simulate_servo(np.random.default_rng(seed), Bench(cycles=400), traits)
    return analyse_servo([log.frame], SERVO, PROCEDURES.servo, [], ())


def changed(then: Analysis, now: Analysis) -> list[str]:
    earlier = to_json(AirframeResult(airframe="K03-021", verdict="accept", parts=(then.result,)))
    table = compare_earlier(earlier, {"S01": now})
    return table["quantity"][table["changed"].fillna(value=False).to_numpy(dtype=bool)].tolist()


if __name__ == "__main__":
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    false, centre, current = 0, 0, 0
    for k in range(n):
        traits = healthy_traits(np.random.default_rng(800 + k))
        then = run_in(8000 + k, traits)
        false += bool(changed(then, run_in(9000 + k, traits)))
        other = dataclasses.replace(
            traits, centre_deg=traits.centre_deg + CENTRE_DEG, friction_a=traits.friction_a * CURRENT
        )
        found = changed(then, run_in(10000 + k, other))
        centre += "centre_deg" in found
        current += "moving_current_ref_a" in found
    print(f"unchanged servos with a change called real: {false} of {n} (5 % allowed)")
    print(f"centre moved by {CENTRE_DEG} deg: found {centre} of {n}; current up by 10 %: found {current} of {n}")
