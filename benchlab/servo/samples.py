"""One long record of all samples of a servo, over all its logs, and what the instruments could tell apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.procedure import ServoProcedure
from benchlab.servo.windows import Array

CHANNELS = ("command_us", "cycle", "position_deg", "current_a", "voltage_v", "temperature_c")

_RECURS, _MOSTLY = 3, 0.99
_GAP = 5.0
"""A pause longer than this many sampling intervals is a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """All rows of all logs. A channel that is missing or holds no numbers is absent from ``channels``."""

    time_s: Array
    """From the first row of each log; not running on."""
    log: NDArray[np.intp]
    """Which log a row belongs to, from 0."""
    broken: NDArray[np.bool_]
    """A gap, a split of the clock or the beginning of a log lies before the row."""
    sampling_s: float
    channels: Mapping[str, Array]
    steps: Mapping[str, float]
    """Step of the reading of each channel: the procedure's resolution, else that seen in the log (0: none seen)."""
    noise: Mapping[str, float]
    """Standard deviation of a single reading about its neighbours."""
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time_s)

    def get(self, channel: str) -> Array | None:
        """Return the channel's values, or None where the log has none."""
        return self.channels.get(channel)

    def without(self, channel: str) -> Samples:
        """Return the record without one channel."""
        return replace(self, channels={name: x for name, x in self.channels.items() if name != channel})


def join(tables: Sequence[pd.DataFrame], procedure: ServoProcedure) -> Samples:
    """Put the tables of a servo's logs one after another and take stock of their channels."""
    tables = [t for t in tables if len(t)]
    if not tables:
        empty = np.zeros(0)
        return Samples(
            time_s=empty, log=empty.astype(np.intp), broken=empty.astype(bool), sampling_s=np.nan, channels={},
            steps={}, noise={}, notes=(),
        )  # fmt: skip
    time = np.concatenate([t["time_s"].to_numpy(dtype=float) for t in tables])
    log = np.repeat(np.arange(len(tables)), [len(t) for t in tables])
    segment = np.concatenate([_segment(t) for t in tables])
    interval = np.diff(time)
    same = (np.diff(log) == 0) & (np.diff(segment) == 0)
    sampling = float(np.median(interval[same])) if same.any() else np.nan
    broken = np.concatenate([[True], ~same | (interval > _GAP * sampling)])
    channels = {name: values for name in CHANNELS if (values := _channel(tables, name)) is not None}
    notes: list[str] = []
    if "current_a" in channels:
        channels["current_a"] = _magnitude(channels["current_a"], notes)
    steps = {name: procedure.channels[name].resolution or seen_step(values)
             for name, values in channels.items() if name in procedure.channels}  # fmt: skip
    return Samples(
        time_s=time, log=log, broken=broken, sampling_s=sampling, channels=channels, steps=steps,
        noise={name: reading_noise(values) for name, values in channels.items()}, notes=tuple(notes),
    )  # fmt: skip


def _segment(table: pd.DataFrame) -> NDArray[np.float64]:
    return table["segment"].to_numpy(dtype=float) if "segment" in table else np.zeros(len(table))


def _channel(tables: Sequence[pd.DataFrame], name: str) -> Array | None:
    if not any(name in t for t in tables):
        return None
    parts = [t[name].to_numpy(dtype=float) if name in t else np.full(len(t), np.nan) for t in tables]
    values = np.concatenate(parts)
    return values if np.isfinite(values).any() else None


def _magnitude(current: Array, notes: list[str]) -> Array:
    """Return the current's magnitude where its sign tells the motor's direction, not a zero error."""
    finite = current[np.isfinite(current)]
    below = -finite[finite < 0].sum()
    above = finite[finite > 0].sum()
    # noise around a small idle current dips below zero too: a real direction shows as a good part of the charge
    if below > 0.1 * (below + above):
        notes.append("The current is logged with a sign: its magnitude was used.")
        return np.abs(current)
    return current


def seen_step(values: Array) -> float:
    """Return the smallest step that the readings of a channel show, 0 where they look continuous.

    Values that come only once or twice are left aside if they are rare: a wrong reading between two steps makes none.
    """
    distinct, count = np.unique(np.round(values[np.isfinite(values)], 9), return_counts=True)
    again = count >= _RECURS
    if count[again].sum() >= _MOSTLY * count.sum():
        distinct = distinct[again]
    if len(distinct) < 2 or len(distinct) > 0.5 * len(values):
        return 0.0
    gaps = np.diff(distinct)
    # rounding of a binary fraction splits a step: what is far below the usual gap is no step
    return float(gaps[gaps > 0.2 * np.median(gaps)].min())


def reading_noise(values: Array) -> float:
    """Return the noise of single readings from their second differences, those of movements left out."""
    finite = values[np.isfinite(values)]
    if len(finite) < 5:
        return 0.0
    bend = np.abs(np.diff(finite, n=2))
    # the quieter 60 % of the differences; a normal distribution cut at 0.8416 sd keeps 0.4695 of its sd
    quiet = bend[bend <= np.quantile(bend, 0.6)]
    return float(np.sqrt((quiet**2).mean()) / 0.4695 / np.sqrt(6))
