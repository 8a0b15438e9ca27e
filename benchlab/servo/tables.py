"""The small tables that a servo's figures and the matching are drawn from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from benchlab.servo import windows
from benchlab.servo.cycles import Cycles, usual_duration
from benchlab.servo.dwells import HIGH, LOW
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.standing import clean_command
from benchlab.servo.strokes import Strokes
from benchlab.servo.windows import Array, Rows
from benchlab.stats.trend import TrendFit

_WAVEFORM_CYCLES, _WAVEFORM_POINTS = 20, 400
_STROKE_CYCLES, _STROKE_POINTS = 50, 41


def trend_curves(trends: Mapping[str, TrendFit]) -> pd.DataFrame:
    """Fitted trends with their bands: columns quantity, cycle, fit, lo, hi."""
    frames = [fit.curve.assign(quantity=name) for name, fit in trends.items()]
    if not frames:
        return pd.DataFrame({"quantity": pd.Series(dtype=str)} | {c: np.zeros(0) for c in ("cycle", "fit", "lo", "hi")})
    return pd.concat(frames, ignore_index=True)[["quantity", "cycle", "fit", "lo", "hi"]]


def cycle_uncertainty(each: Mapping[str, float], trends: Mapping[str, TrendFit]) -> pd.DataFrame:
    """Per quantity: uncertainty of one cycle from the readings, and the scatter of the cycles about their trend."""
    rows = [(name, u, trends[name].sigma if name in trends else np.nan) for name, u in each.items()]
    return pd.DataFrame(rows, columns=["quantity", "u_one_cycle", "scatter"])


def waveform(samples: Samples, cycles: Cycles) -> pd.DataFrame:
    """Median course of command, position and current over the first and over the last 20 cycles."""
    channels = [c for c in ("command_us", "position_deg", "current_a") if c in samples.channels]
    if not len(cycles):
        return pd.DataFrame({"which": pd.Series(dtype=str), "time_in_cycle_s": np.zeros(0)})
    duration, grid = usual_duration(samples, cycles, _WAVEFORM_POINTS)
    time = np.linspace(0, duration, grid)
    parts = []
    for which, chosen in (("first", slice(None, _WAVEFORM_CYCLES)), ("last", slice(-_WAVEFORM_CYCLES, None))):
        courses = _median_courses(samples, channels, cycles.start[chosen], cycles.stop[chosen], time)
        parts.append(pd.DataFrame({"which": [which] * grid, "time_in_cycle_s": time, **courses}))
    return pd.concat(parts, ignore_index=True)


def _median_courses(
    samples: Samples, channels: Sequence[str], start: Rows, stop: Rows, time: Array
) -> dict[str, Array]:
    courses: dict[str, list[Array]] = {channel: [] for channel in channels}
    for a, b in zip(start.tolist(), stop.tolist(), strict=True):
        t = samples.read("time_s", a, b)
        t = t - t[0]
        for channel in channels:
            values = samples.read(channel, a, b)
            ok = np.isfinite(values)
            if ok.sum() > 1:
                courses[channel].append(np.interp(time, t[ok], values[ok], left=np.nan, right=np.nan))
    return {channel: _median_over(course, len(time)) for channel, course in courses.items()}


def _median_over(courses: list[Array], points: int) -> Array:
    if not courses:
        return np.full(points, np.nan)
    stack = np.stack(courses)
    if np.isfinite(stack).all():
        return np.asarray(np.median(stack, axis=0))
    seen = np.isfinite(stack).any(axis=0)
    out = np.full(points, np.nan)
    out[seen] = np.nanmedian(stack[:, seen], axis=0)
    return out


def stroke_curve(samples: Samples, cycles: Cycles, strokes: Strokes | None, measured: Measured) -> pd.DataFrame:
    """Position against command over the last 50 cycles; up: approached with rising command."""
    empty = pd.DataFrame({c: np.zeros(0) for c in ("command_us", "position_up_deg", "position_down_deg", "u_deg")})
    if "command_us" not in samples.channels or "position_deg" not in samples.channels or not len(cycles):
        return empty
    chosen = np.flatnonzero(measured.usual)[-_STROKE_CYCLES:]
    if not len(chosen):
        return empty
    step = samples.steps["position_deg"]
    points = _at_dwells(strokes, chosen) if strokes is not None else _on_waves(samples, cycles, chosen)
    points["u_deg"] = np.hypot(points["u_deg"], step / np.sqrt(12))
    return points


def _at_dwells(s: Strokes, chosen: Rows) -> pd.DataFrame:
    d = s.dwells
    recent = np.isin(d.cycle, chosen) & np.isfinite(s.rest_deg)
    level, place = np.unique(np.round(d.level[recent], 0), return_inverse=True)
    rising = np.where(d.kind == HIGH, True, np.where(d.kind == LOW, False, s.came_from == LOW))[recent]
    known = (np.abs(d.kind) == 1)[recent] | (s.came_from != 9)[recent]
    rest = s.rest_deg[recent]
    rows = []
    for i, command in enumerate(level):
        up, down = rest[(place == i) & rising & known], rest[(place == i) & ~rising & known]
        if len(up) + len(down) < 2:
            continue
        spread = max((v.std(ddof=1) / np.sqrt(len(v)) for v in (up, down) if len(v) > 1), default=np.nan)
        rows.append((command, _median(up), _median(down), spread))
    return pd.DataFrame(rows, columns=["command_us", "position_up_deg", "position_down_deg", "u_deg"], dtype=float)


def _median(values: Array) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def _on_waves(samples: Samples, cycles: Cycles, chosen: Rows) -> pd.DataFrame:
    """Mean position in bins of the command, by the command's direction."""
    read, found = clean_command(samples), []
    for a, b in zip(cycles.start[chosen].tolist(), cycles.stop[chosen].tolist(), strict=True):
        first = max(a - 1, 0)
        course = read(first, min(b + 1, len(samples)))
        rises = np.gradient(course) > 0
        here = slice(a - first, b - first)
        found.append((course[here], rises[here], samples.read("position_deg", a, b)))
    command, rising, position = (np.concatenate(x) for x in zip(*found, strict=True))
    edges = np.linspace(command.min(), command.max(), _STROKE_POINTS + 1)
    place = np.clip(np.digitize(command, edges) - 1, 0, _STROKE_POINTS - 1)
    at = windows.group_mean(command, place, _STROKE_POINTS)
    up, down = (
        windows.group_mean(np.where(rising == r, position, np.nan), place, _STROKE_POINTS) for r in (True, False)
    )
    ok = np.isfinite(position)
    centred = position - np.where(rising, up[place], down[place])
    count = np.bincount(place[ok], minlength=_STROKE_POINTS)
    sd = np.sqrt(np.bincount(place[ok], weights=centred[ok] ** 2, minlength=_STROKE_POINTS) / np.maximum(count - 1, 1))
    frame = pd.DataFrame({
        "command_us": at, "position_up_deg": up, "position_down_deg": down, "u_deg": sd / np.sqrt(np.maximum(count, 1)),
    })  # fmt: skip
    return frame[np.isfinite(at)].reset_index(drop=True)
