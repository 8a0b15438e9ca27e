"""Time to fit the trends of an airframe: 8 servos x 9 quantities x 990 cycles, in one thread.

Run: ``OPENBLAS_NUM_THREADS=1 python tests/benchmarks/trend_time.py [--repeats 5] [--seed 7201]``. Prints the median
processor time, and as a measure of the machine its ratio to that of sorting ten million numbers.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from trend_coverage import SCENARIOS, noise

from benchlab.stats.trend import fit_trend


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Median processor time of a piece of work."""
    taken = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return float(np.median(taken))


def main() -> None:
    """Print one line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--seed", type=int, default=7201)
    a = parser.parse_args()
    rng = np.random.default_rng(a.seed)
    k = np.arange(1.0, 991)
    series = []
    for i in range(72):
        amplitude, tau, drift = list(SCENARIOS.values())[i % len(SCENARIOS)]
        rho = (0.0, 0.3, 0.5, 0.7)[i % 4]
        series.append(amplitude * np.exp(-(k - 1) / tau) + drift * k / 1000 + noise(rng, len(k), rho))
    numbers = rng.random(10_000_000)
    fits = seconds(lambda: [fit_trend(k, y, unit="1") for y in series], a.repeats)
    sorting = seconds(lambda: np.sort(numbers), a.repeats)
    print(f"72 series: {fits:.2f} s, {fits / sorting:.2f} times as long as sorting ten million numbers")


if __name__ == "__main__":
    main()
