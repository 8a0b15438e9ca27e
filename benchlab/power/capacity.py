"""Capacity of a pack: as stated, or measured where its own log shows it emptied."""

from __future__ import annotations

from benchlab.airframe import Pack
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, Estimate, NotMeasured
from benchlab.stats.uncertainty import estimate, rectangular

_TOO_MUCH = 1.2
"""Share of the stated capacity that no discharge exceeds (common practice, no source)."""


def capacity_of(
    pack: Pack, own: Analysis | None, procedure: CurrentProcedure, notes: list[str], missing: list[NotMeasured]
) -> Estimate | None:
    """Return the capacity to reckon with, mAh.

    Measured, if a discharge of the pack's own log ends in the steep fall of an emptied pack (it is taken to begin full;
    of several the last counts); the stated figure where that is smaller, or where nothing was measured, with the
    procedure's ``capacity_accuracy``.
    """
    stated = None
    if pack.capacity_mah is not None:
        stated = estimate(pack.capacity_mah, rectangular(procedure.capacity_accuracy * pack.capacity_mah), "mAh")
    runs = own.tables.get("discharges") if own is not None else None
    if runs is None or runs.empty:
        if stated is None:
            missing.append(NotMeasured(quantity="capacity_mah", why="not in the register, and no discharge log"))
        return stated
    empty = runs[runs["emptied"]]
    if empty.empty:
        drawn = float(runs["charge_mah"].max())
        share = f", {100 * drawn / pack.capacity_mah:.0f} % of the stated capacity" if pack.capacity_mah else ""
        notes.append(f"Its own log takes {drawn:.5g} mAh{share}, and does not show it emptied: no capacity test.")
        if pack.capacity_mah and drawn > _TOO_MUCH * pack.capacity_mah:
            notes.append(
                "That is more than the pack can hold: the log counts charging as discharge (and has no voltage that "
                "tells), the current is read too high, or the capacity is stated wrongly. Do not rely on its charge."
            )
        if stated is None:
            missing.append(NotMeasured(quantity="capacity_mah", why="not in the register; its log does not empty it"))
        return stated
    drawn, u = float(empty["charge_mah"].iloc[-1]), float(empty["u_mah"].iloc[-1])
    if stated is not None and (stated.value or 0.0) <= drawn:
        notes.append(f"Its own log took {drawn:.5g} mAh until it was empty; the smaller stated capacity counts.")
        return stated
    notes.append(f"Capacity measured by its own log, taken to start full: {drawn:.5g} mAh until it was empty.")
    return estimate(drawn, u, "mAh")
