"""One circuit's log as arrays ready for time-weighted statistics: gaps found, weights by the real times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.power.sampling import Edges, find_edges
from benchlab.procedure import Channel, CurrentProcedure
from benchlab.results import Event
from benchlab.stats.uncertainty import combine, from_resolution, rectangular

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Share of intervals beyond the gap factor above which a log is taken as event driven (it writes a row when something
# changes) and not as a regular one with gaps; ten of them at least. Common practice, no source.
_EVENT_DRIVEN_SHARE = 0.01
_FEW_LEVELS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """How well one reading is known: step of the log, half-width of the accuracy (0: not stated), noise (rms)."""

    step: float
    accuracy: float
    noise: float

    @property
    def u_bias(self) -> float:
        """Standard uncertainty that all readings share."""
        return rectangular(self.accuracy)

    @property
    def u_reading(self) -> float:
        """Standard uncertainty of one reading: accuracy, step and noise."""
        return combine(self.u_bias, max(self.noise, from_resolution(self.step)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A log without its unusable rows; all arrays have one entry per row kept."""

    time_s: Array
    current_a: Array
    voltage_v: Array | None
    phase: NDArray[np.str_] | None
    seconds: Array
    """Time each row stands for: half of the intervals beside it (trapezoidal rule); 0 beside gaps."""
    interval_s: Array
    """(n - 1,) time to the next row; 0 across a gap or a clock restart: nothing is integrated there."""
    sampling_s: float
    event_driven: bool
    gaps: tuple[Event, ...]
    rows_missing: int
    current: Sensor
    voltage: Sensor | None
    edges: Edges

    @property
    def duration_s(self) -> float:
        """Time that was recorded, without gaps."""
        return float(self.interval_s.sum())


def prepare(tables: Sequence[pd.DataFrame], procedure: CurrentProcedure) -> Record | None:
    """Join a part's logs, leave rows without current out, find gaps and give each row its time.

    The times of a further log run on after the log before; nothing is integrated between two logs or segments.
    None if fewer than two rows have a current.
    """
    frame = _join(tables)
    if "current_a" not in frame:
        return None
    kept = frame[np.isfinite(frame["current_a"]) & np.isfinite(frame["time_s"])]
    if len(kept) < 2:
        return None
    t = kept["time_s"].to_numpy(dtype=float)
    current = kept["current_a"].to_numpy(dtype=float)
    dt = np.diff(t)
    whole = (np.diff(kept["segment"].to_numpy()) == 0) & (dt > 0)
    sampling = float(np.median(dt[whole])) if whole.any() else 0.0
    event_driven, gap = find_gaps(dt, current, whole, sampling, procedure.gap_factor)
    interval = np.where(whole & ~gap, dt, 0.0)
    voltage = kept["voltage_v"].to_numpy(dtype=float) if "voltage_v" in kept else None
    if voltage is not None and np.isfinite(voltage).sum() < 2:
        voltage = None
    known = sensor(current, interval, procedure.channels.get("current_a"))
    phase = kept["phase"].fillna("").astype(str).to_numpy(dtype=str) if "phase" in kept else None
    return Record(
        time_s=t, current_a=current, voltage_v=voltage,
        phase=phase if phase is not None and (phase != "").any() else None,
        seconds=row_seconds(interval), interval_s=interval, sampling_s=sampling, event_driven=event_driven,
        gaps=tuple(Event(kind="gap", time_s=float(t[k]), size_s=float(dt[k])) for k in np.flatnonzero(gap)),
        rows_missing=len(frame) - len(kept),
        current=known,
        voltage=None if voltage is None else sensor(voltage, interval, procedure.channels.get("voltage_v")),
        edges=find_edges(current, interval, known.noise),
    )  # fmt: skip


def turned(record: Record, factor: Array | float = -1.0) -> Record:
    """The same record with the current times a factor of +1 or -1, for all rows or for each."""
    return replace(record, current_a=factor * record.current_a + 0.0)  # + 0.0: no negative zeros


