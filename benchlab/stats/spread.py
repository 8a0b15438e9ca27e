"""Slow change of spread: whether single cycles scatter more at the end of a log than at its start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from benchlab.results import Estimate

Array = NDArray[np.float64]

_BLOCKS = 20
_FEWEST = 6
"""Values in a block below which the logarithm of their mean is too skewed for Student's t."""
_FALSE_ALARM = 0.0005
"""One-sided level of ``grows``, for a single series: with nine quantities below 1 % of the servos."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadChange:
    """Result of :func:`spread_change`."""

    ratio: Estimate
    """Spread at the last cycle over spread at the first, as a trend in log spread has it."""
    grows: bool
    """Whether a growth is proved beyond the chance of seeing one among many quantities."""


def spread_change(cycle: Array, residual: Array) -> SpreadChange | None:
    """Fit a straight line to the logarithm of the mean absolute residual of 20 blocks of successive cycles.

    The uncertainty comes from the scatter of the blocks about the line, so it holds for heavy-tailed noise, too, and
    for spread that wanders. None where the residuals are fewer than 120, or whole blocks do not vary at all.

    Parameters
    ----------
    cycle, residual
        (n,) cycle numbers in rising order and whitened residuals of a trend, without outliers.
    """
    if len(residual) < _BLOCKS * _FEWEST:
        return None
    size = _block_means(np.abs(residual - np.median(residual)))
    if size.min() <= 1e-9 * size.max():
        return None
    x = _block_means(cycle)
    x = (x - x.mean()) / (cycle[-1] - cycle[0])
    z = np.log(size)
    slope = float(x @ z / (x @ x))
    dof = _BLOCKS - 2.0
    left = z - z.mean() - slope * x
    u = float(np.sqrt(left @ left / dof / (x @ x)))
    half = float(stdtrit(dof, 0.975)) * u
    ratio = Estimate(
        value=float(np.exp(slope)), u=float(np.exp(slope) * u), lo=float(np.exp(slope - half)),
        hi=float(np.exp(slope + half)), unit="1", dof=dof,
    )  # fmt: skip
    return SpreadChange(ratio=ratio, grows=bool(slope > stdtrit(dof, 1 - _FALSE_ALARM) * u))


def _block_means(values: Array) -> Array:
    count, more = divmod(len(values), _BLOCKS)
    size = count + (np.arange(_BLOCKS) < more)
    return np.asarray(np.add.reduceat(values, np.cumsum(size) - size) / size, dtype=float)
