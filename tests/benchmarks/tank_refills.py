"""How honest the combined leak rate is where one log holds several holds with a filling before each.

Run ``python tests/benchmarks/tank_refills.py [logs per kind] [first seed]``. Tanks, walls and weather are drawn as in
``tank_coverage.py``, a third each at a quarter of, at and at twice the allowed leak. Told are the share of 95 %
intervals of the retained fraction that hold the true one, mean and standard deviation of error / u, and the share of
logs whose holds were found consistent. In the last two kinds the wall keeps all of its creep as the leak lets the
pressure fall: the fit takes between half and all of it to come back.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from tank_coverage import LIMIT, REQUIRED_H, UNKNOWN_B, UNKNOWN_T, drawn

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import simulate_hold
from benchlab.tank.analyse import analyse_tank

KINDS: dict[str, dict[str, object]] = {
    "one hold of 4 h": {},
    "topped up after 2 h (at once, no heat)": {"repressurised_h": 2.0},
    "topped up after 2 h": {"refills_h": (2.0,)},
    "topped up after 1.5 h and 3 h": {"refills_h": (1.5, 3.0), "hold_h": 4.5},
    "opened for 5 min after 2 h": {"refills_h": (2.0,), "open_s": 300.0},
    "opened for 1 h after 2 h": {"refills_h": (2.0,), "open_s": 3600.0, "hold_h": 5.0},
    "topped up after 2 h, gauge alone": {"refills_h": (2.0,)} | UNKNOWN_T | UNKNOWN_B,
    "one hold of 4 h, wall keeps its creep": {"recovers": 0.0},
    "topped up after 2 h, wall keeps its creep": {"refills_h": (2.0,), "recovers": 0.0},
}


def main() -> None:
    logs, first = (int(x) for x in [*sys.argv[1:], *("60", "1")[len(sys.argv) - 1 :]])
    procedure = load_procedures().tank
    print(f"{'kind of log':42s} logs several cover%  error/u   sd consistent%  median u")
    for number, (name, kind) in enumerate(KINDS.items()):
        rows = [one(kind, procedure, 1000 * (first + number) + i, i) for i in range(logs)]
        several, inside, z, agree, u = np.array(rows).T
        print(
            f"{name:42s} {logs:4d} {int(several.sum()):7d} {100 * inside.mean():6.1f} {z.mean():+8.2f} {z.std():4.2f}"
            f" {100 * agree.mean():10.1f} {np.median(u):10.4f}",
            flush=True,
        )


def one(kind, procedure, seed: int, i: int) -> tuple[float, ...]:
    scenario = drawn(kind, LIMIT ** (0.25, 1.0, 2.0)[i % 3], np.random.default_rng(seed))
    made = simulate_hold(scenario, np.random.default_rng(seed + 500_000))
    found = analyse_tank([made.frame], Tank(id="T", volume_ml=scenario.volume_ml), procedure).result
    kept, true = found.quantities["retained_fraction"], made.truth.retained_fraction(REQUIRED_H)
    agree = not any(f.aspect == "consistency" for f in found.findings)
    several = any(n.startswith("Hold 2") for n in found.notes)
    return several, kept.lo <= true <= kept.hi, (kept.value - true) / kept.u, agree, kept.u


if __name__ == "__main__":
    main()
