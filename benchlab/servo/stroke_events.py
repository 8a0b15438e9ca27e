"""Strokes that stalled or fell short, each against the strokes of its own kind around it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.special import ndtr, stdtrit

from benchlab.procedure import ServoProcedure
from benchlab.results import Event
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, NEUTRAL
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.strokes import Strokes
from benchlab.servo.sweep import Swept
from benchlab.servo.windows import Array, Rows

_AROUND = 101
"""Strokes whose median a stroke is held against: slow drift stays out, a spell of stalls does not become usual."""
_SHORT_SD = 5.5
"""One false alarm in 50 million strokes of normal scatter."""
_STALL_SD = 8.0


def find(
    samples: Samples, cycles: Cycles, swept: Swept, measured: Measured, procedure: ServoProcedure
) -> tuple[list[Event], dict[str, str]]:
    """Return stalls and short strokes, and which of the two the log cannot show, and why."""
    unseen: dict[str, str] = {}
    strokes = swept.strokes
    if strokes is None:
        unseen["stall"] = "the log does not show when the servo should rest"
        if "position_deg" not in samples.channels or not len(cycles) or "end_high_deg" in measured.missing:
            return [], unseen | {"short_stroke": "no position channel" if "position_deg" not in samples.channels
                                 else "the strokes cannot be told apart"}  # fmt: skip
        return _short_waves(samples, cycles, swept, measured, procedure.events.short_stroke_share), unseen
    stalled, events = np.zeros(len(strokes.dwells), dtype=bool), []
    if "current_a" not in samples.channels:
        unseen["stall"] = "no current channel: a stroke that falls short is called short_stroke"
    elif not np.isfinite(measured.cycles["moving_current_a"]).any():
        unseen["stall"] = "the moving current is not known"
    else:
        stalled = _stalled(strokes, measured, procedure.events.stall_share)
    if "position_deg" in samples.channels and "end_high_deg" not in measured.missing:
        deficit, short = _short(samples, strokes, measured, procedure.events.short_stroke_share)
    else:
        deficit, short = np.full(len(stalled), np.nan), np.zeros(len(stalled), dtype=bool)
        unseen["short_stroke"] = measured.missing.get("end_high_deg", "no position channel")
    for i in np.flatnonzero(stalled | short):
        events.append(_event(samples, cycles, strokes, int(i), bool(stalled[i]), float(deficit[i])))
    return events, unseen


def _event(samples: Samples, cycles: Cycles, s: Strokes, i: int, stalled: bool, deficit: float) -> Event:
    end = {HIGH: "the high end", LOW: "the low end"}.get(
        int(s.dwells.kind[i]), "neutral" if s.dwells.kind[i] == NEUTRAL else f"{s.dwells.level[i]:.4g}"
    )
    text = f"towards {end}" + (f", {s.rest_a[i]:.3g} A where it should rest" if stalled else "")
    return Event(
        kind="stall" if stalled else "short_stroke", cycle=int(cycles.number[s.dwells.cycle[i]]),
        time_s=float(samples.at("time_s", s.begin[i : i + 1])[0]), size=deficit if np.isfinite(deficit) else None,
        unit="deg" if np.isfinite(deficit) else None, text=text,
    )  # fmt: skip


def deviation(value: Array) -> tuple[Array, float]:
    """Return the deviation from the running median and its robust standard deviation; NaN where there is no value."""
    out = np.full(len(value), np.nan)
    ok = np.isfinite(value)
    if ok.sum() < 5:
        return out, 0.0
    x = value[ok]
    out[ok] = x - median_filter(x, size=min(_AROUND, len(x) // 2 * 2 - 1), mode="nearest")
    return out, _spread(out[ok])


def _spread(away: Array) -> float:
    """Standard deviation of the bulk: the median absolute deviation, refined by what lies within 3.5 times it.

    The median alone jumps by whole steps where the values have few.
    """
    sd = float(1.4826 * np.median(np.abs(away)))
    for _ in range(3):
        bulk = away[np.abs(away) <= 3.5 * sd]
        sd = max(sd, float(bulk.std()))
    return sd


def certain(sd: float, count: int, times: float) -> float:
    """``times`` standard deviations, more where the deviation itself comes from few values.

    The quantile of Student's t that a normal deviate of ``times`` has; a median absolute deviation is worth 37 % of its
    values (F. Hampel, The influence curve, 1974).
    """
    if times <= 0 or count < 2:
        return float("inf")
    return sd * -float(stdtrit(max(0.37 * (count - 1), 1.0), float(ndtr(-times))))


def _kinds(s: Strokes) -> list[NDArray[np.bool_]]:
    """Masks of the strokes of each kind, those outside cycles and those whose beginning was not seen left out."""
    return [s.kind == k for k in np.unique(s.kind[s.kind >= 0])]


def _short(samples: Samples, s: Strokes, measured: Measured, share: float) -> tuple[Array, NDArray[np.bool_]]:
    deficit = np.full(len(s.dwells), np.nan)
    short = np.zeros(len(s.dwells), dtype=bool)
    travel = windows.middle(measured.cycles["travel_deg"].to_numpy())
    for of_kind in _kinds(s):
        away, sd = deviation(s.rest_deg[of_kind])
        deficit[of_kind] = -away * np.sign(windows.middle(s.way_deg[of_kind]))
        least = max(certain(sd, int(of_kind.sum()), _SHORT_SD), share * travel, 2 * samples.steps["position_deg"])
        short[of_kind] = deficit[of_kind] > least
    return deficit, short


def _stalled(s: Strokes, measured: Measured, share: float) -> NDArray[np.bool_]:
    """Current at rest above its usual value by a share of what moving takes."""
    stalled = np.zeros(len(s.dwells), dtype=bool)
    moving = windows.middle(measured.cycles["moving_current_a"].to_numpy())
    for of_kind in _kinds(s):
        away, sd = deviation(s.rest_a[of_kind])
        idle = windows.middle(s.rest_a[of_kind])
        stalled[of_kind] = away > max(certain(sd, int(of_kind.sum()), _STALL_SD), share * (moving - idle))
    return stalled


def _short_waves(samples: Samples, cycles: Cycles, swept: Swept, measured: Measured, share: float) -> list[Event]:
    """On a command that does not rest: cycles that do not reach as far as usual.

    By quantiles of the position: a single wrong sample among the few at an end must not make a stroke short.
    """
    travel = windows.middle(measured.cycles["travel_deg"].to_numpy())
    frame, events = measured.cycles, []
    reversed_ = windows.middle((frame["end_high_deg"] - frame["end_low_deg"]).to_numpy()) < 0
    for sign, end in ((1, "low" if reversed_ else "high"), (-1, "high" if reversed_ else "low")):
        reach = swept.of_cycle["reach_high_deg" if sign > 0 else "reach_low_deg"]
        away, sd = deviation(np.where(measured.usual, reach, np.nan))
        count = int(measured.usual.sum())
        least = max(certain(sd, count, _SHORT_SD), share * travel, 2 * samples.steps["position_deg"])
        with np.errstate(invalid="ignore"):
            hits: Rows = np.flatnonzero(-sign * away > least)
        events += [
            Event(kind="short_stroke", cycle=int(cycles.number[i]), time_s=float(frame["time_s"].iloc[i]),
                  size=float(-sign * away[i]), unit="deg", text=f"towards {end} end")
            for i in hits
        ]  # fmt: skip
    return sorted(events, key=lambda e: e.cycle or 0)
