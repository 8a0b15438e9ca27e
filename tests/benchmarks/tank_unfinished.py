"""How good the time of day is until which an unfinished hold is to be kept on.

    python tests/benchmarks/tank_unfinished.py [N] [first seed]

Of each kind N sound tanks (default 60) are cut short; those that are not decided then are analysed again at the time
that was told. Told are how many were decided at once, how many got no time, and of the rest how many were then accepted
(aim: 90 %) or wrongly rejected.
"""

import os
import re
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from tank_coverage import UNKNOWN_T, drawn

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import simulate_hold
from benchlab.tank.analyse import analyse_tank

LONGEST_H = 24.0
KINDS = {  # what is logged, retained fraction, hours after which the log is cut
    "retains 0.95, cut after 0.6 h": ({}, 0.95, 0.6),
    "retains 0.90, cut after 1 h": ({}, 0.90, 1.0),
    "retains 0.85, cut after 2 h": ({}, 0.85, 2.0),
    "retains 0.95, cut after 3 h, no thermometer": (UNKNOWN_T, 0.95, 3.0),
}


def main() -> None:
    logs, first = (int(x) for x in [*sys.argv[1:], *("60", "1")[len(sys.argv) - 1 :]])
    procedure = load_procedures().tank
    for name, (kind, retained, hours) in KINDS.items():
        at_once = untold = accepted = rejected = 0
        more = []
        for seed in range(1000 * first, 1000 * first + logs):
            scenario = drawn(kind | {"hold_h": LONGEST_H, "sampling_s": 60.0}, retained, np.random.default_rng(seed))
            frame = simulate_hold(scenario, np.random.default_rng(seed + 500_000)).frame
            sealed, part = scenario.before_s + scenario.fill_s, Tank(id="T", volume_ml=scenario.volume_ml)

            def so_far(h, frame=frame, sealed=sealed, part=part):
                return analyse_tank([frame[frame["time_s"] <= sealed + h * 3600]], part, procedure).result

            told = so_far(hours)
            wait = re.search(r"([\d.]+) h more", told.next_step or "")
            if told.verdict != "retest":
                at_once += 1
            elif wait is None or hours + float(wait.group(1)) > LONGEST_H:
                untold += 1
            else:
                more.append(float(wait.group(1)))
                verdict = so_far(hours + more[-1]).verdict
                accepted, rejected = accepted + (verdict == "accept"), rejected + (verdict == "reject")
        middle = f"{np.median(more):.2g} h more" if more else "-"
        print(f"{name}: {logs} logs, {at_once} decided, {untold} without a time; of {len(more)} ({middle}) "
              f"{accepted} accepted, {rejected} rejected at the time told", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
