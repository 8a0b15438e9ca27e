"""Phases of a load: as labelled in the log, else found by activity."""

from __future__ import annotations

import numpy as np

from benchlab.power.record import Array, Mask, Record

_WINDOW_S = 2.0
_MIN_WINDOWS = 20
_MIN_RATIO = 3.0
"""The active windows must swing at least this much more than the quiet ones, or the load is all of one kind."""
_MIN_SHARE = 0.05


def phases_of(record: Record) -> tuple[dict[str, Mask], bool]:
    """Rows of every phase by name, and whether the log labels them.

    Without labels: ``quiet`` and ``active`` by how much the current swings within windows of two seconds, if the log
    has both; an empty dict if it is all of one kind. Where a row has no label, it belongs to no phase.
    """
    if record.phase is not None:
        names = dict.fromkeys(record.phase.tolist())
        return {name: record.phase == name for name in names if name}, True
    active = _active(record)
    if active is None:
        return {}, False
    return {"quiet": ~active, "active": active}, False


def _active(record: Record) -> Mask | None:
    """Rows in active windows; None if the log cannot be parted in two."""
    t, i = record.time_s, record.current_a
    window = np.floor((t - t[0]) / _WINDOW_S).astype(np.int64)
    number = np.unique(window, return_inverse=True)[1]
    count = np.bincount(number)
    if len(count) < _MIN_WINDOWS or np.median(count) < 5:
        return None
    mean = np.bincount(number, i) / count
    swing = np.sqrt(np.bincount(number, (i - mean[number]) ** 2) / count)
    swing = np.maximum(swing, max(record.current.noise, record.current.step, 1e-9))
    cut = two_class_threshold(np.log(swing))
    high = np.log(swing) > cut
    if not _MIN_SHARE < high.mean() < 1 - _MIN_SHARE:
        return None
    if np.median(swing[high]) < _MIN_RATIO * np.median(swing[~high]):
        return None
    # single windows among the other kind are a pause or a twitch, not a phase: majority of five windows
    padded = np.pad(high.astype(float), 2, mode="edge")
    smooth = np.convolve(padded, np.ones(5), mode="valid") > 2.5
    if smooth.all() or not smooth.any():
        return None
    return np.asarray(smooth[number])


def two_class_threshold(x: Array) -> float:
    """Threshold that parts values into two classes with the least scatter inside them (N. Otsu 1979)."""
    ranked = np.sort(x)
    n = len(ranked)
    below = np.arange(1, n)
    total = np.cumsum(ranked)
    mean_low, mean_high = total[:-1] / below, (total[-1] - total[:-1]) / (n - below)
    between = below * (n - below) * (mean_high - mean_low) ** 2
    k = int(np.argmax(between))
    return float((ranked[k] + ranked[k + 1]) / 2)
