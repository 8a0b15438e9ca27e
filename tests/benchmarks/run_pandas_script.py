"""What a technician who knows pandas would write for one servo log: read, cut by cycle, measure, fit run-in.

The yardstick of ``run_speed.py``; it computes the per-cycle quantities of DESIGN section 6 the straightforward way (a
function applied to each group of rows), with no validation, uncertainty, events or report.
Run: ``python tests/benchmarks/run_pandas_script.py LOG...``
"""

import sys
import warnings

import numpy as np
import pandas as pd
from scipy.optimize import OptimizeWarning, curve_fit


def measure_cycle(rows: pd.DataFrame) -> pd.Series:
    """Per-cycle quantities of one cycle of a step command with neutral dwells."""
    command, position, current = rows["command_us"].to_numpy(), rows["position_deg"].to_numpy(), rows["current_a"]
    time = rows["time_s"].to_numpy()
    edges = np.flatnonzero(np.diff(command)) + 1
    starts, stops = np.r_[0, edges], np.r_[edges, len(rows)]
    rest, jitter, idle = [], [], []
    for a, b in zip(starts, stops, strict=True):
        settled = slice(a + (b - a) // 2, b)
        rest.append(np.mean(position[settled]))
        jitter.append(np.std(position[settled], ddof=1))
        idle.append(current.iloc[settled].mean())
    level = command[starts]
    transit, overshoot, moving = [], [], []
    for i in range(1, len(starts)):
        a, b, way = starts[i], stops[i], rest[i] - rest[i - 1]
        done = (position[a:b] - rest[i - 1]) / way
        first, last = np.argmax(done >= 0.1), np.argmax(done >= 0.9)
        transit.append((time[a + last] - time[a + first]) / (0.8 * abs(way)) * 60)
        overshoot.append(max(np.max((done - 1) * abs(way)), 0))
        speed = np.abs(np.gradient(position[a:b], time[a:b]))
        moving.append(current.iloc[a:b][speed > 0.1 * speed.max()].mean())
    high, low = np.mean([r for r, c in zip(rest, level, strict=True) if c == level.max()]), np.mean(
        [r for r, c in zip(rest, level, strict=True) if c == level.min()]
    )  # fmt: skip
    neutral = [r for r, c in zip(rest, level, strict=True) if c not in (level.max(), level.min())]
    return pd.Series({
        "centre_deg": np.mean(neutral), "hysteresis_deg": neutral[0] - neutral[-1], "end_high_deg": high,
        "end_low_deg": low, "travel_deg": high - low, "transit_s_per_60deg": np.mean(transit),
        "overshoot_deg": np.mean(overshoot), "jitter_deg": np.mean(jitter), "moving_current_a": np.mean(moving),
        "peak_current_a": current.quantile(0.999), "idle_current_a": np.mean(idle),
        "voltage_min_v": rows["voltage_v"].min(), "temperature_c": rows["temperature_c"].mean(),
    })  # fmt: skip


def settling(k: np.ndarray, c: float, b: float, a: float, tau: float) -> np.ndarray:
    """Run-in with drift."""
    return c + b * k + a * np.exp(-k / tau)


def main(paths: list[str]) -> None:
    """Measure and fit every log."""
    warnings.simplefilter("ignore", OptimizeWarning)
    for path in paths:
        cycles = pd.read_csv(path).groupby("cycle").apply(measure_cycle, include_groups=False)
        k = cycles.index.to_numpy(dtype=float)
        for name, values in cycles.items():
            start = (values.iloc[-50:].mean(), 0.0, values.iloc[0] - values.iloc[-50:].mean(), 100.0)
            try:
                fitted, covariance = curve_fit(settling, k, values.to_numpy(), p0=start, maxfev=5000)
            except RuntimeError:
                continue
            print(path, name, fitted, np.sqrt(np.diag(covariance)))


if __name__ == "__main__":
    main(sys.argv[1:])
