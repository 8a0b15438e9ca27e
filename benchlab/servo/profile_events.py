"""Faults that show in the current along the travel: a damaged tooth, and binding towards an end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from benchlab.results import Event
from benchlab.servo import windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, fill
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.strokes import Strokes
from benchlab.servo.windows import Array, Rows

_BLOCKS = 6
"""The log is looked at in so many blocks of cycles, so that a fault that came late is seen."""
_FINE = 24
"""Places along each kind of stroke."""
_INNER = (0.15, 0.95)
"""Share of a stroke that is looked at: before it the inrush is too steep, after it the servo brakes."""
_PLACES = 40
"""Places along the travel where a tooth may sit."""
_SMOOTH = 7
"""Places whose running median is the baseline."""
_TOOTH_SHARE, _GROWN_SHARE = 0.10, 0.06
"""A bump smaller than this share of the moving current is no tooth; second: one that was not there at first."""
_BINDING_SHARE = 0.05
_SE = 6.0
_TEXTURE = 3.5
"""A tooth stands out from the texture of the other places by this many robust standard deviations."""
_EARLY, _LATE = (0.3, 0.6), (0.75, 0.95)
"""Shares of a stroke whose currents are compared for binding."""
_CLIP = 10.0
_ENOUGH = 9
"""Samples in a stroke, at least: with fewer a tooth lies between them, and inrush at one end passes for binding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """Samples taken while moving, by share of the stroke done; and where the kinds of stroke lie."""

    current: Array
    done: Array
    kind: NDArray[np.intp]
    """10 x where it came from + where it goes."""
    cycle: Rows
    kinds: NDArray[np.intp]
    begins: Array
    """Where each of the kinds begins, in shares of the travel from the low end."""
    way: Array
    """How far it goes, signed."""
    noise: float
    """Standard deviation of a single reading about the mean course."""
    scale: float
    """Usual moving current."""


def find(
    samples: Samples, cycles: Cycles, strokes: Strokes | None, measured: Measured
) -> tuple[list[Event], dict[str, str]]:
    """Return teeth and binding, and which of them the log cannot show, and why."""
    why = None
    if "position_deg" not in samples.channels:
        why = "no position channel: a current cannot be tied to an angle"
    elif "current_a" not in samples.channels:
        why = "no current channel"
    elif strokes is None or not strokes.moving.any():
        why = "only looked for where the command steps"
    elif "end_high_deg" in measured.missing:
        why = "the ends of the travel are not known"
    if why is None:
        assert strokes is not None
        course = _course(samples, strokes, measured)
        if course is not None:
            return [*_teeth(course, cycles, measured), *_binding(course, cycles)], {}
        why = f"sampled too coarsely ({samples.sampling_s:.3g} s): fewer than {_ENOUGH} samples in a stroke"
    return [], {"tooth": why, "binding": why}


def _course(samples: Samples, s: Strokes, measured: Measured) -> _Course | None:
    d = s.dwells
    major = np.abs(s.way_deg) >= 0.2 * windows.middle(measured.cycles["travel_deg"].to_numpy())
    # strokes that went another way than usual (stalled, changed amplitude) have another course
    for k in np.unique(of_stroke := 10 * s.came_from + d.kind):
        usual = abs(windows.middle(s.way_deg[of_stroke == k])) if (of_stroke == k)[major].any() else np.nan
        major &= (of_stroke != k) | (np.abs(np.abs(s.way_deg) - usual) < 0.02 * usual)
    row = np.flatnonzero(s.moving & np.isfinite(samples.channels["current_a"]))
    stroke = s.of_row[row]
    used = (d.cycle[stroke] >= 0) & major[stroke] & (s.came_from[stroke] != 9)
    row, stroke = row[used], stroke[used]
    per_stroke = np.bincount(stroke, minlength=len(d))
    if not len(row) or np.median(per_stroke[per_stroke > 0]) < _ENOUGH:
        return None
    position = np.asarray(median_filter(fill(samples.channels["position_deg"]), size=3, mode="nearest"))[row]
    low, high = (windows.middle(measured.cycles[f"end_{e}_deg"].to_numpy()) for e in ("low", "high"))
    current = samples.channels["current_a"][row]
    kind, done = of_stroke[stroke], (position - s.from_deg[stroke]) / s.way_deg[stroke]
    kinds, place = np.unique(kind, return_inverse=True)
    cell = place * _FINE + np.clip((done * _FINE).astype(np.intp), 0, _FINE - 1)
    usual_a = windows.group_median(current, cell, len(kinds) * _FINE)[cell]
    residual = current - usual_a
    noise = 1.4826 * float(np.median(np.abs(residual)))
    # a single wrong reading must not lift the mean of its place
    current = usual_a + np.clip(residual, -_CLIP * noise, _CLIP * noise)
    begins = np.array([windows.middle(s.from_deg[of_stroke == k]) for k in kinds])
    return _Course(
        current=current, done=done, kind=kind, cycle=d.cycle[stroke], kinds=kinds, begins=(begins - low) / (high - low),
        way=np.array([windows.middle(s.way_deg[of_stroke == k]) for k in kinds]) / (high - low),
        noise=noise, scale=float(np.median(current)),
    )  # fmt: skip


