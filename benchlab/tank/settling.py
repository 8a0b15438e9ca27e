"""What is known beforehand of a tank's settling: which courses in time are expected, how large, how sure.

Settling is the sum of a quick part (the gas cools after filling: an exponential) and of a slow one (the wall creeps: a
stretched exponential, for a wall seldom has a single relaxation time). Neither size nor course is known; here stand the
laws they are drawn from, so far as one can say before the log is seen. Some walls are stiff, and some tanks have cooled
already.

``benchlab.tank.shapes`` averages over these courses. For a settling that follows none of them, mean and covariance of
the sizes on a fixed set of courses are given too, of which a tank may show any mixture.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma, ndtr

Array = NDArray[np.float64]

QUICK_S = (15.0, 600.0)
"""Range of the time constant of gas cooling (litre-sized tanks; common practice, no source)."""
_TYPICAL_QUICK_S, _QUICK_SPREAD = 95.0, 0.9
"""Middle and spread (of its logarithm) within that range (starting values of this project)."""
SLOW_S = (600.0, 7200.0)
"""Range of the time constant of wall creep, every part of it as likely (common practice, no source)."""
STRETCH = (0.6, 1.0)
"""Range of the exponent of the creep (polymers creep with 0.3 to 1, the low ones over far longer times than a hold)."""
_STRETCH_BELOW, _SINGLE_SHARE = 0.12, 0.2
"""How far the exponent falls below 1 (half normal), and the share of walls that have a single relaxation time after all
(starting values of this project)."""
_STIFF_SHARE, _STIFF = 0.2, 0.1
"""This share of tanks settles only so much of what the others do."""
RECOVERS, _RECOVERS_U = 0.75, 0.15
"""Share of its creep that a wall creeps back when the load is taken off, and its deviation: between a half and all
(the delayed elastic part of creep comes back, the flow does not; starting values of this project)."""
_AGES = 60
_QUICK_NODES, _SLOW_NODES, _STRETCH_NODES = 16, 14, (0.7, 0.8, 0.9, 1.0)
_LATE, _LATE_U = 0.5, 0.5
"""Mean and deviation of ``LATE`` below."""
LATE = (0.0, 1.0)
"""How far the gas comes after the thermometer: not at all if that is in the gas, wholly if it is beside the tank."""


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
    old_share: float = 0.0
    old_share_u: float = 0.0
    """What the wall had crept before, some of which it creeps back too as the pressure falls."""
    fresh: bool = True
    """False after an earlier hold: what is left of its creep mixes in, so that no single course is followed."""


def quick_course(time_s: Array, tau_s: Array) -> Array:
    """Courses (times, taus) of the quick part, from 1 at sealing to 0."""
    return np.asarray(np.exp(-time_s[:, None] / tau_s))


def slow_course(time_s: Array, tau_s: Array, stretch: Array) -> Array:
    """Courses (times, taus) of the slow part, from 1 at sealing to 0."""
    return np.asarray(np.exp(-((time_s[:, None] / tau_s) ** stretch)))


def crept_back(time_s: Array, gauge_kpa: Array, tau_s: Array, stretch: Array) -> Array:
    """What the wall creeps back as the pressure falls, in units of the slow part (times, taus); 0 at sealing.

    A wall follows every change of its load as it follows the first (Boltzmann's superposition, the law of linear
    viscoelasticity): the smaller volume keeps up the pressure. ``gauge_kpa`` (times,) is the load as it was measured.
    """
    nodes, weight = _load_history(*(np.asarray(x, dtype=float).tobytes() for x in (time_s, gauge_kpa)))
    return np.asarray(weight @ (1 - slow_course(nodes, tau_s, stretch)))


@functools.lru_cache(maxsize=4)  # one log's is asked for by every grid of its fit
def _load_history(time_s: bytes, gauge_kpa: bytes) -> tuple[Array, Array]:
    """Ages (n,) and how much of the load is how old at every time (times, n)."""
    time, gauge = np.frombuffer(time_s), np.frombuffer(gauge_kpa)
    changed_at = (time[1:] + time[:-1]) / 2
    fall = -np.diff(gauge) / gauge[0]
    age = np.maximum(time[:, None] - changed_at, 0.0)
    # every course is needed at the same ages: it is drawn at few, and the lines between them are shared by all
    nodes = np.append(0.0, np.geomspace(5.0, max(float(time[-1] - time[0]), 10.0), _AGES))
    right = np.clip(np.searchsorted(nodes, age), 1, _AGES)
    part = (age - nodes[right - 1]) / (nodes[right] - nodes[right - 1])
    row = np.arange(len(time))[:, None]
    weight = np.zeros((len(time), _AGES + 1))
    np.add.at(weight, (row, right - 1), fall * (1 - part))
    np.add.at(weight, (row, right), fall * part)
    return nodes, weight


def recovers_u(size: float) -> float:
    """Standard uncertainty of what a slow part of this size (kPa) creeps back."""
    return max(_RECOVERS_U * abs(size), 1e-9)


def bent(course: Array, share: float) -> Array:
    """Course in the logarithm of the gas's temperature or volume, which itself settles by ``share`` along ``course``.

    The pressure is fitted in logarithms: what settles by a few per cent there has a slightly different course.
    """
    whole = np.expm1(share)
    return course if abs(whole) < 1e-9 else np.asarray(np.log1p(whole * course) / np.log1p(whole))


def lasting_s(tau_s: Array, stretch: Array | float, rate: Array | float) -> Array:
    """Integral (s) over all time of a course times ``exp(rate t)``, to first order in the rate (1/s)."""
    inverse = 1 / np.asarray(stretch)
    return np.asarray(tau_s * gamma(1 + inverse) + rate * tau_s**2 * gamma(1 + 2 * inverse) / 2)


def log_quick_density(log_tau: Array) -> Array:
    """Log prior density over the logarithm of the quick part's time constant, within ``QUICK_S``."""
    ends = (np.log(QUICK_S) - np.log(_TYPICAL_QUICK_S)) / _QUICK_SPREAD
    whole = _QUICK_SPREAD * np.sqrt(2 * np.pi) * float(np.diff(ndtr(ends))[0])
    return np.asarray(-0.5 * ((log_tau - np.log(_TYPICAL_QUICK_S)) / _QUICK_SPREAD) ** 2 - np.log(whole))


