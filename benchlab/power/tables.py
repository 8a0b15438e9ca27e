"""The small tables that a circuit's figures are drawn from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchlab.power.record import Array, Record
from benchlab.power.source import SourceFit

_LOAD_ROWS = 1500
_LINE_ROWS = 600
_CURVE_ROWS = 200


def load_table(record: Record) -> pd.DataFrame:
    """Current (and voltage) over time, reduced to the lowest, mean and highest of at most 1500 stretches."""
    n = len(record.time_s)
    start = np.unique(np.linspace(0, n, min(n, _LOAD_ROWS) + 1)[:-1].astype(int))
    count = np.diff(np.append(start, n))
    out = {"time_s": record.time_s[start]}
    channels = {"current": ("a", record.current_a)}
    if record.voltage_v is not None:
        channels["voltage"] = ("v", record.voltage_v)
    for name, (unit, x) in channels.items():
        known = np.isfinite(x)
        seen = np.add.reduceat(known.astype(float), start)
        low = np.minimum.reduceat(np.where(known, x, np.inf), start)
        high = np.maximum.reduceat(np.where(known, x, -np.inf), start)
        total = np.add.reduceat(np.where(known, x, 0.0), start)
        out[f"{name}_min_{unit}"] = np.where(seen > 0, low, np.nan)
        out[f"{name}_mean_{unit}"] = np.divide(total, seen, out=np.full(len(count), np.nan), where=seen > 0)
        out[f"{name}_max_{unit}"] = np.where(seen > 0, high, np.nan)
    return pd.DataFrame(out)


def histogram_table(record: Record, bins: int = 60) -> pd.DataFrame:
    """Seconds spent in each band of current: at most 60 bands, whole steps of the log wide."""
    i, w = record.current_a, record.seconds
    low, high = float(i.min()), float(i.max())
    width = (high - low) / bins if high > low else 1.0
    if record.current.step > 0:
        width = max(np.ceil(width / record.current.step - 1e-9), 1) * record.current.step
        low -= record.current.step / 2
    place = np.floor((i - low) / width + 1e-9).astype(int)
    seconds = np.bincount(place, w)
    edge = low + width * np.arange(len(seconds) + 1)
    return pd.DataFrame({"current_lo_a": edge[:-1], "current_hi_a": edge[1:], "seconds": seconds})


def duration_table(record: Record, rows: int = 300) -> pd.DataFrame:
    """Load-duration curve: share of the time in which the current is at least this."""
    order = np.argsort(-record.current_a, kind="stable")
    share = np.cumsum(record.seconds[order])
    share = share / share[-1] if share[-1] > 0 else share
    pick = np.unique(np.concatenate([
        np.searchsorted(share, np.linspace(0, 1, rows // 2)), np.searchsorted(share, np.geomspace(1e-5, 1, rows // 2)),
    ]).clip(0, len(share) - 1))  # fmt: skip
    return pd.DataFrame({"current_a": record.current_a[order][pick], "share_of_time": share[pick]})


def source_table(record: Record, fit: SourceFit) -> pd.DataFrame:
    """Voltage against current with the slow part taken out, and the fitted line; at most 600 points, extremes kept."""
    known = np.flatnonzero(np.isfinite(fit.residual_v))
    i = record.current_a[known]
    level = float(np.median(fit.slow_v[known]))
    line = level - (fit.resistance.value or 0.0) * i
    points = pd.DataFrame({"current_a": i, "voltage_v": line + fit.residual_v[known], "fit_v": line})
    by_current = points.sort_values("current_a", kind="stable")
    # even in rank and even in current: the many rows at rest must not hide the few at peak
    rank = np.linspace(0, len(by_current) - 1, _LINE_ROWS // 2).round().astype(int)
    grid = np.linspace(by_current["current_a"].iloc[0], by_current["current_a"].iloc[-1], _LINE_ROWS // 2)
    spread = np.searchsorted(by_current["current_a"].to_numpy(), grid).clip(0, len(by_current) - 1)
    return by_current.iloc[np.unique(np.concatenate([rank, spread]))].reset_index(drop=True)


def discharge_table(record: Record, fit: SourceFit | None) -> pd.DataFrame:
    """Voltage over the charge drawn since the start, in at most 200 stretches of equal charge.

    Columns: ``charge_mah`` (middle), ``current_a`` and ``voltage_v`` (means), ``open_circuit_v`` (what the voltage
    would be without load; NaN without a fit) and ``open_circuit_u_v`` (its scatter inside the stretch).
    """
    v, i = record.voltage_v, record.current_a
    columns = ["charge_mah", "current_a", "voltage_v", "open_circuit_v", "open_circuit_u_v"]
    if v is None:
        return pd.DataFrame({c: [] for c in columns}, dtype=float)
    piece = np.concatenate([[0.0], (i[1:] + i[:-1]) / 2 * record.interval_s / 3.6])
    drawn = np.cumsum(piece)
    open_v = fit.open_circuit_v if fit is not None else np.full(len(v), np.nan)
    known = np.isfinite(v) & (record.seconds > 0)
    if not known.any() or drawn[-1] <= 0:
        return pd.DataFrame({c: [] for c in columns}, dtype=float)
    bins = min(_CURVE_ROWS, max(int(known.sum()) // 5, 1))
    place = np.minimum(np.maximum(drawn, 0) / drawn.max() * bins, bins - 1).astype(int)[known]
    w = record.seconds[known]

    def mean(x: Array) -> Array:
        return np.bincount(place, w * x[known], bins) / np.bincount(place, w, bins)

    with np.errstate(invalid="ignore", divide="ignore"):
        table = pd.DataFrame({
            "charge_mah": mean(drawn), "current_a": mean(i), "voltage_v": mean(v), "open_circuit_v": mean(open_v),
            "open_circuit_u_v": np.sqrt(np.maximum(mean(open_v**2) - mean(open_v) ** 2, 0)),
        })  # fmt: skip
    return table.dropna(subset=["voltage_v"]).reset_index(drop=True)
