"""Binding: current that rises towards an end of the travel, whichever way the servo passes there.

The same model as for teeth (course in common, level of each kind of stroke, texture of the gears) with, instead of a
spike, a rise over the outer part of the travel. An eccentric gear of long period changes the current much like a rise
does: how strong sound gears may be is stated beforehand (a normal prior on its amplitude), and stands in the
uncertainty of the rise. Where the command jumps from end to end, equal rises at both ends look like the course that all
strokes have in common: they cannot be told, and only what one end has more than the other is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchlab.servo.course import Cells, Course
from benchlab.servo.texture import mesh_periods, orthonormal, sound_columns, texture_columns
from benchlab.servo.tooth import TOO_FEW
from benchlab.servo.windows import Array

_FROM = 0.4
"""Share of the way from the middle to an end at which a rise begins."""
_ECCENTRIC = (0.7, 1.2)
"""Periods of eccentric gears, in shares of the travel: the longest that a rise could be taken for."""
_CERTAIN = 4.0
"""Standard uncertainties: of two ends and both, a sound servo is called binding once in 10 000."""
_SPARE = 14
"""Cells more than unknowns, at least: with fewer a wrong period of the texture fits as well."""
_SEEN = 0.02
"""Share of a rise that must be left when the rest of the model has explained what it can of it."""
_ENDS = (("high",), ("low",), ("high", "low"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """How much more current an end takes than the middle."""

    ends: tuple[str, ...]
    height_a: float
    u_a: float


def find_rise(c: Course, cells: Cells, *, least_a: float, eccentric_a: float) -> tuple[Rise | None, str | None]:
    """Return the rise of at least ``least_a`` that is the most certain, if any; or why the cells cannot show one.

    ``eccentric_a``: standard deviation of the amplitude of eccentric gears; 0 for the difference of two profiles, in
    which the texture of the gears is gone.
    """
    textured = eccentric_a > 0
    if len(cells.mean) < _SPARE:
        return None, TOO_FEW
    base = sound_columns(c, cells, tilted=False)
    if len(cells.mean) < base.shape[1] + (4 if textured else 0) + 1 + _SPARE:
        return None, TOO_FEW
    low, high = _ends(c)
    share = (cells.angle_deg - (low + high) / 2) / ((high - low) / 2)
    weight = np.sqrt(cells.count / (cells.count + 10.0))
    y = weight * cells.mean
    rises = {end: np.clip((sign * share - _FROM) / (1 - _FROM), 0, 1) for end, sign in (("high", 1), ("low", -1))}
    gears = (
        np.hstack([texture_columns(cells, p * (high - low))[:, :2] for p in _ECCENTRIC]) if textured else base[:, :0]
    )
    beside = np.column_stack([gears, *rises.values()])
    if textured:
        base = _meshed(c, cells, base, beside, weight, high - low)
    sd = _scatter(c, cells, weight, np.hstack([base, beside]), y)
    # prior knowledge enters as readings of 0 with their own standard deviation: two gears, two phases each
    known = np.eye(gears.shape[1]) * (2 * sd / eccentric_a if textured else 0.0)
    model = np.vstack([
        weight[:, None] * np.hstack([base, gears]), np.hstack([np.zeros((len(known), base.shape[1])), known]),
    ])  # fmt: skip
    q, target = orthonormal(model), np.concatenate([y, np.zeros(len(known))])
    rest = target - q @ (q.T @ target)
    found = []
    for ends in _ENDS if _turns_inside(c) else _ENDS[:2]:
        column = np.concatenate([weight * sum(rises[end] for end in ends), np.zeros(len(known))])
        left = column - q @ (q.T @ column)
        size = float(np.linalg.norm(left))
        if size < _SEEN * float(np.linalg.norm(column)):
            continue
        rise = Rise(ends=ends, height_a=float(left @ rest) / size**2, u_a=sd / size)
        if rise.height_a >= least_a and rise.height_a > _CERTAIN * rise.u_a:
            found.append(rise)
    return max(found, key=lambda r: r.height_a / r.u_a, default=None), None


def _turns_inside(c: Course) -> bool:
    """Whether some strokes begin or end well inside the travel: only then do equal rises at both ends show."""
    low, high = _ends(c)
    share = (np.concatenate([c.begins_deg, c.begins_deg + c.way_deg]) - low) / (high - low)
    return bool((np.abs(share - 0.5) < 0.25).any())


def _ends(c: Course) -> tuple[float, float]:
    both = np.concatenate([c.begins_deg, c.begins_deg + c.way_deg])
    return float(both.min()), float(both.max())


def _meshed(c: Course, cells: Cells, base: Array, beside: Array, weight: Array, travel: float) -> Array:
    """Model with the mesh period that explains most of what neither gears of long period nor rises do."""
    y = weight * cells.mean

    def explained(x: Array) -> float:
        return float(((orthonormal(weight[:, None] * np.hstack([x, beside])).T @ y) ** 2).sum())

    meshed = [np.hstack([base, texture_columns(cells, p)]) for p in mesh_periods(c) if p < travel / 4]
    return max(meshed, key=explained) if meshed else base


def _scatter(c: Course, cells: Cells, weight: Array, model: Array, y: Array) -> float:
    """Standard deviation of a (weighted) cell about the model, not better than the noise of the readings allows."""
    q = orthonormal(weight[:, None] * model)
    rest = y - q @ (q.T @ y)
    variance = float(rest @ rest) / max(len(y) - q.shape[1], 1)
    return float(np.sqrt(max(variance, float(np.median(weight**2 * c.noise**2 / cells.count)))))