def log_slow_density(stretch: Array) -> Array:
    """Log prior density of stretched creep over the logarithm of its time constant (even) and its exponent."""
    reach = (STRETCH[1] - STRETCH[0]) / _STRETCH_BELOW
    whole = np.ptp(np.log(SLOW_S)) * _STRETCH_BELOW * np.sqrt(2 * np.pi) * (float(ndtr(reach)) - 0.5)
    return np.asarray(np.log((1 - _SINGLE_SHARE) / whole) - 0.5 * ((1 - stretch) / _STRETCH_BELOW) ** 2)


def log_single_density() -> float:
    """Log prior density of a single relaxation time over its logarithm."""
    return float(np.log(_SINGLE_SHARE / np.ptp(np.log(SLOW_S))))


def kinds() -> tuple[Array, Array]:
    """Shares of ordinary tanks and of such as settle little, and what the sizes of either are multiplied by."""
    return np.array([1 - _STIFF_SHARE, _STIFF_SHARE]), np.array([1.0, _STIFF])


@functools.cache
def lag_times() -> Array:
    """Time constants (s) of the quick part on its fixed nodes, shape (quick,)."""
    return np.asarray(np.geomspace(*QUICK_S, _QUICK_NODES))


@functools.cache
def _creeps() -> tuple[Array, Array]:
    """Time constants and exponents of the slow part on its fixed nodes, shape (slow,) each."""
    tau, stretch = np.meshgrid(np.geomspace(*SLOW_S, _SLOW_NODES), _STRETCH_NODES, indexing="ij")
    return tau.ravel(), stretch.ravel()


def courses(time_s: Array, gauge_kpa: Array | None = None) -> tuple[Array, Array]:
    """Courses of the quick (times, quick) and of the slow part (times, slow) on the fixed nodes.

    With ``gauge_kpa`` (times,) the wall creeps back as that falls.
    """
    slow = slow_course(time_s, *_creeps())
    if gauge_kpa is not None:
        slow = slow + RECOVERS * crept_back(time_s, gauge_kpa, *_creeps())
    return quick_course(time_s, lag_times()), slow


def typical_creep() -> tuple[float, float]:
    """Time constant (s) and exponent of a creep in the middle of what is thought possible."""
    return float(np.sqrt(SLOW_S[0] * SLOW_S[1])), 1 - _STRETCH_BELOW


def durations(rate: float) -> Array:
    """``lasting_s`` of all courses on the fixed nodes, quick and slow, shape (quick + slow,)."""
    return np.concatenate([lasting_s(lag_times(), 1.0, rate), lasting_s(*_creeps(), rate)])


def sizes(settling: Settling, level_kpa: float) -> tuple[Array, Array]:
    """Mean and covariance of the size of quick (kPa), slow (kPa) and lag (1) on the fixed nodes, in this order."""
    level = abs(level_kpa)
    quick = np.exp(log_quick_density(np.log(lag_times())))
    quick = quick / quick.sum()
    k = len(_creeps()[0])
    slow = np.full(k, 1 / k)
    m_quick, s_quick = _stiff_or_soft(settling.quick_share * level, settling.quick_share_u * level)
    m_slow, s_slow = _stiff_or_soft(settling.slow_share * level, settling.slow_share_u * level)
    n = len(quick)
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
    share, factor = kinds()
    return mean * float(share @ factor), (mean**2 + sd**2) * float(share @ factor**2)


def _one_of(weight: Array, square: float, mean_square: float) -> Array:
    """Covariance over nodes of which a tank shows just one, with probability ``weight``."""
    return np.asarray(square * np.diag(weight) - mean_square * np.outer(weight, weight))