def _blocks(c: _Course, n: int) -> list[NDArray[np.bool_]]:
    """All samples, then those of each block of cycles."""
    count = min(_BLOCKS, max(n // 20, 1))
    block = c.cycle * count // n
    everything = np.ones(len(c.cycle), dtype=bool)
    return [everything] if count == 1 else [everything, *(block == b for b in range(count))]


# --- tooth ------------------------------------------------------------------------------------------------------------


def _teeth(c: _Course, cycles: Cycles, measured: Measured) -> list[Event]:
    """One event per place, with the first block of cycles that shows it."""
    blocks = _blocks(c, len(cycles))
    profiles = [_profile(c, chosen) for chosen in blocks]
    found: dict[int, tuple[int, float]] = {}
    for size in _bumps(c, *_standing_out(c, profiles[0]), _TOOTH_SHARE, _TEXTURE):
        found[size[0]] = (int(c.cycle.min()), size[1])
    # a tooth that broke later shows against the first block, with the texture of the sound gear taken away
    for chosen, (mean, count) in zip(blocks[2:], profiles[2:], strict=True):
        grown = mean - profiles[1][0]
        grown -= np.nanmedian(np.where(np.isfinite(grown).any(axis=1, keepdims=True), grown, 0.0), axis=1)[:, None]
        for place, height in _bumps(c, grown, np.minimum(count, profiles[1][1]), _GROWN_SHARE, 0.0):
            if not any(abs(place - q) <= 2 for q in found):
                found[place] = (int(c.cycle[chosen].min()), height)
    low, high = (windows.middle(measured.cycles[f"end_{e}_deg"].to_numpy()) for e in ("low", "high"))
    return [
        Event(kind="tooth", quantity="moving_current_a", cycle=int(cycles.number[since]), size=height, unit="A",
              text=f"current spike at {low + (place + 0.5) / _PLACES * (high - low):.0f} deg")
        for place, (since, height) in sorted(found.items())
    ]  # fmt: skip


def _profile(c: _Course, chosen: NDArray[np.bool_]) -> tuple[Array, NDArray[np.intp]]:
    """Mean current and number of samples by kind of stroke (rows, as in c.kinds) and share of the stroke done."""
    n = len(c.kinds) * _FINE
    inside = chosen & (c.done >= _INNER[0]) & (c.done < _INNER[1])
    cell = np.searchsorted(c.kinds, c.kind[inside]) * _FINE + (c.done[inside] * _FINE).astype(np.intp)
    count = np.bincount(cell, minlength=n).reshape(-1, _FINE)
    mean = windows.group_mean(c.current[inside], cell, n).reshape(-1, _FINE)
    # cells that few strokes leave a sample in are those of odd strokes
    rare = np.asarray(count < 0.1 * count.max(axis=1, keepdims=True))
    return np.where(rare, np.nan, mean), np.where(rare, 0, count).astype(np.intp)


def _standing_out(c: _Course, profile: tuple[Array, NDArray[np.intp]]) -> tuple[Array, NDArray[np.intp]]:
    """Profile without the inrush that strokes of one length have in common, and without its smooth course."""
    mean, count = profile
    out = np.full(mean.shape, np.nan)
    for i, way in enumerate(c.way):
        alike = np.asarray(np.abs(np.abs(c.way) - abs(way)) < 0.2 * abs(way))
        seen = np.asarray(np.isfinite(mean[alike]).any(axis=0))
        common = np.full(_FINE, np.nan)
        common[seen] = np.nanmedian(mean[alike][:, seen], axis=0)
        rest = mean[i] - (common if alike.sum() > 1 else 0.0)
        held = np.flatnonzero(np.isfinite(rest))
        if len(held) < _SMOOTH + 2:
            continue
        out[i, held] = rest[held] - median_filter(rest[held], size=_SMOOTH, mode="nearest")
    return out, count


def _bumps(
    c: _Course, rest: Array, count: NDArray[np.intp], least_share: float, texture_sd: float
) -> list[tuple[int, float]]:
    """Places and heights of the bumps that count, largest first, two places apart at least."""
    share = (np.arange(_FINE) + 0.5) / _FINE
    place = np.clip(((c.begins[:, None] + share * c.way[:, None]) * _PLACES).astype(np.intp), 0, _PLACES - 1)
    weight = np.where(np.isfinite(rest), count, 0).astype(float)

    def pooled(rows: NDArray[np.bool_]) -> tuple[Array, Array]:
        total = np.bincount(
            place[rows].ravel(), weights=(weight * np.nan_to_num(rest))[rows].ravel(), minlength=_PLACES
        )
        n = np.bincount(place[rows].ravel(), weights=weight[rows].ravel(), minlength=_PLACES)
        return np.asarray(np.divide(total, n, out=np.full(_PLACES, np.nan), where=n > 0)), np.asarray(n, dtype=float)

    mean, n = pooled(np.ones(len(rest), dtype=bool))
    if not np.isfinite(mean).any():
        return []
    texture = 1.4826 * windows.middle(np.abs(mean - windows.middle(mean)))
    floor = max(least_share * c.scale, texture_sd * texture)
    least = np.maximum(floor, _SE * c.noise * np.sqrt(2 / np.maximum(n, 1)))
    with np.errstate(invalid="ignore"):
        hit = (mean > least) & (n >= 10)
        for ways in (c.way > 0, c.way < 0):
            one = pooled(np.asarray(ways))[0]
            hit &= ~(one < 0.3 * mean)  # where both directions pass the place, both must show it
    out: list[tuple[int, float]] = []
    for p in sorted(np.flatnonzero(hit), key=lambda q: -mean[q]):
        if all(abs(p - q) > 2 for q, _ in out):
            out.append((int(p), float(mean[p])))
    return out


# --- binding ----------------------------------------------------------------------------------------------------------


def _binding(c: _Course, cycles: Cycles) -> list[Event]:
    """Rise of current towards an end, against the other end or against the beginning of the log."""
    blocks = _blocks(c, len(cycles))
    events = []
    for end, name in ((HIGH, "high"), (LOW, "low")):
        rises = [_rise(c, chosen, end) for chosen in blocks]
        others = [_rise(c, chosen, -end) for chosen in blocks]
        against = [(a[0] - b[0], np.hypot(a[1], b[1])) for a, b in zip(rises, others, strict=True)]
        grown = [(a[0] - rises[1][0], np.hypot(a[1], rises[1][1])) for a in rises[2:]] if len(rises) > 2 else []
        since = _first(c, blocks, against, 0) if against else None
        late = _first(c, blocks, grown, 2)
        sizes = [x for x, _ in against + grown if np.isfinite(x)]
        if since is None and late is None:
            continue
        first = min(x for x in (since, late) if x is not None)
        events.append(
            Event(
                kind="binding", quantity="moving_current_a", cycle=int(cycles.number[first]), size=float(max(sizes)),
                unit="A", text=f"current rises towards the {name} end",
            )
        )  # fmt: skip
    return events


def _first(c: _Course, blocks: list[NDArray[np.bool_]], rises: list[tuple[float, float]], offset: int) -> int | None:
    """First cycle of the first block whose rise counts."""
    for (rise, u), chosen in zip(rises, blocks[offset:], strict=True):
        if np.isfinite(rise) and rise > max(_BINDING_SHARE * c.scale, c.noise, _SE * u):
            return int(c.cycle[chosen].min())
    return None


def _rise(c: _Course, chosen: NDArray[np.bool_], end: int) -> tuple[float, float]:
    """Current late in the strokes towards an end minus that early in them, and its standard uncertainty."""
    towards = chosen & (c.kind % 10 == end % 10)
    parts = [c.current[towards & (c.done >= a) & (c.done <= b)] for a, b in (_EARLY, _LATE)]
    if min(len(p) for p in parts) < 10:
        return np.nan, np.nan
    u = c.noise * np.sqrt(sum(1 / len(p) for p in parts))
    return float(parts[1].mean() - parts[0].mean()), float(u)
