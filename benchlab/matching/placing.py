"""From servos, groups and mismatches to the proposed placement, told in words and tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from benchlab.airframe import Register
from benchlab.matching.distances import Member
from benchlab.procedure import ServoProcedure
from benchlab.results import Assignment, Placement


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The best placement: position -> part (None: empty), its result form and its tables."""

    placement: Mapping[str, str | None]
    assignment: Assignment
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)


def propose(register: Register, members: Mapping[str, Member], procedure: ServoProcedure) -> Proposal:
    """Place the servos of the register best."""
    fitted = {s.position: s.id for s in register.servo if s.position is not None}
    positions = dict.fromkeys(p for g in register.group for p in g.positions)
    return Proposal(
        placement={p: fitted.get(p) for p in positions},
        assignment=Assignment(
            positions=tuple(Placement(position=p, part=fitted.get(p), fitted=fitted.get(p)) for p in positions),
            empty=tuple(p for p in positions if p not in fitted),
        ),
    )
