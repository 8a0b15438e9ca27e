"""The tables from which the report draws matching.

- ``mismatch_matrix`` (wide, index and columns = part ids, values = mismatch of the pair, NaN where not measured) of
  ganged groups, ``mismatch_matrix_mirrored`` of mirrored ones; the only coupling there is goes by the first name.
- ``pair_curves`` (group, part, command_us, position_up_deg, position_down_deg; opposed followers as they count).
- ``pair_differences`` (group, leader, follower, command_us, before_up_deg, before_down_deg, after_up_deg,
  after_down_deg; follower minus leader, without and with trim).
- ``trim``: see ``benchlab.matching.trimming.trim_table``.
- ``placements`` (rank, position, part, worst_mismatch, sum_mismatch; rank 0 as fitted, 1 best, 2 second best).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from benchlab.airframe import Group
from benchlab.matching.distances import Member, follower_stroke
from benchlab.matching.placing import Proposal
from benchlab.matching.stroke import Stroke
from benchlab.matching.trimming import Trims, group_trims, trim_table
from benchlab.procedure import ServoProcedure

_MOST = 101
"""Points of a curve at most: more than a plot can show."""


def matching_tables(
    groups: Sequence[Group],
    shown: Mapping[str, Sequence[str | None]],
    members: Mapping[str, Member],
    procedure: ServoProcedure,
    proposal: Proposal,
) -> dict[str, pd.DataFrame]:
    """Return the non-empty tables; ``shown`` tells for each group which parts it was judged with."""
    trims = {
        g.name: group_trims(g, shown[g.name], members, procedure)
        for g in groups
        if all(i is None or members[i].analysis.result.kind == "servo" for i in shown[g.name])
    }
    tables = {
        "pair_curves": _curves(groups, shown, members),
        "pair_differences": _differences(groups, trims, members),
        "trim": trim_table(trims, procedure),
        **proposal.tables,
    }
    return {name: t for name, t in tables.items() if len(t)}


def _strokes(group: Group, ids: Sequence[str | None], members: Mapping[str, Member]) -> list[tuple[str, Stroke]]:
    """Strokes of a group's parts as they count on the leader's side."""
    found = [(i, members[i].stroke) for i in ids if i is not None]
    held = [(i, s) for i, s in found if isinstance(s, Stroke)]
    if not held or held[0][0] != ids[0]:  # without a leader nothing says which way to count
        return held
    lead = held[0][1]
    return [held[0], *((i, follower_stroke(lead, s, opposed=group.opposed)) for i, s in held[1:])]


def _curves(
    groups: Sequence[Group], shown: Mapping[str, Sequence[str | None]], members: Mapping[str, Member]
) -> pd.DataFrame:
    frames = []
    for group in groups:
        for part, stroke in _strokes(group, shown[group.name], members):
            at = stroke.levels_us
            at = at[np.unique(np.linspace(0, at.size - 1, min(at.size, _MOST)).astype(int))]
            frames.append(
                pd.DataFrame(
                    {
                        "group": group.name,
                        "part": part,
                        "command_us": at,
                        "position_up_deg": stroke.up(at),
                        "position_down_deg": stroke.down(at),
                    }
                )
            )
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _differences(groups: Sequence[Group], trims: Mapping[str, Trims], members: Mapping[str, Member]) -> pd.DataFrame:
    frames = []
    for group in groups:
        for (leader, follower), t in trims.get(group.name, {}).items():
            strokes = dict(_strokes(group, [leader, follower], members))
            lead, follow = strokes[leader], strokes[follower]
            pick = np.unique(np.linspace(0, t.at_us.size - 1, min(t.at_us.size, _MOST)).astype(int))
            at = t.at_us[pick]
            frames.append(
                pd.DataFrame(
                    {
                        "group": group.name,
                        "leader": leader,
                        "follower": follower,
                        "command_us": at,
                        "before_up_deg": follow.up(at) - lead.up(at),
                        "before_down_deg": follow.down(at) - lead.down(at),
                        "after_up_deg": t.up_deg[pick],
                        "after_down_deg": t.down_deg[pick],
                    }
                )
            )
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
