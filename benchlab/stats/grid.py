"""Values on a grid (a coarse instrument): how wide its steps are, and what cannot be seen between them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlab.stats.uncertainty import from_resolution

Array = NDArray[np.float64]

_RECURRING = 3
"""How often a value must come back to be a level of the grid."""
_FEW_CHANGES = 4


def grid_step(y: Array) -> float:
    """Smallest distance between recurring values where most values recur; else 0 (not on a grid that matters)."""
    rounding = 1e-9 * float(np.ptp(y)) or 1.0
    levels, counts = np.unique(np.rint((y - y.min()) / rounding), return_counts=True)
    often = counts >= _RECURRING
    on_grid = often.sum() > 1 and 2 * counts[often].sum() > len(y)
    return float(np.diff(levels[often]).min()) * rounding if on_grid else 0.0


def least_step(y: Array, step: float) -> float:
    """Size that a lasting change of values on a grid must exceed to be more than the grid's own staircase; else 0.

    The grid's ``step`` (see :func:`grid_step`) where the values go to and fro on it; where they hardly ever change it
    cannot be told from a step of the quantity, and the last decimal that the values have stands in for it.
    """
    if step == 0.0 or np.count_nonzero(np.diff(y)) > _FEW_CHANGES:
        return step
    decimals = 10.0 ** np.arange(3, -10, -1)
    whole = [np.abs(y / d - np.rint(y / d)).max() < 1e-6 for d in decimals]
    return min(step, float(decimals[whole.index(True)])) if any(whole) else 0.0


def grid_uncertainty(columns: Array, functions: Array, step: float, sigma: float) -> Array:
    """Standard uncertainty (F,) of linear functions of a fit from what the grid's steps hide.

    A value is wrong by up to half a step, its neighbours by nearly as much: taken for the same error with the sign
    that does most harm, so ``step / sqrt(12)`` counts with the sum of the weights' magnitudes. Noise that carries the
    values over the steps shrinks it as ``exp(-2 pi^2 (noise / step)^2)`` (B. Widrow and I. Kollar, Quantization Noise,
    2008); of the values' scatter, half a step may be nothing but going to and fro between two levels.

    Parameters
    ----------
    columns
        (n, p) columns of the fit.
    functions
        (F, p) coefficients of the functions on the fit's parameters.
    sigma
        Standard deviation of the values about the fit, the grid's own included.
    """
    length = np.linalg.norm(columns, axis=0)
    weights = (functions / length) @ np.linalg.pinv(columns / length)
    noise = math.sqrt(max(min(sigma / step, 10.0) ** 2 - 1 / 4, 0.0))  # at 10 steps nothing is left of it
    hidden = from_resolution(step) * math.exp(-2 * (math.pi * noise) ** 2)
    return np.asarray(hidden * np.abs(weights).sum(axis=1), dtype=float)
