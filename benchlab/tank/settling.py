"""What is known beforehand of a tank's settling: which courses in time are expected, how large, how sure.

Settling is the sum of a quick part (the gas cools after filling) and of a slow one (the wall creeps, as a stretched
exponential: a wall has no single relaxation time). Neither size nor shape is known. The shapes thought possible are
laid on nodes; a tank shows one of them. Some walls are soft, some stiff, and some tanks have cooled already. From
that follow mean and covariance of the size at every node, and these alone are used: a linear estimate built on them
has, over all tanks of this kind together, the standard error that it states.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma

Array = NDArray[np.float64]

QUICK_S = (15.0, 600.0)
"""Range of the time constant of gas cooling (litre-sized tanks; common practice, no source)."""
_TYPICAL_QUICK_S, _QUICK_SPREAD = 95.0, 0.9
"""Middle and spread (of its logarithm) within that range (starting values of this project)."""
SLOW_S = (600.0, 7200.0)
"""Range of the time constant of wall creep, every part of it as likely (common practice, no source)."""
STRETCH = (0.7, 0.8, 0.9, 1.0)
"""Exponents of the creep that are thought as likely (polymers creep with 0.3 to 1; starting values of this project)."""
_STIFF_SHARE, _STIFF = 0.2, 0.1
"""This share of tanks settles only so much of what the others do."""
_LATE, _LATE_U = 0.5, 0.5
"""How far the gas comes after the thermometer: not at all if that is in the gas, wholly if it is beside the tank."""
_QUICK_NODES, _SLOW_NODES = 16, 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """Mean and standard deviation of the parts of the settling, as shares of the start pressure."""

    quick_share: float
    quick_share_u: float
    slow_share: float
    slow_share_u: float
    give: float
    give_u: float
    """Share by which a wall that gives way elastically makes the pressure answer less: p_abs / V dV/dp."""


def lag_times() -> Array:
    """Time constants (s) of the quick part, shape (quick,)."""
    return np.asarray(np.geomspace(*QUICK_S, _QUICK_NODES))


def _quick_weights() -> Array:
    far = np.log(lag_times() / _TYPICAL_QUICK_S) / _QUICK_SPREAD
    w = np.exp(-0.5 * far**2)
    return np.asarray(w / w.sum())


def _creeps() -> tuple[Array, Array]:
    """Time constants and exponents of the slow part, shape (slow,) each."""
    tau, stretch = np.meshgrid(np.geomspace(*SLOW_S, _SLOW_NODES), STRETCH, indexing="ij")
    return tau.ravel(), stretch.ravel()


def courses(time_s: Array) -> tuple[Array, Array]:
    """Courses of the quick (times, quick) and of the slow part (times, slow), from 1 at sealing to 0."""
    tau, stretch = _creeps()
    t = time_s[:, None]
    return np.exp(-t / lag_times()), np.exp(-((t / tau) ** stretch))


def durations() -> tuple[Array, Array]:
    """Integrals of the courses over all time (s): tau, and tau / stretch Gamma(1 / stretch)."""
    tau, stretch = _creeps()
    return lag_times(), np.asarray(tau / stretch * gamma(1 / stretch))


def sizes(settling: Settling, level_kpa: float) -> tuple[Array, Array]:
    """Prior mean and covariance of the size of quick (kPa), slow (kPa) and lag (1) at their nodes, in this order."""
    level = abs(level_kpa)
    quick, slow = _quick_weights(), np.full(_SLOW_NODES * len(STRETCH), 1 / (_SLOW_NODES * len(STRETCH)))
    m_quick, s_quick = _stiff_or_soft(settling.quick_share * level, settling.quick_share_u * level)
    m_slow, s_slow = _stiff_or_soft(settling.slow_share * level, settling.slow_share_u * level)
    n, k = len(quick), len(slow)
    covariance = np.zeros((2 * n + k, 2 * n + k))
    at_quick, at_slow, at_lag = slice(0, n), slice(n, n + k), slice(n + k, 2 * n + k)
    covariance[at_quick, at_quick] = _one_of(quick, s_quick, m_quick * m_quick)
    covariance[at_slow, at_slow] = _one_of(slow, s_slow, m_slow * m_slow)
    covariance[at_lag, at_lag] = _one_of(quick, _LATE**2 + _LATE_U**2, _LATE**2)
    # the gas cools and comes after the thermometer with one and the same time constant
    covariance[at_quick, at_lag] = covariance[at_lag, at_quick] = _one_of(quick, m_quick * _LATE, m_quick * _LATE)
    return np.concatenate([m_quick * quick, m_slow * slow, _LATE * quick]), covariance


def _stiff_or_soft(mean: float, sd: float) -> tuple[float, float]:
    """Mean and mean square of a size over soft and stiff tanks."""
    soft = 1 - _STIFF_SHARE
    return mean * (soft + _STIFF_SHARE * _STIFF), (mean**2 + sd**2) * (soft + _STIFF_SHARE * _STIFF**2)


def _one_of(weight: Array, square: float, mean_square: float) -> Array:
    """Covariance over nodes of which a tank shows just one, with probability ``weight``."""
    return np.asarray(square * np.diag(weight) - mean_square * np.outer(weight, weight))
