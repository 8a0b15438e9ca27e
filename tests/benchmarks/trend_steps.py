"""Steps found, missed and imagined by ``fit_trend``, and single outliers, on simulated series with known truth.

Run: ``python tests/benchmarks/trend_steps.py [--series 300] [--seed 7101]``. Sizes in standard deviations of a cycle.
"""

from __future__ import annotations

import argparse

import numpy as np
from trend_coverage import SCENARIOS, noise

from benchlab.stats.trend import fit_trend


def healthy(rng: np.random.Generator, n: int, name: str) -> np.ndarray:
    """A trend of a scenario without noise."""
    amplitude, tau, drift = SCENARIOS[name]
    k = np.arange(n)
    return amplitude * np.exp(-k / tau) + drift * k / 1000


def found(name: str, n: int, rho: float, size: float, series: int, seed: int) -> str:
    """Share of steps found, and found within 3 cycles; coverage of place and size; surplus steps and outliers."""
    rng = np.random.default_rng([seed, 1, n, round(10 * rho), list(SCENARIOS).index(name)])
    k = np.arange(1, n + 1)
    hit = near = place = covered = surplus = lost = 0
    for _ in range(series):
        where = int(rng.integers(0.05 * n, 0.95 * n))
        sign = rng.choice([-1.0, 1.0])
        y = healthy(rng, n, name) + noise(rng, n, rho) + sign * size * (k >= where)
        fit = fit_trend(k, y, unit="1")
        best = min(fit.steps, key=lambda s: abs(s.cycle - where), default=None)
        surplus += max(0, len(fit.steps) - 1)
        lost += len(fit.outliers)
        if best is None:
            continue
        hit += 1
        near += abs(best.cycle - where) <= 3
        place += best.lo <= where <= best.hi
        covered += best.size.lo <= sign * size <= best.size.hi
    share = [100 * x / series for x in (hit, near)] + [100 * x / max(hit, 1) for x in (place, covered)]
    row = " ".join(f"{s:6.1f}" for s in share)
    return (
        f"{name:28s} {n:4d} {rho:3.1f} {size:4.1f}  {row}  {100 * surplus / series:5.1f} {lost / series / n * 1e3:6.2f}"
    )


def imagined(name: str, n: int, rho: float, glitches: int, series: int, seed: int) -> str:
    """Share of healthy series with a step; glitches (6 to 50 sd) found as outliers, good cycles called outliers."""
    rng = np.random.default_rng([seed, 2, n, round(10 * rho), glitches, list(SCENARIOS).index(name)])
    k = np.arange(1, n + 1)
    steps = right = wrong = 0
    for _ in range(series):
        y = healthy(rng, n, name) + noise(rng, n, rho)
        where = rng.choice(n, glitches, replace=False)
        y[where] += rng.choice([-1, 1], glitches) * rng.uniform(6, 50, glitches)
        fit = fit_trend(k, y, unit="1")
        steps += bool(fit.steps)
        right += len(set(fit.outliers) & set(k[where]))
        wrong += len(set(fit.outliers) - set(k[where]))
    share = 100 * right / (series * glitches) if glitches else np.nan
    row = f"{100 * steps / series:6.2f} {share:6.1f} {100 * wrong / series:6.1f}"
    return f"{name:28s} {n:4d} {rho:3.1f} {glitches:4d}  {row}"


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=300)
    parser.add_argument("--seed", type=int, default=7101)
    parser.add_argument("--cycles", type=int, nargs="*", default=[990])
    parser.add_argument("--rho", type=float, nargs="*", default=[0.0, 0.4, 0.7])
    a = parser.parse_args()
    print("step of a size: found %, within 3 cycles %, interval of place and of size covers %, surplus steps %,")
    print("cycles called outliers per mille")
    for name in ("constant", "settling 10, tau 60", "settling 10, tau 150 + drift"):
        for n in a.cycles:
            for rho in a.rho:
                print(found(name, n, rho, 3.0, a.series, a.seed), flush=True)
    print("no step: series with a step %, glitches found %, good cycles called outliers per 100 series")
    for name in (
        "constant",
        "drift 1",
        "settling 1, tau 80",
        "settling 2, tau 100",
        "settling 10, tau 60",
        "settling 10, tau 200",
        "settling 20, tau 300 + drift",
    ):
        for n in a.cycles:
            for rho in a.rho:
                for glitches in (0, 3):
                    print(imagined(name, n, rho, glitches, a.series, a.seed), flush=True)


if __name__ == "__main__":
    main()
