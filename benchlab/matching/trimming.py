"""Trim tables of the ganged servos of a group: numbers for results.json, remarks, and a table to print or export."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from benchlab.airframe import Group
from benchlab.export import csv_text
from benchlab.matching.distances import Member, trim_pair, value_of
from benchlab.matching.stroke import Stroke, negated
from benchlab.matching.trim import Trim, fighting_load_nm, stiffness
from benchlab.procedure import Procedure, ServoProcedure
from benchlab.results import TrimPoint
from benchlab.stats.uncertainty import combine

# Falling short of the leader's end by less than this is not worth a remark (starting value of this project)
_SHORT_DEG = 0.1

Trims = dict[tuple[str, str], Trim]
"""(leader, follower) -> trim"""


def group_trims(group: Group, ids: Sequence[str | None], members: Mapping[str, Member], procedure: Procedure) -> Trims:
    """Trim every follower of a ganged group of servos against its leader; those that cannot be are left out."""
    if group.coupling != "ganged" or not isinstance(procedure, ServoProcedure) or ids[0] is None:
        return {}
    done: Trims = {}
    for i in ids[1:]:
        if i is not None:
            found = trim_pair(members[ids[0]], members[i], procedure.trim.points, opposed=group.opposed)
            if isinstance(found, Trim):
                done[ids[0], i] = found
    return done


def trim_points(trims: Trims) -> tuple[TrimPoint, ...]:
    """Return the trim as it stands in results.json."""
    return tuple(
        TrimPoint(
            leader=leader,
            follower=follower,
            command_us=float(command),
            correction_us=float(correction),
            left_over_deg=float(left),
        )
        for (leader, follower), t in trims.items()
        for command, correction, left in zip(t.command_us, t.correction_us, t.left_over_deg, strict=True)
    )


def trim_notes(
    group: Group,
    ids: Sequence[str | None],
    members: Mapping[str, Member],
    trims: Trims,
    procedure: Procedure,
) -> list[str]:
    """Remarks on reach, fighting load, timing and a reversed channel."""
    notes: list[str] = []
    for (leader, follower), t in trims.items():
        if t.short_deg > _SHORT_DEG:
            notes.append(
                f"{follower} falls up to {t.short_deg:.2g} deg short of {leader}'s ends within the commands "
                f"at which it was measured ({t.stops_us[0]:.0f} to {t.stops_us[1]:.0f} us): limit {leader}'s command "
                f"to {t.reach_us[0]:.0f} to {t.reach_us[1]:.0f} us, or measure {follower} further "
                "if it has no end stop there."
            )
        notes.append(_load_note(leader, follower, t, procedure))
        if is_reversed(members[leader], members[follower], opposed=group.opposed):
            notes.append(
                f"{follower} is taken to be driven by a reversed channel: commands and corrections are {leader}'s; "
                f"{follower}'s own pulse is mirrored about the middle of its range."
            )
    if group.coupling == "ganged":
        notes += _timing_notes(ids, members)
    return notes


def is_reversed(leader: Member, follower: Member, *, opposed: bool) -> bool:
    """Whether an opposed follower still runs against its leader once its angles are negated."""
    a, b = leader.stroke, follower.stroke
    return opposed and isinstance(a, Stroke) and isinstance(b, Stroke) and negated(b).falling != a.falling


def _load_note(leader: str, follower: str, t: Trim, procedure: Procedure) -> str:
    before, after = float(np.nanmax(t.before_deg)), t.worst[0]
    k = stiffness(procedure.trim) if isinstance(procedure, ServoProcedure) else None
    head = f"{leader} / {follower}: mismatch up to {before:.2g} deg before trim, {after:.2g} deg after"
    if k is None or k.value is None or not isinstance(procedure, ServoProcedure):
        return f"{head}; fighting load (stiffness x mismatch / 2) not estimated: no stiffness stated or measured."
    loads = fighting_load_nm(np.array([before, after]), k.value)
    u = "its uncertainty not known" if k.u is None else f"standard uncertainty {k.u:.2g}"
    source = "measured" if procedure.trim.stiffness_readings else f"stated ({procedure.trim.source})"
    return (
        f"{head}; fighting load about {loads[0]:.2g} N m before, {loads[1]:.2g} N m after, "
        f"from a {source} stiffness of {k.value:.3g} N m/deg, {u}."
    )


def _timing_notes(ids: Sequence[str | None], members: Mapping[str, Member]) -> list[str]:
    """Tell how far apart ganged servos are while they move: the slower lags most as the faster arrives."""
    present = [members[i] for i in ids if i is not None]
    notes = []
    for other in present[1:]:
        pair = (present[0], other)
        for name in ("transit_ref_s_per_60deg", "transit_s_per_60deg"):
            times, travels = [value_of(m, name) for m in pair], [value_of(m, "travel_deg") for m in pair]
            a, b = (None if e is None else e.value for e in times)
            lengths = [abs(e.value) for e in travels if e is not None and e.value is not None]
            if not (a and b and len(lengths) == 2 and min(a, b) > 0):
                continue
            travel, slow = min(lengths), max((a, pair[0].id), (b, pair[1].id))
            lag_s, lag_deg = abs(a - b) * travel / 60, travel * (1 - min(a, b) / max(a, b))
            u = combine(*(e.u for e in times if e is not None and e.u is not None))
            notes.append(
                f"{pair[0].id} and {other.id} arrive together as far as their logs tell, within "
                f"{2 * u * travel / 60:.1g} s over a full stroke of {travel:.3g} deg."
                if abs(a - b) <= 2 * u
                else f"Over a full stroke of {travel:.3g} deg {slow[1]} arrives {lag_s:.2g} s after its partner and is "
                f"then up to {lag_deg:.2g} deg behind (from the transit times; trim cannot remove it)."
            )
            break
    return notes


def trim_table(groups: Mapping[str, Trims], procedure: ServoProcedure) -> pd.DataFrame:
    """Return the trim of all groups as a table to print.

    Columns: group, leader, follower, command_us; correction_us, what the follower's command gets (in percent of half
    the stroke: correction_percent); curve_us, what to enter in a curve whose pulses are limited to the measured
    commands; before_deg and left_over_deg, the mismatch without and with trim; load_before_nm and load_after_nm, the
    fighting load, NaN without a stiffness.
    """
    k = stiffness(procedure.trim)
    factor = math.nan if k is None or k.value is None else k.value
    frames = [
        pd.DataFrame(
            {
                "group": group,
                "leader": leader,
                "follower": follower,
                "command_us": t.command_us,
                "correction_us": t.correction_us,
                "correction_percent": t.percent,
                "curve_us": t.curve_us,
                "before_deg": t.before_deg,
                "left_over_deg": t.left_over_deg,
                "load_before_nm": fighting_load_nm(t.before_deg, factor),
                "load_after_nm": fighting_load_nm(t.left_over_deg, factor),
            }
        )
        for group, trims in groups.items()
        for (leader, follower), t in trims.items()
    ]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def trim_csv(table: pd.DataFrame) -> str:
    """Return a trim table as CSV text, rounded to what can be set; text that a spreadsheet would run is disarmed."""
    digits = {"command_us": 0, "correction_us": 1, "correction_percent": 2, "curve_us": 1}
    return csv_text(table.round(digits | {c: 3 for c in table.columns if c.endswith(("_deg", "_nm"))}))
