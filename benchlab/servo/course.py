"""Current along the strokes: samples taken while moving, by kind of stroke and share of it done, averaged in cells."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchlab.servo import windows
from benchlab.servo.quantities import Measured
from benchlab.servo.strokes import Strokes
from benchlab.servo.sweep import Kept
from benchlab.servo.windows import Array

_CELL_DEG = 1.5
"""Width of a cell: about that of a tooth's spike."""
INNER = (0.15, 0.95)
"""Share of a stroke that is looked at: before it the inrush is too steep, after it the servo brakes."""
_COARSE = 24
_CLIP = 10.0
_SAME_WAY = 0.02
"""Strokes whose length differs by more than this share from the usual (stalled, changed amplitude) are left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Samples taken while moving; and the kinds of stroke that they belong to."""

    current: Array
    done: Array
    """Share of the stroke done."""
    kind: NDArray[np.intp]
    """Index of the kind of stroke (into the arrays below)."""
    cycle: NDArray[np.intp]
    cycles: NDArray[np.intp]
    """Cycles that have such strokes, in order; of a long log the samples are those of some of them."""
    begins_deg: Array
    way_deg: Array
    """Signed length of each kind of stroke."""
    goes: NDArray[np.intp]
    """Where each kind of stroke goes: LOW, NEUTRAL, HIGH, BETWEEN."""
    noise: float
    """Standard deviation of a single reading about the mean course."""
    scale: float
    """Usual moving current."""
    per_stroke: float
    """Usual number of samples in a stroke."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Mean current in cells of a stroke's way, all kinds of stroke one after another. Shape (cells,)."""

    cell: NDArray[np.intp]
    """Number of the cell, the same whatever samples are averaged."""
    kind: NDArray[np.intp]
    done: Array
    angle_deg: Array
    mean: Array
    count: Array


def course(s: Strokes, samples: Kept, measured: Measured) -> Course | None:
    """Collect the samples of the usual strokes; None where there are none."""
    travel = windows.middle(measured.cycles["travel_deg"].to_numpy())
    way = s.way_deg
    used = np.zeros(len(way), dtype=bool)
    kinds = []
    for k in np.unique(s.kind[s.kind >= 0]):
        of_kind = s.kind == k
        usual = windows.middle(way[of_kind])
        if not abs(usual) >= 0.2 * travel:
            continue
        kinds.append(int(k))
        used |= of_kind & (np.abs(way - usual) < _SAME_WAY * abs(usual))
    chosen = used[samples.stroke] & np.isfinite(samples.current)
    if not chosen.any():
        return None
    stroke, position, current = samples.stroke[chosen], samples.position[chosen], samples.current[chosen]
    per_stroke = np.bincount(stroke, minlength=len(way))
    kind = np.searchsorted(kinds, s.kind[stroke])
    done = (position - s.from_deg[stroke]) / way[stroke]
    cell = kind * _COARSE + np.clip((done * _COARSE).astype(np.intp), 0, _COARSE - 1)
    residual = current - windows.group_median(current, cell, len(kinds) * _COARSE)[cell]
    noise = 1.4826 * float(np.median(windows.ascending(np.abs(residual))))
    # a single wrong reading must not lift the mean of its place
    kept = np.abs(residual) <= np.maximum(_CLIP * noise, 0.5 * np.median(current))
    of_kind = [used & (s.kind == k) for k in kinds]
    return Course(
        current=current[kept], done=done[kept], kind=kind[kept], cycle=s.dwells.cycle[stroke][kept],
        cycles=np.unique(s.dwells.cycle[used & (s.moving_n > 0)]),
        begins_deg=np.array([windows.middle(s.from_deg[m]) for m in of_kind]),
        way_deg=np.array([windows.middle(way[m]) for m in of_kind]),
        goes=np.array([int(np.median(s.dwells.kind[m])) for m in of_kind], dtype=np.intp),
        noise=noise, scale=float(np.median(current)), per_stroke=float(np.median(per_stroke[per_stroke > 0])),
    )  # fmt: skip


def cells_of(c: Course, chosen: NDArray[np.bool_]) -> Cells:
    """Average the chosen samples in cells; cells that few strokes leave a sample in are those of odd strokes."""
    number = np.maximum(np.ceil(np.abs(c.way_deg) / _CELL_DEG).astype(np.intp), 8)
    first = np.concatenate([[0], np.cumsum(number)])
    inside = chosen & (c.done >= INNER[0]) & (c.done < INNER[1])
    kind, done = c.kind[inside], c.done[inside]
    cell = first[kind] + (done * number[kind]).astype(np.intp)
    n = int(first[-1])
    count = np.bincount(cell, minlength=n).astype(float)
    place = windows.group_mean(done, cell, n)
    mean = windows.group_mean(c.current[inside], cell, n)
    of_kind = np.repeat(np.arange(len(number)), number)
    most = np.array([count[a:b].max() for a, b in pairwise(first.tolist())])
    held = (count >= 0.1 * most[of_kind]) & (count > 0)
    of_kind, place = of_kind[held], place[held]
    angle = c.begins_deg[of_kind] + place * c.way_deg[of_kind]
    return Cells(
        cell=np.flatnonzero(held), kind=of_kind, done=place, angle_deg=angle, mean=mean[held], count=count[held],
    )  # fmt: skip
