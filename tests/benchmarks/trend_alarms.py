"""False alarms over the many trends of an airframe: sound servos, each trend random, at limits as wide as stated.

Run: ``python tests/benchmarks/trend_alarms.py [--airframes 40] [--servos 8] [--quantities 9] [--seed 7301]``. Every
trend draws its settling (none in two of five, else 1 to 20 standard deviations of a cycle, time constant 20 to 250),
its correlation (0 to 0.7) and its noise (one in ten heavy-tailed); it does not drift. Prints the shares of trends,
servos and airframes with a false step, a false growth of spread, an unfinished run-in that matters by 0.3 standard
deviations, and a drift that is not accepted or rejected at limits of 3 to 10 standard deviations per 1000 cycles.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np
from scipy.signal import lfilter

from benchlab.stats.conformity import probability_of_conformity
from benchlab.stats.trend import TrendFit, fit_trend

LIMITS = (3.0, 5.0, 10.0)


def sound(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Cycles and values of a trend that settles and stays."""
    k = np.arange(1.0, n + 1)
    rho = rng.uniform(0, 0.7)
    heavy = rng.random() < 0.1
    e = (rng.standard_t(3, size=n) / np.sqrt(3) if heavy else rng.normal(size=n)) * np.sqrt(1 - rho**2)
    amplitude = 0.0 if rng.random() < 0.4 else 20 ** rng.random()
    tau = 20 * 12.5 ** rng.random()
    return k, amplitude * np.exp(-(k - 1) / tau) + lfilter([1.0], [1.0, -rho], e)


def alarms(fit: TrendFit) -> dict[str, bool]:
    """What a trend is blamed for."""
    d, t = fit.trend.drift_per_1000, fit.trend
    out = {
        "step": bool(fit.steps),
        "spread grows": fit.spread_grows,
        "run-in": fit.cycles_needed > 0 and abs(t.end.value - t.settled.value) > 0.3 * fit.sigma,
    }
    for limit in LIMITS:
        p = probability_of_conformity(d.value, d.u, -limit, limit, d.dof)
        out[f"drift not accepted at {limit:g}"] = p < 0.95
        out[f"drift rejected at {limit:g}"] = p <= 0.05
    return out


def main() -> None:
    """Print one line per kind of alarm."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--airframes", type=int, default=40)
    parser.add_argument("--servos", type=int, default=8)
    parser.add_argument("--quantities", type=int, default=9)
    parser.add_argument("--cycles", type=int, default=990)
    parser.add_argument("--seed", type=int, default=7301)
    a = parser.parse_args()
    rng = np.random.default_rng(a.seed)
    hits: dict[str, list[bool]] = defaultdict(list)
    for _ in range(a.airframes * a.servos * a.quantities):
        for kind, hit in alarms(fit_trend(*sound(rng, a.cycles), unit="1")).items():
            hits[kind].append(hit)
    print(f"{a.airframes} airframes of {a.servos} servos with {a.quantities} quantities: alarms in %")
    print(f"{'kind':28s} {'trends':>8s} {'servos':>8s} {'airframes':>10s}")
    for kind, of in hits.items():
        table = np.array(of).reshape(a.airframes, a.servos, a.quantities)
        shares = [100 * table.mean(), 100 * table.any(axis=2).mean(), 100 * table.any(axis=(1, 2)).mean()]
        print(f"{kind:28s} {shares[0]:8.2f} {shares[1]:8.2f} {shares[2]:10.1f}")


if __name__ == "__main__":
    main()
