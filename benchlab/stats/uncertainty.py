"""Standard uncertainties and 95 % intervals (JCGM 100:2008)."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtri, stdtrit

from benchlab.results import Estimate


def estimate(value: float, u: float | None, unit: str, dof: float | None = None) -> Estimate:
    """Return an estimate with its 95 % interval: value +- t(0.975, dof) u; normal where ``dof`` is None or inf.

    A value that is not finite becomes None, an uncertainty that is not finite too (JCGM 100 annex G.3 for t).
    """
    if not np.isfinite(value):
        return Estimate(value=None, unit=unit)
    if u is None or not np.isfinite(u):
        return Estimate(value=float(value), unit=unit, dof=dof)
    k = coverage_factor(dof)
    return Estimate(
        value=float(value), u=float(u), lo=float(value - k * u), hi=float(value + k * u), unit=unit, dof=dof
    )


def coverage_factor(dof: float | None, probability: float = 0.95) -> float:
    """Two-sided coverage factor: Student t for ``dof`` degrees of freedom, normal where None or inf."""
    p = 0.5 + probability / 2
    return float(ndtri(p)) if dof is None or math.isinf(dof) else float(stdtrit(max(dof, 1.0), p))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within +- ``half_width`` (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3)


def from_resolution(step: float) -> float:
    """Standard uncertainty from the step of a reading (JCGM 100, F.2.2.1)."""
    return step / math.sqrt(12)


def combine(*contributions: float) -> float:
    """Root sum of squares of uncorrelated contributions (JCGM 100, 5.1.2)."""
    return math.hypot(*contributions)


def effective_dof(contributions: list[tuple[float, float]]) -> float:
    """Welch-Satterthwaite degrees of freedom of a combined uncertainty (JCGM 100, G.4.1).

    ``contributions`` are pairs (contribution to u, degrees of freedom; inf for type B).
    """
    total = sum(u**2 for u, _ in contributions) ** 2
    below = sum(u**4 / nu for u, nu in contributions if not math.isinf(nu))
    return math.inf if below == 0 else total / below
