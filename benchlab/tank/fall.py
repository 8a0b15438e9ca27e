"""A tank that loses most of a high pressure: one time constant of the whole fall, and how far it is from constant.

Beyond about half an atmosphere of gauge pressure no simple law holds: flow through a fine path goes with
``p_abs**2 - p_atm**2``, through a hole with ``p_abs`` while it is choked, and the gas cools as it expands. The fall is
then described, not explained: the slope of ln(p) over it, with the change of that slope as its uncertainty.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchlab.tank.decay import DecayFit

Array = NDArray[np.float64]

HIGH = 0.5
"""Gauge pressure over the atmosphere beyond which the law of a small leak does not hold."""
_MOST = 0.5
_RANGE = (0.9, 0.1)
"""Share of the start pressure from which and to which the fall is taken: its setting in and its end are left out."""


def falls_far(gauge_kpa: Array, atmosphere_kpa: float) -> bool:
    """Whether a high pressure is lost by more than half."""
    return bool(gauge_kpa[0] > HIGH * atmosphere_kpa and gauge_kpa[-1] < _MOST * gauge_kpa[0])


def fit_fall(time_s: Array, gauge_kpa: Array, block_time_s: Array, elasticity: float) -> tuple[DecayFit, str]:
    """Fit ln(p) = c - t / tau over the fall by least squares; return the fit and a sentence on how constant tau is.

    Parameters
    ----------
    time_s, gauge_kpa
        Times from sealing and corrected gauge pressure, shape (n,).
    block_time_s
        Times at which the fitted curve is wanted.
    elasticity
        Share by which the wall gives way, and its standard uncertainty.

    Raises
    ------
    ValueError
        With fewer than four readings within the fall.
    """
    start = float(gauge_kpa[0])
    inside = (gauge_kpa < _RANGE[0] * start) & (gauge_kpa > _RANGE[1] * start)
    t, y = time_s[inside], np.log(gauge_kpa[inside])
    if len(t) < 4:
        msg = "the pressure fell too fast to be fitted; log it more often"
        raise ValueError(msg)
    slope, at_zero = np.polyfit(t, y, 1)
    rate = float(-slope)
    half = len(t) // 2
    early, late = (float(-np.polyfit(x, z, 1)[0]) for x, z in ((t[:half], y[:half]), (t[half:], y[half:])))
    scatter = float(np.sqrt(np.sum((y - at_zero - slope * t) ** 2) / (len(t) - 2) / np.sum((t - t.mean()) ** 2)))
    # the rate lies anywhere between that of the first and of the last half of the fall (rectangular)
    law = abs(early - late) / math.sqrt(12)
    u = math.hypot(scatter, law)
    curve = np.exp(np.minimum(at_zero + slope * block_time_s, math.log(start)))
    note = (
        f"At {start:.3g} kPa the law of a small leak does not hold: ln(p) falls with a time constant of "
        f"{_seconds(1 / early)} in the first half of the fall and {_seconds(1 / late)} in the second; "
        f"given is the one of the whole fall, {_seconds(1 / rate)}."
    )
    loss, loss_u = rate * start * (1 + elasticity), start * math.hypot(u, rate * math.hypot(elasticity, 0.02))
    fit = DecayFit(
        rate=rate, rate_u=u, rate_lo=rate - 1.96 * u, rate_hi=rate + 1.96 * u, p1=start, p1_u=0.02 * start,
        loss=loss, loss_u=loss_u, loss_lo=loss - 1.96 * loss_u, loss_hi=loss + 1.96 * loss_u,
        settling=0.0, settling_u=0.1 * start, wall=elasticity, wall_u=elasticity,
        parts={"leak law not constant over the fall": law, "scatter of the readings": scatter},
        fit=curve, fit_u=curve * u * np.abs(block_time_s - t.mean()),
    )  # fmt: skip
    return fit, note


def _seconds(s: float) -> str:
    return f"{s:.2g} s" if s < 120 else f"{s / 60:.2g} min" if s < 7200 else f"{s / 3600:.2g} h"
