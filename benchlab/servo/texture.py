"""What the current along the strokes of a sound servo looks like: columns of a linear model over its cells."""

from __future__ import annotations

import numpy as np

from benchlab.servo.course import Cells, Course
from benchlab.servo.windows import Array

_DEGREE = 5
"""Of the polynomial that follows the course which strokes of one length have in common (inrush, braking)."""
_PERIODS_DEG = (3.0, 60.0)
"""A gear mesh or an eccentric gear repeats within these."""


def sound_columns(c: Course, cells: Cells, *, tilted: bool = True) -> Array:
    """Columns that every sound servo may need, texture apart. Shape (cells, unknowns).

    ``tilted``: a friction that changes evenly over the angle, and with its square.
    """
    length = np.abs(c.way_deg)
    # kinds of stroke of nearly one length share one course
    order = np.argsort(length)
    group = np.empty(len(length), dtype=np.intp)
    group[order] = np.cumsum(np.diff(length[order], prepend=length[order[0]]) > 0.2 * length[order])
    x = 2 * cells.done - 1
    columns = [
        np.where(group[cells.kind] == g, x**d, 0.0) for g in range(group.max() + 1) for d in range(1, _DEGREE + 1)
    ]
    columns += [(cells.kind == k).astype(float) for k in range(len(length))]
    tilt = (cells.angle_deg - cells.angle_deg.mean()) / max(np.ptp(cells.angle_deg), 1.0)
    if tilted and len(length) > 1:
        columns += [tilt, tilt**2]
    return np.column_stack(columns)


def mesh_periods(c: Course) -> Array:
    """Periods of the texture (deg) that are worth trying, close enough for none to be missed between two."""
    span = float(np.abs(c.way_deg).max() * 2)
    low, high = _PERIODS_DEG
    return np.asarray(1 / np.arange(1 / high, 1 / low, 0.3 / span))


def texture_columns(cells: Cells, period: float) -> Array:
    """Texture of one period over the angle, with its second harmonic. Shape (cells, 4)."""
    phase = 2 * np.pi * cells.angle_deg / period
    return np.column_stack([np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)])


def orthonormal(a: Array) -> Array:
    """Orthonormal basis of the columns, dependent ones left out."""
    u, s, _ = np.linalg.svd(a, full_matrices=False)
    return np.asarray(u[:, s > 1e-8 * s[0]])