def row_seconds(interval: Array) -> Array:
    """Half of the intervals on either side of each row: the weights of the trapezoidal rule."""
    half = interval / 2
    return np.asarray(np.concatenate([half, [0.0]]) + np.concatenate([[0.0], half]))


def find_gaps(dt: Array, current: Array, whole: Mask, sampling: float, factor: float) -> tuple[bool, Mask]:
    """Tell whether the log is event driven, and which intervals are gaps.

    A regular log: an interval longer than ``factor`` sampling intervals is a gap. An event-driven log is sparse
    where nothing happens; there an interval is a gap only if it is ``factor`` times longer than those before it and
    the current changed across it, for then it is unknown when it changed.
    """
    long = whole & (dt > factor * sampling)
    if long.sum() < max(10.0, _EVENT_DRIVEN_SHARE * len(dt)):
        return False, long
    before = pd.Series(dt).shift(1).rolling(5, min_periods=1).median().to_numpy()
    changed = np.abs(np.diff(current)) > 0.02 * np.ptp(current)  # far above noise, far below any load that matters
    return True, long & (dt > factor * before) & changed


def sensor(values: Array, interval: Array, channel: Channel | None) -> Sensor:
    """Step, accuracy and noise of a channel; what the procedure does not state is taken from the log itself."""
    step = channel.resolution if channel and channel.resolution > 0 else log_step(values)
    noise = still_noise(np.diff(values)[interval > 0], step)
    return Sensor(step=step, accuracy=channel.accuracy if channel else 0.0, noise=noise)


def still_noise(changes: Array, step: float) -> float:
    """Noise (rms) of one reading from the changes of successive ones while the signal stands still.

    Still is a change within three standard deviations, found by repeated clipping from the median absolute change;
    loads stand still for most intervals.
    """
    size = np.abs(changes[np.isfinite(changes)])
    if not size.size:
        return 0.0
    # 1.4826: median absolute deviation to standard deviation of a normal distribution
    spread = 1.4826 * float(np.median(size))
    floor = 1.01 * step if step < size.max() / _FEW_LEVELS else 0.0  # a step of noise, not a switch of the load
    for _ in range(4):
        still = size[size <= max(3 * spread, floor)]
        # 0.9733: variance that is left of a normal distribution cut at three standard deviations
        spread = float(np.sqrt(np.mean(still**2) / 0.9733)) if still.size else 0.0
    return spread / float(np.sqrt(2))


def log_step(values: Array) -> float:
    """Step of the readings: the smallest distance of two different ones.

    Of fewer than ten different readings the distances say nothing (a load that is on or off); then it is the last
    decimal place that is used. Differences below 1e-7 of the span are rounding of the file.
    """
    finite = values[np.isfinite(values)]
    span = float(np.ptp(finite)) if finite.size else 0.0
    if span == 0 and not np.any(finite):
        return 0.0
    span = span or float(np.abs(finite).max())
    ascending = np.sort(finite)
    place = np.rint((ascending - ascending[0]) / (1e-7 * span))
    levels = ascending[np.concatenate([[True], np.diff(place) > 0])]
    if len(levels) >= _FEW_LEVELS:
        return float(np.diff(levels).min())
    off = [float(np.abs(levels - np.round(levels, place)).max()) for place in range(7)]
    places = (place for place in range(7) if off[place] < 1e-6 * span)
    return next((10.0**-place for place in places), 0.0)


def _join(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    frames, offset, first = [], 0.0, 0
    for table in tables:
        segment = table["segment"].to_numpy() if "segment" in table else np.zeros(len(table), dtype=int)
        frame = table.assign(segment=segment + first, time_s=table["time_s"] + offset)
        if len(frame):
            offset, first = float(np.nanmax(frame["time_s"])), int(frame["segment"].max()) + 1
        frames.append(frame)
    if not frames:
        return pd.DataFrame({"time_s": [], "segment": []})
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
