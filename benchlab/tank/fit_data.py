"""What of a hold is fitted: gas amounts at times from sealing, with all that is known of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchlab.stats.uncertainty import combine
from benchlab.tank.settling import RECOVERS, Settling, crept_back, recovers_u

Array = NDArray[np.float64]

_WIDE = 10.0
"""Prior standard deviations of a and of k times the longest dose, in start pressures: as good as none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldData:
    """What is fitted, at m times from sealing; pressures in kPa, covariances in kPa2."""

    time_s: Array
    value: Array
    """P ln(N / P), shape (m,)."""
    dose: Array
    """D(t), kPa s, shape (m,)."""
    gauge: Array
    """Gauge pressure as it stood, shape (m,)."""
    white: Array
    """Standard uncertainty of each value from its own scatter or resolution."""
    known: Mapping[str, Array]
    """Covariances (m, m) of what is known to disturb all values together, by name."""
    reference_kpa: float
    """P."""
    level_kpa: float
    """Gauge pressure at the start: the unit of the settling's shares."""
    atmosphere_kpa: float
    settling: Settling
    lag: Array | None = None
    """Reading errors (m, quick), kPa, if the gas follows the thermometer with the times ``settling.lag_times``."""

    @property
    def common(self) -> Array:
        """Sum of the known covariances."""
        return sum(self.known.values(), np.zeros((len(self.time_s), len(self.time_s))))

    def fixed(self, creep_s: float, stretch: float) -> Array:
        """Columns of a, k, e and r, shape (m, 4), where the wall creeps about like this."""
        back = crept_back(self.time_s, self.gauge, np.array([creep_s]), np.array([stretch]))
        return np.column_stack([np.ones_like(self.dose), -self.dose, self.gauge[0] - self.gauge, back])

    def fixed_prior(self, slow_kpa: float) -> tuple[Array, Array]:
        """Prior means and standard deviations of a, k, e and r, shape (4,) each, given the slow part's likely size."""
        wide, s = _WIDE * self.level_kpa, self.settling
        old, old_u = (RECOVERS * x * self.level_kpa for x in (s.old_share, s.old_share_u))
        back_u = combine(recovers_u(slow_kpa), recovers_u(s.old_share * self.level_kpa), old_u)
        sd = [wide, wide / max(float(np.ptp(self.dose)), 1e-9), max(s.give_u, 1e-9), back_u]
        return np.array([self.value[0], 0.0, s.give, old]), np.array(sd)
