"""What is known beforehand of a tank's settling, and its shape in time.

Settling is the sum of a quick part (the gas cools after filling) and of a slow one (the wall creeps). The time
constants enter non-linearly and lie somewhere within ``QUICK_S`` and ``SLOW_S``; all else is linear. Tanks differ: soft
walls, and stiff ones that have cooled already. Either is tried, and the log decides as far as it can.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUICK_S = (15.0, 600.0)
"""Range of the time constant of gas cooling (litre-sized tanks; common practice, no source)."""
SLOW_S = (600.0, 7200.0)
"""Range of the time constant of wall creep (common practice, no source)."""
SHORT, LONG = 0.2, 4.0
"""Part of a wall's creep may be quicker or slower than the rest by these factors."""
WITH_SHORT = 0.2
"""A wall with many relaxation times has slower ones too: this share of its quick part goes each way by ``LONG``."""
_SHORT_SHARE, _SHORT_U, _SPREAD_U = 0.13, 0.12, 0.06
"""Shares of the creep that are quicker, and that go each way besides (a stretched exponential of exponent 1 to 0.8)."""
PARTS = 6
"""Linear coefficients beside the leak: quick, slow, short part and spread of the settling; the gas's lag behind the
thermometer; the wall's give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """A kind of wall that is thought possible."""

    scale: float
    """Settling to be expected, of what the procedure states."""
    likely: float
    """Probability beforehand."""


WALLS = (Wall(scale=1.0, likely=0.8), Wall(scale=0.1, likely=0.2))


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

    def amplitudes(self, level_kpa: float, wall: Wall) -> tuple[Array, Array]:
        """Prior mean and standard deviation of quick, slow, short part and spread (kPa), of lag and give (1)."""
        level = abs(level_kpa) * wall.scale
        slow, slow_u = self.slow_share * level, self.slow_share_u * level
        mean = [self.quick_share * level, slow, _SHORT_SHARE * slow, 0.0, 0.5, self.give]
        sd = [self.quick_share_u * level, slow_u, _SHORT_U * slow, _SPREAD_U * slow, 0.5, self.give_u]
        return np.array(mean), np.maximum(sd, 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """Reading errors (times, n) if the gas follows the thermometer with time constants ``tau_s`` (n,), ascending."""

    tau_s: Array
    columns: Array

    def at(self, tau_s: Array) -> Array:
        """Columns for other time constants, interpolated in ln(tau)."""
        x = np.interp(np.log(tau_s), np.log(self.tau_s), np.arange(len(self.tau_s)))
        low = np.minimum(x.astype(int), len(self.tau_s) - 2)
        part = x - low
        return np.asarray(self.columns[:, low] * (1 - part) + self.columns[:, low + 1] * part)


def lag_times() -> Array:
    """Time constants (s) at which the lag of the gas behind the thermometer is computed."""
    return np.asarray(np.geomspace(*QUICK_S, 16))


def decays(time_s: Array, tau_s: Array) -> Array:
    """exp(-t / tau), shape (times, taus)."""
    return np.asarray(np.exp(-time_s[:, None] / tau_s))


def shorts(time_s: Array, tau_s: Array) -> Array:
    """Quicker part of a wall's creep, and what goes with it."""
    return np.asarray(decays(time_s, SHORT * tau_s) + WITH_SHORT * spreads(time_s, tau_s))


def spreads(time_s: Array, tau_s: Array) -> Array:
    """What a spread of relaxation times adds to exp(-t / tau): as much goes to slower as to quicker ones."""
    return np.asarray(decays(time_s, tau_s / LONG) + decays(time_s, tau_s * LONG) - 2 * decays(time_s, tau_s))
