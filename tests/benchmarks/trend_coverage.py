"""Coverage, efficiency and false alarms of ``fit_trend`` on simulated series with known truth.

Run: ``python tests/benchmarks/trend_coverage.py [--series 300] [--seed 7001]``. Prints one row per scenario and
correlation: share of 95 % intervals that contain the truth (drift, settled value, tau where settling was chosen), rmse
over the Cramer-Rao bound with the model known (settling + drift where there is settling, else drift) and after choice,
how often a drift interval leaves out 0, and which models were chosen.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np
from scipy.signal import lfilter

from benchlab.stats.autocorrelation import whiten
from benchlab.stats.trend import fit_trend

# amplitude and tau of the settling, drift per 1000 cycles; all in units of the standard deviation of a cycle
SCENARIOS = {
    "constant": (0.0, 1.0, 0.0),
    "drift 0.2": (0.0, 1.0, 0.2),
    "drift 1": (0.0, 1.0, 1.0),
    "settling 10, tau 60": (10.0, 60.0, 0.0),
    "settling 10, tau 200": (10.0, 200.0, 0.0),
    "settling 1, tau 80": (1.0, 80.0, 0.0),
    "settling 2, tau 100": (2.0, 100.0, 0.5),
    "settling 5, tau 30 + drift": (5.0, 30.0, 1.0),
    "settling 10, tau 150 + drift": (10.0, 150.0, -2.0),
    "settling 20, tau 300 + drift": (20.0, 300.0, 1.0),
    "settling 10, tau 500 + drift": (10.0, 500.0, 1.0),
}


def noise(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """Stationary AR(1) noise of unit standard deviation."""
    e = rng.normal(size=n) * np.sqrt(1 - rho**2)
    e[0] = rng.normal()
    return lfilter([1.0], [1.0, -rho], e)


def bounds(k: np.ndarray, amplitude: float, tau: float, drift: float, rho: float) -> tuple[float, float]:
    """Cramer-Rao bounds (standard deviations) of drift per 1000 and of the settled value, for the true model.

    Without settling the model is constant + drift, so that there is a drift to estimate.
    """
    decay = np.exp(-(k - k[0]) / tau)
    columns = [np.ones_like(k), k / 1000]
    if amplitude:
        columns += [decay, amplitude * decay * (k - k[0]) / tau**2]
    j = whiten(np.column_stack(columns), k, rho)
    covariance = np.linalg.inv(j.T @ j)
    last = np.zeros(len(columns))
    last[:2] = 1.0, k[-1] / 1000
    return float(np.sqrt(covariance[1, 1])), float(np.sqrt(last @ covariance @ last))


def run(name: str, n: int, rho: float, series: int, seed: int) -> str:
    """One row of the table."""
    amplitude, tau, drift = SCENARIOS[name]
    rng = np.random.default_rng([seed, n, round(10 * rho), list(SCENARIOS).index(name)])
    k = np.arange(1.0, n + 1)
    truth = amplitude * np.exp(-(k - 1) / tau) + drift * k / 1000
    settled = drift * k[-1] / 1000
    known = ("settling+drift",) if amplitude else ("drift",)
    inside, error, chosen, nonzero, seconds = [], [], Counter(), 0, 0.0
    for _ in range(series):
        y = truth + noise(rng, n, rho)
        began = time.process_time()
        t = fit_trend(k, y, unit="1").trend
        seconds += time.process_time() - began
        m = fit_trend(k, y, unit="1", models=known).trend
        pairs = [(t.drift_per_1000, drift), (t.settled, settled), (t.tau_cycles, tau)]
        inside.append([np.nan if e is None else e.lo <= true <= e.hi for e, true in pairs])
        both = [(e.drift_per_1000.value - drift, e.settled.value - settled) for e in (m, t)]
        error.append(np.ravel(both))
        chosen[t.model] += 1
        nonzero += not t.drift_per_1000.lo <= 0 <= t.drift_per_1000.hi
    bound = np.array(bounds(k, amplitude, tau, drift, rho) * 2)
    ratio = np.sqrt(np.mean(np.square(error), axis=0)) / bound
    with np.errstate(invalid="ignore"):
        share = [100 * np.nanmean(c) if np.isfinite(c).any() else np.nan for c in np.array(inside, dtype=float).T]
    share[2] = share[2] if amplitude else np.nan
    row = " ".join(f"{s:6.1f}" for s in share) + "  " + " ".join(f"{r:5.2f}" for r in ratio)
    models = ", ".join(f"{m} {100 * c / series:.1f}" for m, c in chosen.most_common())
    return f"{name:30s} {n:4d} {rho:3.1f} {row} {100 * nonzero / series:6.1f} {1e3 * seconds / series:5.1f}  {models}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=300)
    parser.add_argument("--seed", type=int, default=7001)
    parser.add_argument("--cycles", type=int, nargs="*", default=[990])
    parser.add_argument("--rho", type=float, nargs="*", default=[0.0, 0.4, 0.7])
    parser.add_argument("--only", default="")
    a = parser.parse_args()
    error = 100 * np.sqrt(0.95 * 0.05 / a.series)
    print(f"coverage in % (standard deviation {error:.1f}): drift, settled, tau; rmse / bound: drift, settled with the")
    print("model known, then after choice;")
    print("drift interval without 0 in %; ms per fit; models chosen in %")
    for name in SCENARIOS:
        for n in a.cycles:
            for rho in a.rho:
                if a.only in name:
                    print(run(name, n, rho, a.series, a.seed), flush=True)


if __name__ == "__main__":
    main()
