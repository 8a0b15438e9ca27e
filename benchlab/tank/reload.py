"""What of its settling a tank has still before it when it is filled again.

A wall creeps after every change of its pressure and all these creeps add up (Boltzmann's superposition, the law of
linear viscoelasticity): at a later sealing the first load has crept for as long as it is old, and only what was pumped
in anew creeps from its beginning. The gas is warmed only by what is pumped in. Which course the creep takes is not
known: mean and mean square of the share that is left are taken over all courses thought possible. What is left of an
old creep, and a wall that creeps back after the tank stood open, follow no single course: the fit then allows for a
deviation from every course (``Settling.fresh``). Simulated logs (tests/benchmarks/tank_refills.py) show that the
intervals are wide enough.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchlab.tank.settling import Settling, courses

Array = NDArray[np.float64]

_POINTS = 400
"""Points of the pressure's history: creep forgets what happened between them."""
_LEAST_U = 0.01
"""Share of the start pressure below which nothing is claimed to be known of a settling."""


def settling_left(first: Settling, time_s: Array, gauge_kpa: Array, sealed_s: float) -> Settling:
    """Prior of the settling of a hold that begins at ``sealed_s``, given the log's pressures (n,) up to there."""
    known = time_s <= sealed_s
    time, gauge = time_s[known], gauge_kpa[known]
    level = float(gauge[-1])
    left = creep_left(time, gauge)
    mean, square = float(np.mean(left)), float(np.mean(left**2))
    pumped = min(max((level - _lowest_since_falling(gauge)) / level, 0.0), 1.0)
    slow = first.slow_share * mean
    return replace(
        first, fresh=False,
        quick_share=first.quick_share * pumped, quick_share_u=max(first.quick_share_u * pumped, _LEAST_U),
        slow_share=slow,
        slow_share_u=max((first.slow_share**2 + first.slow_share_u**2) * square - slow**2, _LEAST_U**2) ** 0.5,
        old_share=first.slow_share - slow, old_share_u=first.slow_share_u * (1 - mean),
    )  # fmt: skip


def creep_left(time_s: Array, gauge_kpa: Array) -> Array:
    """Share of its whole creep that a wall has still before it at the last of these times, one for each slow course.

    1 for a pressure put on at once; near 0 where it has stood for long.
    """
    if len(time_s) > _POINTS:
        # every filling keeps its row: a change between two points of an even grid would be given the wrong age
        steep = np.argsort(-np.abs(np.diff(gauge_kpa)))[: _POINTS // 2]
        rows = np.unique(np.concatenate([np.linspace(0, len(time_s) - 1, _POINTS // 2).astype(int), steep, steep + 1]))
        time_s, gauge_kpa = time_s[rows], gauge_kpa[rows]
    _, course = courses(time_s[-1] - time_s)
    return np.asarray(np.diff(gauge_kpa, prepend=0.0) @ course / gauge_kpa[-1])


def _lowest_since_falling(gauge: Array) -> float:
    """Pressure from which the last filling began: going back from its end, where the pressure no longer falls."""
    back = gauge[::-1]
    lowest = np.minimum.accumulate(back)
    turned = np.flatnonzero(back > lowest + 0.02 * back[0])
    return float(lowest[turned[0]] if len(turned) else lowest[-1])
