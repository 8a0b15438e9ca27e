"""A damaged tooth: a spike of current at one angle, in both directions, above the texture that every gear has.

Current along the strokes = a course that strokes of one length have in common (inrush, braking) + a level for each kind
of stroke + a tilt over the angle + a texture that is periodic in the angle (gear mesh, eccentric gears; its period is
found, not known) + the spike. All but period, angle and width enter linearly; those are searched. A spike counts only
if it explains far more than chance would: random differences from tooth to tooth then count as what they are, scatter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.servo.course import Cells, Course
from benchlab.servo.texture import mesh_periods, orthonormal, sound_columns, texture_columns
from benchlab.servo.windows import Array

_WIDTHS_DEG = (1.5, 2.5)
"""Standard widths of a spike: about a tooth of the last gears of a servo."""
_GRID_DEG = 1.0
_CERTAIN, _CERTAIN_GROWN = 10.0, 6.0
"""Student's t that a spike must reach, the best of all angles and periods having been picked; the second where no
texture is in the way. Sound gears whose teeth differ by 2 % reach 7.5 (45 simulated), a tooth of 3x noise 20."""
_SPARE = 12
"""Cells more than unknowns, at least: with fewer a wrong period of the texture fits as well."""
TOO_FEW = "the strokes have too few places with current readings to tell faults from the texture of the gears"
_MOST = 4
_SEEN = 0.3
"""A spike at an angle can be seen if the cells show this share of what they would if they lay dense."""
_BOTH_SEEN = 0.15
"""Each direction must have a sample where the spike still has this share of its height."""
_WAY_SHARE = 0.3
"""Each direction that passes the angle must show this share of the spike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spike:
    """One spike."""

    angle_deg: float
    height_a: float
    t: float


def find_spikes(c: Course, cells: Cells, *, least_a: float, textured: bool) -> tuple[list[Spike], str | None]:
    """Return the spikes of at least ``least_a``, largest first; or why the cells cannot show any.

    ``textured``: False for the difference of two profiles, in which the texture of the gears is gone.
    """
    if len(cells.mean) < _SPARE:
        return [], TOO_FEW
    base = sound_columns(c, cells)
    periods = mesh_periods(c) if textured else np.zeros(0)
    unknowns = base.shape[1] + (4 if textured else 0) + 3
    if len(cells.mean) < unknowns + _SPARE:
        return [], TOO_FEW
    grid, spikes = _candidates(cells)
    weight = np.sqrt(cells.count / (cells.count + 10.0))
    y, spikes_w = weight * cells.mean, weight[:, None] * spikes
    certain = _CERTAIN if textured else _CERTAIN_GROWN
    found: list[Spike] = []
    for _ in range(_MOST):
        spike = _best(c, cells, weight, base, periods, y, spikes_w, grid)
        if spike is None or spike[0].height_a < least_a or spike[0].t < certain:
            break
        if not _both_ways(c, cells, weight, spike[1], y, spikes_w[:, spike[2]], spike[0].height_a):
            break
        found.append(spike[0])
        base = np.column_stack([base, spikes[:, spike[2]]])
    return found, None


def _candidates(cells: Cells) -> tuple[Array, Array]:
    """Angle and shape of every spike that the cells could show. Shapes (spikes,), (cells, spikes)."""
    angle = np.arange(np.floor(cells.angle_deg.min()), np.ceil(cells.angle_deg.max()) + _GRID_DEG, _GRID_DEG)
    shapes = [np.exp(-0.5 * ((cells.angle_deg[:, None] - angle) / w) ** 2) for w in _WIDTHS_DEG]
    spikes, at = np.hstack(shapes), np.tile(angle, len(shapes))
    shown = spikes.max(axis=0) > 0.5
    return at[shown], spikes[:, shown]


def _best(
    c: Course, cells: Cells, weight: Array, base: Array, periods: Array, y: Array, spikes: Array, grid: Array
) -> tuple[Spike, Array, int] | None:
    """Spike that explains most, whatever the period of the texture; its model without it; its number."""
    designs = [np.hstack([base, texture_columns(cells, p)]) for p in periods] or [base]
    without, best = np.inf, (np.inf, 0.0, 0, 0)
    for i, design in enumerate(designs):
        q = orthonormal(weight[:, None] * design)
        rest, left = y - q @ (q.T @ y), spikes - q @ (q.T @ spikes)
        rss = float(rest @ rest)
        without = min(without, rss)
        across, square = left.T @ rest, np.einsum("ij,ij->j", left, left)
        # a spike that the rest of the model imitates cannot be seen
        seen = (square > _SEEN * np.einsum("ij,ij->j", spikes, spikes)) & (across > 0)
        if not seen.any():
            continue
        gain = np.where(seen, across**2 / np.maximum(square, 1e-300), 0.0)
        j = int(gain.argmax())
        if rss - gain[j] < best[0]:
            best = (rss - float(gain[j]), float(across[j] / square[j]), i, j)
    rss, height, i, j = best
    if not np.isfinite(rss):
        return None
    dof = len(y) - designs[i].shape[1] - (3 if len(periods) else 2)
    # not better than the noise of the readings allows
    variance = max(rss / dof, float(np.median(weight**2 * c.noise**2 / cells.count)))
    t = float(np.sqrt(max(without - rss, 0.0) / variance))
    return Spike(angle_deg=float(grid[j]), height_a=height, t=t), designs[i], j


def _both_ways(c: Course, cells: Cells, weight: Array, design: Array, y: Array, spike: Array, height: float) -> bool:
    """Whether no direction that passes the angle with samples contradicts the spike."""
    up: NDArray[np.bool_] = c.way_deg[cells.kind] > 0
    ways = np.column_stack([np.where(up, spike, 0.0), np.where(up, 0.0, spike)])
    if (ways.max(axis=0) < _BOTH_SEEN * weight.max()).any():
        return False  # seen in one direction alone: not a tooth, or not to be told
    q = orthonormal(weight[:, None] * design)
    rest, left = y - q @ (q.T @ y), ways - q @ (q.T @ ways)
    each, rss = np.linalg.lstsq(left, rest, rcond=None)[:2]
    sd = float(np.sqrt(rss[0] / max(len(y) - q.shape[1] - 2, 1))) if len(rss) else np.inf
    se = sd * np.sqrt(np.diag(np.linalg.pinv(left.T @ left)))
    return bool((each + 2 * se > _WAY_SHARE * height).all())
