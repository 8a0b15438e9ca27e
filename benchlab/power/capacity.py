"""Capacity of a pack: as stated, or measured where its own log shows it emptied."""

from __future__ import annotations

import numpy as np
import pandas as pd

from benchlab.airframe import Pack
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, Estimate, NotMeasured
from benchlab.stats.uncertainty import estimate, rectangular

_KNEE = 5.0
"""An emptied pack's voltage falls at least this many times faster at the end than in the middle of the discharge."""


def capacity_of(
    pack: Pack, own: Analysis | None, procedure: CurrentProcedure, notes: list[str], missing: list[NotMeasured]
) -> Estimate | None:
    """Return the capacity to reckon with, mAh.

    Measured, if the pack's own log is one discharge that ends in the steep fall of an emptied pack (the log is taken to
    start full); the stated figure where that is smaller, or where nothing was measured, with the procedure's
    ``capacity_accuracy``.
    """
    stated = None
    if pack.capacity_mah is not None:
        stated = estimate(pack.capacity_mah, rectangular(procedure.capacity_accuracy * pack.capacity_mah), "mAh")
    drawn = _drawn(own)
    if drawn is None or own is None or drawn.value is None:
        if stated is None:
            missing.append(NotMeasured(quantity="capacity_mah", why="not in the register, and no discharge log"))
        return stated
    if not emptied(own.tables.get("discharge")):
        share = f", {100 * drawn.value / pack.capacity_mah:.0f} % of the stated capacity" if pack.capacity_mah else ""
        notes.append(
            f"Its own log takes {drawn.value:.5g} mAh{share}, and does not show the pack emptied: no capacity test."
        )
        if stated is None:
            missing.append(NotMeasured(quantity="capacity_mah", why="not in the register; its log does not empty it"))
        return stated
    if stated is not None and (stated.value or 0.0) <= drawn.value:
        notes.append(f"Its own log took {drawn.value:.5g} mAh until it was empty; the smaller stated capacity counts.")
        return stated
    notes.append(f"Capacity measured by its own log, taken to start full: {drawn.value:.5g} mAh until it was empty.")
    return drawn


def _drawn(own: Analysis | None) -> Estimate | None:
    """Charge that the pack's own log took out of it, if the log is one discharge."""
    if own is None or "charged_mah" in own.result.quantities:
        return None
    if any(m.quantity == "charge_mah" for m in own.result.not_measured):
        return None
    charge = own.result.quantities.get("charge_mah")
    return charge if isinstance(charge, Estimate) and (charge.value or 0.0) > 0 else None


def emptied(discharge: pd.DataFrame | None) -> bool:
    """Whether the voltage falls steeply at the end: slope over the last 3 % of the charge against the middle half."""
    if discharge is None or len(discharge) < 40:
        return False
    q, v = discharge["charge_mah"].to_numpy(), discharge["voltage_v"].to_numpy()
    middle = (q > 0.25 * q[-1]) & (q < 0.75 * q[-1])
    last = q > 0.97 * q[-1]
    if middle.sum() < 10 or last.sum() < 3:
        return False
    slope_middle = float(np.polyfit(q[middle], v[middle], 1)[0])
    slope_last = float(np.polyfit(q[last], v[last], 1)[0])
    return slope_middle < 0 and slope_last < _KNEE * slope_middle
