"""Probability that a measured value conforms to its limits (JCGM 106:2012, 7.2 to 7.4)."""

from __future__ import annotations

import math

from scipy.special import ndtr, stdtr


def probability_of_conformity(
    value: float, u: float, lower: float | None, upper: float | None, dof: float | None = None
) -> float:
    """Return ``Phi((upper - value) / u) - Phi((lower - value) / u)``; Student t where ``dof`` is finite.

    Parameters
    ----------
    value, u
        Estimate and its standard uncertainty, in the unit of the limits; ``u`` may be 0.
    lower, upper
        Limits; None is no limit on that side.
    dof
        Degrees of freedom of ``u``; None or inf for the normal distribution.

    Raises
    ------
    ValueError
        If ``u`` is negative or not a number.
    """
    if not u >= 0:
        msg = f"standard uncertainty must be 0 or more, not {u!r}"
        raise ValueError(msg)
    return _below(upper, value, u, dof, 1.0) - _below(lower, value, u, dof, 0.0)


def _below(limit: float | None, value: float, u: float, dof: float | None, without: float) -> float:
    """Probability that the true value is at or below ``limit``; ``without`` where there is no limit."""
    if limit is None:
        return without
    if u == 0:
        # an exact value on its limit conforms, whichever side the limit is on
        return float(value <= limit) if without else float(value < limit)
    z = (limit - value) / u
    return float(ndtr(z)) if dof is None or math.isinf(dof) else float(stdtr(dof, z))
