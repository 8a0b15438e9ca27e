"""The best way to put parts into the positions of groups: exact, by integer programming.

First as many positions as possible are filled; then as many groups as possible are whole (half a group is of no use,
two halves are of none twice); then the worst group mismatch is made least, then the sum of the group mismatches, then
the number of parts that move. Knows costs of pairs only, nothing of servos.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchlab.matching.components import Array, Problem
from benchlab.matching.model import TIE
from benchlab.matching.program import Placement, Program, Together, Unsolved

_STEP = 1.2
"""The search climbs by a fifth: a program without solution is soon told, one with far too many choices is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """A placement and its cost; ``proven`` is False if the solver ran out of time before it had proved it best."""

    placement: Mapping[str, int | None]
    costs: Mapping[str, float]
    whole: int
    """Groups without an empty position."""
    proven: bool = True

    @property
    def worst(self) -> float:
        """Largest group mismatch."""
        return max(self.costs.values(), default=0.0)

    @property
    def total(self) -> float:
        """Sum of the group mismatches."""
        return sum(self.costs.values())

    @property
    def empty(self) -> tuple[str, ...]:
        """Positions without a part."""
        return tuple(p for p, i in self.placement.items() if i is None)


def evaluate(problem: Problem, placement: Mapping[str, int | None]) -> Solution:
    """Cost a placement; a group with fewer than two parts costs nothing."""
    costs = {}
    for group in problem.groups:
        found = [(placement.get(p), placement.get(q), key) for p, q, key in group.pairs]
        costs[group.name] = max(
            (float(problem.costs[key][i, j]) for i, j, key in found if i is not None and j is not None), default=0.0
        )
    whole = sum(all(placement.get(p) is not None for p in g.positions) for g in problem.groups)
    return Solution(placement={p: placement.get(p) for p in problem.positions}, costs=costs, whole=whole)


def assign(problem: Problem, *, time_limit_s: float = 30.0) -> Solution:
    """Return the best placement.

    The worst mismatch is searched among the costs that occur: for each, whether the positions can be filled with no
    pair above it is an integer program over all feasible groups.
    """
    return _best(problem, Program(problem, time_limit_s), cut=None)


def second_best(problem: Problem, best: Solution, *, time_limit_s: float = 30.0) -> Solution | None:
    """Return the best placement in which at least one group holds parts that form no group of its kind in ``best``."""
    together: Together = {}
    for group in problem.groups:
        members = frozenset(i for p in group.positions if (i := best.placement[p]) is not None)
        together.setdefault(group.kind, set()).add(members)
    try:
        return _best(problem, Program(problem, time_limit_s), cut=together, at_least=best.worst)
    except Unsolved:
        return None


def _best(problem: Problem, program: Program, cut: Together | None, at_least: float = 0.0) -> Solution:
    keys = {key for g in problem.groups for _, _, key in g.pairs}
    levels = np.unique(np.concatenate([[0.0], *(problem.costs[k].ravel() for k in sorted(keys))]))
    levels = levels[levels >= at_least - TIE]
    placement = _least_worst(problem, program, cut, levels)
    if placement is None:
        if program.proven or cut is not None:
            raise Unsolved
        return replace(evaluate(problem, problem.fitted), proven=False)  # out of time with nothing better
    found, fitted = evaluate(problem, placement), evaluate(problem, problem.fitted)
    if cut is None and _as_good(problem, fitted, found):
        return replace(fitted, proven=program.proven)
    if cut is None and problem.fitted:
        placement = program.solve(found.worst + TIE, objective="moves", total_at_most=found.total + TIE)
        found = found if placement is None else evaluate(problem, placement)
    return replace(found, proven=program.proven)


def _least_worst(problem: Problem, program: Program, cut: Together | None, levels: Array) -> Placement | None:
    """Return a placement of the least worst mismatch and, of these, of the least total; None if there is none.

    ``levels``: what the worst mismatch may be, rising.
    """
    low, high, best = 0, levels.size, None  # the answer lies in low .. high - 1; at ``high`` it is known
    step = 1
    while low < high:
        middle = (low + high) // 2 if best is not None else min(low + step, high) - 1
        placement = program.solve(levels[middle] + TIE, objective="total", cut=cut)
        if placement is None:
            low, step = middle + 1, max(step + 1, round(step * _STEP))
            continue
        # it may be better than what was asked for
        best, high = placement, int(np.searchsorted(levels, evaluate(problem, placement).worst - TIE))
        low = min(low, high)
    return best


def _as_good(problem: Problem, fitted: Solution, best: Solution) -> bool:
    """Whether what is fitted is legal and costs no more than the best."""
    placed = [i for i in fitted.placement.values() if i is not None]
    legal = not (set(placed) - set(problem.held.values())) & problem.barred and all(
        len({problem.types[i] for p in g.positions if (i := fitted.placement[p]) is not None}) <= 1
        for g in problem.groups
    )
    return (
        legal
        and len(fitted.empty) <= len(best.empty)
        and fitted.whole >= best.whole
        and fitted.worst <= best.worst + TIE
        and fitted.total <= best.total + TIE
    )


def within(problem: Problem, threshold: float, *, time_limit_s: float = 20.0) -> Solution | None:
    """Return the placement of least total with no pair above ``threshold``; None if there is none."""
    placement = Program(problem, time_limit_s).solve(threshold, objective="total")
    return None if placement is None else evaluate(problem, placement)


def blockers(problem: Problem, threshold: float) -> tuple[int, ...]:
    """Return the parts that stand in the way of a placement with no pair above ``threshold``.

    A part stands in the way if there would be such a placement, did it but match every other part. Where that holds of
    several (the partners it takes from others count, too), those with the fewest partners of their own are meant.
    """
    parts = sorted({*problem.free, *problem.held.values()})
    guilty = [
        i
        for i in parts
        if within(replace(problem, costs={k: _wild(c, i) for k, c in problem.costs.items()}), threshold) is not None
    ]
    partners = {i: sum(int((c[i, parts] <= threshold).sum()) for c in problem.costs.values()) for i in guilty}
    return tuple(i for i in guilty if partners[i] == min(partners.values()))


def _wild(cost: Array, part: int) -> Array:
    tame = cost.copy()
    tame[part, :] = 0.0
    tame[:, part] = 0.0
    return tame
