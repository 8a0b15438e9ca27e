"""Which groups match as fitted, and which placement would match best."""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchlab.airframe import Group, Register, Servo
from benchlab.judgement import not_measured
from benchlab.matching.distances import Member, Pair, compare_pair, member
from benchlab.matching.placing import propose
from benchlab.matching.sides import side_notes
from benchlab.matching.tables import matching_tables
from benchlab.matching.trimming import group_trims, trim_notes, trim_points
from benchlab.procedure import Procedure, Procedures
from benchlab.results import Analysis, Assignment, Finding, GroupResult, Verdict, worst

if TYPE_CHECKING:
    import pandas as pd

_PLACE = "part"
"""Quantity of the findings about a position itself: nothing is fitted, or a rejected part is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """Groups, the best placement, and the tables that the report draws (see ``benchlab.matching.tables``)."""

    groups: tuple[GroupResult, ...]
    assignment: Assignment
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)


def match_groups(register: Register, analyses: Mapping[str, Analysis], procedures: Procedures) -> Matching:
    """Judge every group of the register as fitted and find the best placement of its servos.

    A group with an empty position is judged as the best placement would fill it, if that fills it.
    """
    if not register.group:  # strokes take libraries that are slow to load
        return Matching(groups=(), assignment=Assignment())
    members = {p.id: member(p, analyses[p.id]) for p in register.parts.values() if p.id in analyses}
    fitted = {p.position: p.id for p in (m.part for m in members.values()) if p.position is not None}
    proposal = propose(register, members, procedures.servo)
    judged: list[GroupResult] = []
    shown: dict[str, list[str | None]] = {}
    for group in register.group:
        as_fitted = [fitted.get(p) for p in group.positions]
        proposed = [proposal.placement.get(p) for p in group.positions]
        ids = proposed if None in as_fitted and None not in proposed else as_fitted
        shown[group.name] = ids
        procedure = _procedure(as_fitted, members, procedures)
        judged.append(judge_group(group, ids, members, procedure, fitted))
    sides = side_notes(register.group, shown, members)
    judged = [replace(g, notes=(*g.notes, sides[g.name])) if g.name in sides else g for g in judged]
    tables = matching_tables(register.group, shown, members, procedures.servo, proposal)
    return Matching(groups=tuple(judged), assignment=proposal.assignment, tables=tables)


def _procedure(ids: Sequence[str | None], members: Mapping[str, Member], procedures: Procedures) -> Procedure:
    """Return the procedure whose tolerances bind a group: by the kind of its parts, servos if all are missing."""
    kind = next((members[i].analysis.result.kind for i in ids if i is not None), "servo")
    return {"tank": procedures.tank, "pack": procedures.current, "circuit": procedures.current}.get(
        kind, procedures.servo
    )


def judge_group(
    group: Group,
    ids: Sequence[str | None],
    members: Mapping[str, Member],
    procedure: Procedure,
    fitted: Mapping[str, str],
) -> GroupResult:
    """Judge one group with the parts ``ids`` in its positions (None: empty).

    The mismatch is the largest ``|difference| / tolerance`` over all pairs and quantities measured; the verdict the
    worst finding. ``fitted`` tells which part every position of the airframe holds now.
    """
    findings, notes = _places(group, ids, members, fitted)
    pairs = group_pairs(group, [None if i is None else members[i] for i in ids], procedure)
    for pair in pairs:
        findings += pair.findings
        notes += pair.notes
    trims = group_trims(group, ids, members, procedure)
    notes += trim_notes(group, ids, members, trims, procedure)
    return GroupResult(
        name=group.name,
        coupling=group.coupling,
        members=tuple(i for i in ids if i is not None),
        mismatch=max((p.mismatch for p in pairs if p.mismatch is not None), default=None),
        verdict=worst([f.verdict for f in findings]),
        findings=tuple(findings),
        trim=trim_points(trims),
        notes=tuple(dict.fromkeys(notes)),
    )


def group_pairs(group: Group, parts: Sequence[Member | None], procedure: Procedure) -> list[Pair]:
    """Compare every two parts of a group; in an opposed one the followers' angles count with opposite sign."""
    tolerances = procedure.match.get(group.coupling, {})
    return [
        compare_pair(a, b, tolerances, procedure, opposed=group.opposed and n == 0)
        for (n, a), (_, b) in itertools.combinations(enumerate(parts), 2)
        if a is not None and b is not None
    ]


def _places(
    group: Group, ids: Sequence[str | None], members: Mapping[str, Member], fitted: Mapping[str, str]
) -> tuple[list[Finding], list[str]]:
    """Findings about empty positions and rejected parts; notes on positions that the proposal filled."""
    findings, notes = [], []
    for position, i in zip(group.positions, ids, strict=True):
        if position not in fitted:
            hint = _near_name(position, group, fitted)
            if i is None:
                findings.append(not_measured(_PLACE, position, "1", f'no part at "{position}"{hint}'))
            else:
                notes.append(f'"{position}" is empty{hint}; judged with {i}, which the placement proposes.')
        elif fitted[position] != i:
            notes.append(
                f'At "{position}" {fitted[position]} is fitted; judged with {i}, which the placement proposes.'
            )
        if i is not None and members[i].analysis.result.verdict == "reject":
            findings.append(_rejected(position, members[i]))
    return findings, notes


def _rejected(position: str, m: Member) -> Finding:
    fixed = isinstance(m.part, Servo) and m.part.fixed
    verdict: Verdict = "reject" if fixed else "retest"
    reason = f'{m.id} at "{position}" is rejected ' + (
        "and fixed: the group cannot be matched around it" if fixed else "itself: replace it, then match again"
    )
    return Finding(
        quantity=_PLACE, aspect=position, value=None, u=None, unit="1", lower=None, upper=None,
        limit_source=None, p_conform=None, verdict=verdict, reason=reason,
    )  # fmt: skip


def _near_name(position: str, group: Group, fitted: Mapping[str, str]) -> str:
    """Ask whether a position that holds no part is a slip of the pen for one that does."""
    others = {p.casefold(): p for p in fitted if p not in group.positions}
    near = difflib.get_close_matches(position.casefold(), list(others), 1, 0.85)
    return (
        f'; its name is nearly "{others[near[0]]}", which holds {fitted[others[near[0]]]}: is that meant?'
        if near
        else ""
    )
