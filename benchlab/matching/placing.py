"""From servos, groups and mismatches to the proposed placement, told in words and tables."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from benchlab.airframe import Group, Register
from benchlab.matching.assignment import Solution, assign, blockers, evaluate, second_best, within
from benchlab.matching.components import Array, Fill, Problem
from benchlab.matching.distances import Member, Pair, compare_pair
from benchlab.matching.program import Unsolved
from benchlab.procedure import ServoProcedure
from benchlab.results import Assignment, Placement


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """The best placement: position -> part (None: empty), its result form and its tables."""

    placement: Mapping[str, str | None]
    assignment: Assignment
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Costs:
    """Pair costs (n, n): ``mismatch`` (NaN: not measured) and whether the pair is shown to match."""

    mismatch: Array
    matches: np.ndarray[tuple[int, int], np.dtype[np.bool_]]

    @property
    def finite(self) -> Array:
        """Mismatches with those not measured ranked behind all that were."""
        known = self.mismatch[np.isfinite(self.mismatch)]
        return np.where(np.isfinite(self.mismatch), self.mismatch, 1.0 + max(known.max(initial=0.0), 1.0))


def propose(register: Register, members: Mapping[str, Member], procedure: ServoProcedure) -> Proposal:
    """Place the servos of the register so that the worst group mismatch, then the sum, is least.

    Spares count, fixed servos stay, rejected ones are never placed (unless fixed), only one type shares a group, and a
    position in no group keeps its part. Groups of tanks and packs are left as they are.
    """
    others = {p.position for _, p in register.entries() if p.position is not None} - {
        s.position for s in register.servo
    }
    groups = [g for g in register.group if not others & set(g.positions)]
    if not groups:
        return Proposal(placement={}, assignment=Assignment())
    grouped = {p for g in groups for p in g.positions}
    servos = [s for s in register.servo if s.id in members]
    pool = [members[s.id] for s in servos]
    stays = {n for n, s in enumerate(servos) if s.position is not None and s.position not in grouped}
    costs = {key: _costs(pool, *key, procedure) for key in dict.fromkeys(k for g in groups for k in _keys(g))}
    problem = Problem(
        parts=tuple(s.id for s in servos),
        types=tuple(s.type for s in servos),
        groups=tuple(
            Fill(name=g.name, positions=tuple(g.positions), inner=_name(_keys(g)[1]), lead=_name(_keys(g)[0]))
            for g in groups
        ),
        costs={_name(k): c.finite for k, c in costs.items()},
        fitted={s.position: n for n, s in enumerate(servos) if s.position is not None},
        fixed=frozenset(s.position for s in servos if s.fixed and s.position is not None),
        barred=frozenset(n for n, m in enumerate(pool) if n in stays or m.analysis.result.verdict == "reject"),
    )
    best = assign(problem)
    return _told(problem, best, {_name(k): c for k, c in costs.items()})


Key = tuple[str, bool]
"""Coupling and whether one of the two counts with opposite sign."""


def _keys(group: Group) -> tuple[Key, Key]:
    """Costs between the leader and a follower, and between two followers."""
    return (group.coupling, group.opposed), (group.coupling, False)


def _name(key: Key) -> str:
    return f"{key[0]}, opposed" if key[1] else key[0]


def _costs(pool: Sequence[Member], coupling: str, opposed: bool, procedure: ServoProcedure) -> _Costs:
    """Compare every two servos; a pair that lacks what other pairs were compared in counts as not measured."""
    tolerances = {q: t for c, ts in procedure.match.items() if c == coupling for q, t in ts.items()}
    n = len(pool)
    pairs: dict[tuple[int, int], Pair] = {
        (i, j): compare_pair(pool[i], pool[j], tolerances, procedure, opposed=opposed)
        for i, j in itertools.combinations(range(n), 2)
        if getattr(pool[i].part, "type", None) == getattr(pool[j].part, "type", None)
    }
    compared = {q for p in pairs.values() for q, m in p.mismatches.items() if m is not None}
    mismatch = np.full((n, n), np.nan)
    np.fill_diagonal(mismatch, 0.0)
    matches = np.eye(n, dtype=bool)
    for (i, j), pair in pairs.items():
        complete = pair.mismatch is not None and all(pair.mismatches[q] is not None for q in compared)
        mismatch[i, j] = mismatch[j, i] = pair.mismatch if complete and pair.mismatch is not None else np.nan
        matches[i, j] = matches[j, i] = pair.acceptable
    return _Costs(mismatch=mismatch, matches=matches)


# --- telling ----------------------------------------------------------------------------------------------------------


def _told(problem: Problem, best: Solution, costs: Mapping[str, _Costs]) -> Proposal:
    fitted = evaluate(problem, problem.fitted)
    second = _second(problem, best)
    placement = {p: _id(problem, i) for p, i in best.placement.items()}
    assignment = Assignment(
        positions=tuple(
            Placement(position=p, part=i, fitted=_id(problem, problem.fitted.get(p))) for p, i in placement.items()
        ),
        worst_mismatch=_worst(problem, best, costs),
        fitted_worst_mismatch=_worst(problem, fitted, costs),
        empty=best.empty,
        notes=tuple(_notes(problem, best, costs)),
    )
    tables = {"placements": _placements(problem, [fitted, best, *([] if second is None else [second])], costs)}
    shown: dict[str, pd.DataFrame] = {}  # ganged before mirrored; of each coupling as its first group counts angles
    for name in sorted({g.lead for g in problem.groups}):
        shown.setdefault(name.partition(",")[0], _matrix(problem, costs[name].mismatch))
    tables |= {"mismatch_matrix" if n == 0 else f"mismatch_matrix_{c}": m for n, (c, m) in enumerate(shown.items())}
    return Proposal(placement=placement, assignment=assignment, tables=tables)


def _placements(problem: Problem, ranked: Sequence[Solution], costs: Mapping[str, _Costs]) -> pd.DataFrame:
    """Return every placement, position by position: rank 0 as fitted, 1 best, 2 second best.

    ``worst_mismatch`` and ``sum_mismatch`` are those of the whole placement, NaN where a pair was not measured.
    """
    return pd.DataFrame(
        [
            {
                "rank": rank,
                "position": p,
                "part": _id(problem, i),
                "worst_mismatch": _nan(_worst(problem, s, costs)),
                "sum_mismatch": _nan(_total(problem, s, costs)),
            }
            for rank, s in enumerate(ranked)
            for p, i in s.placement.items()
        ]
    )


def _nan(x: float | None) -> float:
    return math.nan if x is None else x


def _second(problem: Problem, best: Solution) -> Solution | None:
    try:
        return second_best(problem, best)
    except Unsolved:
        return None


def _id(problem: Problem, part: int | None) -> str | None:
    return None if part is None else problem.parts[part]


def _group_mismatch(group: Fill, s: Solution, costs: Mapping[str, _Costs]) -> float | None:
    """Mismatch of a group as far as it was measured; None if no pair of it is there, NaN if one was not measured."""
    found = [
        float(costs[key].mismatch[i, j])
        for p, q, key in group.pairs
        if (i := s.placement[p]) is not None and (j := s.placement[q]) is not None
    ]
    return float(np.max(found)) if found else None  # NaN wins in np.max


def _worst(problem: Problem, s: Solution, costs: Mapping[str, _Costs]) -> float | None:
    """Largest group mismatch; None where a pair was not measured or there is no pair at all."""
    found = [m for g in problem.groups if (m := _group_mismatch(g, s, costs)) is not None]
    return float(np.max(found)) if found and np.isfinite(found).all() else None


def _total(problem: Problem, s: Solution, costs: Mapping[str, _Costs]) -> float | None:
    found = [m for g in problem.groups if (m := _group_mismatch(g, s, costs)) is not None]
    return float(np.sum(found)) if found and np.isfinite(found).all() else None


def _matrix(problem: Problem, mismatch: Array) -> pd.DataFrame:
    ids = pd.Index(problem.parts, name="part")
    return pd.DataFrame(mismatch, index=ids, columns=pd.Index(problem.parts))


def _notes(problem: Problem, best: Solution, costs: Mapping[str, _Costs]) -> list[str]:
    notes = []
    if not best.proven:
        notes.append("The search ran out of time: this placement is good, but not proved to be the best.")
    if best.empty:
        notes.append(_missing(problem, best))
    for position, held in problem.held.items():
        if held in problem.barred:
            part = problem.parts[held]
            notes.append(f"No placement can be accepted while {part} stays at {position}: it is rejected, and fixed.")
    shown = [
        all(
            bool(costs[key].matches[i, j])
            for p, q, key in g.pairs
            if (i := best.placement[p]) is not None and (j := best.placement[q]) is not None
        )
        for g in problem.groups
    ]
    if not all(shown):
        notes += _why_none(problem, best, costs)
    return notes


def _missing(problem: Problem, best: Solution) -> str:
    """Say which positions stay empty and which servos would fill them."""
    needed: list[str] = []
    for p in best.empty:
        beside = [best.placement[q] for g in problem.groups if p in g.positions for q in g.positions]
        types = sorted({str(problem.types[i]) for i in beside if i is not None and problem.types[i] is not None})
        partners = [problem.parts[i] for i in dict.fromkeys(beside) if i is not None]
        kind = f" of type {' or '.join(types)}" if types else ""
        match = f" that matches {' and '.join(partners)}" if partners else ""
        needed.append(f"a sound servo{kind}{match} for {p}")
    return f"Too few servos: {', '.join(best.empty)} would stay empty. Missing: {'; '.join(needed)}."


def _why_none(problem: Problem, best: Solution, costs: Mapping[str, _Costs]) -> list[str]:
    """Say that no acceptable placement exists (or that the best one by mismatch is none) and what stands in the way."""
    most = max(float(c.max()) for c in problem.costs.values())
    strict = replace(problem, costs={k: np.where(c.matches, problem.costs[k], 2 * most + 1) for k, c in costs.items()})
    if (found := within(strict, most)) is not None:
        seats = ", ".join(f"{_id(problem, i)} at {p}" for p, i in found.placement.items() if i is not None)
        return [f"In another placement, of larger mismatch, every group is shown to match: {seats}."]
    head = "No placement exists in which every group is shown to match"
    guilty = blockers(strict, most)
    if guilty:
        held = set(problem.held.values())
        names = [f"{problem.parts[i]} (fixed)" if i in held else problem.parts[i] for i in guilty]
        verb = "stands" if len(names) == 1 else "each stand"
        return [f"{head}: {', '.join(names)} {verb} in the way; with a match for it there would be one."]
    used = sorted({i for i in best.placement.values() if i is not None})
    partners = {i: sum(int(c.matches[i, used].sum()) - 1 for c in costs.values()) for i in used}
    least = [problem.parts[i] for i in used if partners[i] == min(partners.values())]
    few = f"{', '.join(least)} match no other" if min(partners.values()) == 0 else f"fewest match {', '.join(least)}"
    return [f"{head}, and no single servo stands in the way: {few}."]
