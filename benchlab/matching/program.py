"""The integer program behind the assignment.

Groups that share no position with others, and in which nobody leads, are chosen as whole sets of parts (set packing:
one variable per feasible set). Groups that share positions (ganged with a neighbour, mirrored with a twin) are placed
jointly: one variable per position and part, and the pairs of each group as their products.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Hashable, Iterator, Mapping, Set
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import csr_array

if TYPE_CHECKING:
    from benchlab.matching.assignment import Fill, Problem

Array = npt.NDArray[np.float64]
Placement = dict[str, int | None]
Objective = Literal["total", "moves"]

# More sets than this make a program too large to build; the positions are then placed one by one instead.
_MOST_SETS = 200_000


class Unsolved(Exception):  # noqa: N818 - it is no error: there is no such placement
    """There is no placement, or none was found in the time allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Leaves out the placements whose groups all hold parts that are already ``together`` in a group of their kind."""

    together: Mapping[Hashable, Set[frozenset[int]]]
    kind: Callable[[Fill], Hashable]


@dataclass(slots=True, kw_only=True)
class _Model:
    """Variables and rows as they are added."""

    total: list[float] = field(default_factory=list)
    moves: list[float] = field(default_factory=list)
    integer: list[bool] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    rows: list[dict[int, float]] = field(default_factory=list)
    lower_side: list[float] = field(default_factory=list)
    upper_side: list[float] = field(default_factory=list)

    def variable(self, *, total: float = 0.0, moves: float = 0.0, integer: bool = True, upper: float = 1.0) -> int:
        self.total.append(total)
        self.moves.append(moves)
        self.integer.append(integer)
        self.upper.append(upper)
        return len(self.total) - 1

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        self.rows.append(terms)
        self.lower_side.append(low)
        self.upper_side.append(high)

    def solve(self, objective: list[float] | None, time_limit_s: float) -> tuple[Array | None, bool]:
        """Return the values of the variables (None: infeasible) and whether that is proved."""
        n = len(self.total)
        if n == 0:
            met = all(lo <= 0 <= hi for lo, hi in zip(self.lower_side, self.upper_side, strict=True))
            return (np.zeros(0) if met else None), True
        counts = [len(r) for r in self.rows]
        matrix = csr_array(
            (
                np.array([v for r in self.rows for v in r.values()], dtype=np.float64),
                np.array([c for r in self.rows for c in r], dtype=np.int32),
                np.concatenate([[0], np.cumsum(counts)]).astype(np.int32),
            ),
            shape=(len(self.rows), n),
        )
        found = milp(
            np.zeros(n) if objective is None else np.array(objective),
            integrality=np.array(self.integer, dtype=int),
            bounds=Bounds(0, np.array(self.upper)),
            constraints=LinearConstraint(matrix, np.array(self.lower_side), np.array(self.upper_side)),
            options={"mip_rel_gap": 0.0, "time_limit": max(time_limit_s, 0.01)},
        )
        return (None if found.x is None else np.asarray(found.x)), found.status in {0, 2}


@dataclass(slots=True, kw_only=True)
class _Sets:
    """Alike groups that are filled with sets of parts."""

    groups: list[Fill]
    held: frozenset[int]
    columns: dict[int, frozenset[int]] = field(default_factory=dict)


class Program:
    """Solves one problem for changing thresholds and objectives within a common time limit."""

    def __init__(self, problem: Problem, time_limit_s: float) -> None:
        self.problem = problem
        self.proven = True
        self._deadline = time.monotonic() + time_limit_s
        uses = Counter(p for g in problem.groups for p in g.positions)
        alone = [g for g in problem.groups if g.symmetric and all(uses[p] == 1 for p in g.positions)]
        self._alone = {g.name for g in alone}
        self.filled = self._most_filled()
        self.complete = self.filled == len(problem.positions)

    # --- how many positions can be filled ---------------------------------------------------------------------------

    def _most_filled(self) -> int:
        """Largest number of positions that parts of the right types can fill."""
        problem, model = self.problem, _Model()
        places = self._places(model)
        self._cover(model, [{v: 1.0 for (_, s), v in places.items() if s == i} for i in problem.free])
        for group in problem.groups:
            mine = {(p, i): v for (p, i), v in places.items() if p in group.positions and i is not None}
            held = {problem.types[problem.held[p]] for p in group.positions if p in problem.held}
            if len(held) > 1:  # fixed parts of different types: nothing can join both
                for (p, _), v in mine.items():
                    model.upper[v] = float(p in problem.held)
                continue
            chosen = {t: model.variable() for t in dict.fromkeys(problem.types[i] for _, i in mine)}
            model.row(dict.fromkeys(chosen.values(), 1.0), 0, 1)
            for (_, i), v in mine.items():
                model.row({v: 1.0, chosen[problem.types[i]]: -1.0}, -1, 0)
        filled = [v for (_, i), v in places.items() if i is not None]
        goal = [0.0] * len(model.total)
        for v in filled:
            goal[v] = -1.0
        x, _ = model.solve(goal, self._left())
        if x is None:
            raise Unsolved
        return round(float(x[filled].sum()))

    def _places(self, model: _Model, positions: set[str] | None = None) -> dict[tuple[str, int | None], int]:
        """Add a variable for every position and part that may take it (None: it stays empty)."""
        problem, places = self.problem, {}
        for p in problem.positions:
            if positions is not None and p not in positions:
                continue
            may: list[int | None] = [problem.held[p]] if p in problem.held else [*problem.free, None]
            for i in may:
                places[p, i] = model.variable(moves=float(i is not None and problem.fitted.get(p) != i))
            model.row({places[p, i]: 1.0 for i in may}, 1, 1)
        return places

    @staticmethod
    def _cover(model: _Model, uses: list[dict[int, float]]) -> None:
        """No part in two places."""
        for terms in uses:
            if terms:
                model.row(terms, 0, 1)

    def _left(self) -> float:
        return self._deadline - time.monotonic()

    # --- placements under a threshold ---------------------------------------------------------------------------------

    def solve(
        self,
        threshold: float,
        *,
        objective: Objective | None,
        total_at_most: float | None = None,
        cut: Cut | None = None,
    ) -> Placement | None:
        """Return a placement with as many positions filled as can be and no pair above ``threshold``, None if none.

        Of these the one with the least ``objective``: total of the group mismatches or number of parts moved.
        """
        model = _Model()
        sets, single = self._set_blocks(model, threshold)
        linked = [g for g in self.problem.groups if g.name in single]
        positions = {p for g in linked for p in g.positions}
        places = self._places(model, positions)
        if self.complete:
            for (_, i), v in places.items():
                model.upper[v] = 0.0 if i is None else 1.0
        for group in linked:
            self._pair_block(model, group, places, threshold)
        uses: list[dict[int, float]] = []
        for i in self.problem.free:
            terms = {v: 1.0 for (_, s), v in places.items() if s == i}
            terms |= {v: 1.0 for block in sets for v, members in block.columns.items() if i in members}
            uses.append(terms)
        self._cover(model, uses)
        if not self.complete:
            terms = {v: float(len(members)) for block in sets for v, members in block.columns.items() if members}
            terms |= {v: 1.0 for (_, i), v in places.items() if i is not None}
            model.row(terms, self.filled, self.filled)
        if total_at_most is not None:
            model.row({v: c for v, c in enumerate(model.total) if c}, 0, total_at_most)
        if cut is not None:
            self._cut(model, cut, sets, linked, places)
        goal = None if objective is None else model.total if objective == "total" else model.moves
        x, proved = model.solve(goal, self._left())
        self.proven &= proved
        return None if x is None else self._read(x, sets, places)

    def _set_blocks(self, model: _Model, threshold: float) -> tuple[list[_Sets], set[str]]:
        """Add the sets of the groups that stand alone; also return the names of the groups to be placed singly."""
        problem = self.problem
        single = {g.name for g in problem.groups if g.name not in self._alone}
        blocks: dict[Hashable, _Sets] = {}
        for g in problem.groups:
            if g.name in self._alone:
                held = frozenset(problem.held[p] for p in g.positions if p in problem.held)
                blocks.setdefault((len(g.positions), g.key, held), _Sets(groups=[], held=held)).groups.append(g)
        kept = []
        for block in blocks.values():
            group = block.groups[0]
            least = len(group.positions) if self.complete else len(block.held)
            found = []
            for members, cost in self._sets(group, block.held, least, threshold):
                found.append((members, cost))
                if len(found) > _MOST_SETS:
                    break
            if len(found) > _MOST_SETS:
                single |= {g.name for g in block.groups}
                continue
            for members, cost in found:
                v = model.variable(total=cost, moves=self._moved(members, block.groups))
                block.columns[v] = members
            model.row(dict.fromkeys(block.columns, 1.0), len(block.groups), len(block.groups))
            for v, members in block.columns.items():
                if not members:
                    model.upper[v] = len(block.groups)
            kept.append(block)
        return kept, single

    def _sets(
        self, group: Fill, held: frozenset[int], least: int, threshold: float
    ) -> Iterator[tuple[frozenset[int], float]]:
        """Yield every set of parts that may fill a group, with its mismatch, by growing cliques of matching pairs."""
        problem, size = self.problem, len(group.positions)
        cost = problem.costs[group.key]
        kin = np.equal.outer(np.array(problem.types, dtype=object), np.array(problem.types, dtype=object))
        near = kin & (cost <= threshold)
        base = max((float(cost[i, j]) for i, j in combinations(sorted(held), 2)), default=0.0)
        if base > threshold:
            return
        start = [i for i in problem.free if all(near[i, j] for j in held)]

        def grow(members: tuple[int, ...], worst: float, rest: list[int]) -> Iterator[tuple[frozenset[int], float]]:
            if len(members) >= least:
                yield frozenset(members), worst
            if len(members) == size:
                return
            for n, i in enumerate(rest):
                if len(members) + len(rest) - n < least:
                    return
                reach = max([worst, *(float(cost[i, j]) for j in members)])
                yield from grow((*members, i), reach, [j for j in rest[n + 1 :] if near[i, j]])

        yield from grow(tuple(sorted(held)), base, start)

    def _moved(self, members: frozenset[int], groups: list[Fill]) -> float:
        """Fewest parts of a set that move, whichever of the alike groups it goes to."""
        stay = max(sum(self.problem.fitted.get(p) in members for p in g.positions) for g in groups)
        return float(len(members) - stay)

    def _pair_block(
        self, model: _Model, group: Fill, places: dict[tuple[str, int | None], int], threshold: float
    ) -> None:
        """Add the pairs of a group whose positions are placed singly: y(p, i, q, j) = x(p, i) x(q, j)."""
        problem = self.problem
        several = len(group.positions) > 2
        mismatch = model.variable(total=1.0, integer=False, upper=np.inf) if several else -1
        for p, q, key in group.pairs:
            cost = problem.costs[key]
            first = {i: v for (at, i), v in places.items() if at == p}
            second = {j: v for (at, j), v in places.items() if at == q}
            by_first: dict[int | None, dict[int, float]] = {i: {v: -1.0} for i, v in first.items()}
            by_second: dict[int | None, dict[int, float]] = {j: {v: -1.0} for j, v in second.items()}
            dear: dict[int, float] = {}
            for i in first:
                for j in second:
                    c = self._pair_cost(p, i, q, j, cost)
                    if c is None or c > threshold:
                        continue
                    y = model.variable(total=0.0 if several else c, integer=False)
                    by_first[i][y] = by_second[j][y] = 1.0
                    if several and c > 0:
                        dear[y] = c
            for terms in (*by_first.values(), *by_second.values()):
                model.row(terms, 0, 0)
            if dear:
                model.row(dear | {mismatch: -1.0}, -np.inf, 0)

    def _pair_cost(self, p: str, i: int | None, q: str, j: int | None, cost: Array) -> float | None:
        """Mismatch of two parts in two positions of a group; None where they may not be there together."""
        if i is None or j is None:
            return 0.0
        held = self.problem.held
        if i == j or (self.problem.types[i] != self.problem.types[j] and not (p in held and q in held)):
            return None
        return float(cost[i, j])

    def _cut(
        self, model: _Model, cut: Cut, sets: list[_Sets], linked: list[Fill], places: dict[tuple[str, int | None], int]
    ) -> None:
        """At least one group holds parts that are not together yet."""
        fresh: dict[int, float] = {}
        for block in sets:
            known = cut.together.get(cut.kind(block.groups[0]), set())
            fresh |= {v: 1.0 for v, members in block.columns.items() if members not in known}
        for group in linked:
            new = model.variable()
            fresh[new] = 1.0
            for members in cut.together.get(cut.kind(group), set()):
                terms = {v: 1.0 for (p, i), v in places.items() if p in group.positions and i in members}
                model.row(terms | {new: 1.0}, 0, len(members))
        model.row(fresh, 1, np.inf)

    # --- reading the solution -----------------------------------------------------------------------------------------

    def _read(self, x: Array, sets: list[_Sets], places: dict[tuple[str, int | None], int]) -> Placement:
        placement: Placement = {p: i for (p, i), v in places.items() if x[v] > 0.5}
        for block in sets:
            chosen = [m for v, m in block.columns.items() for _ in range(round(float(x[v])))]
            placement |= self._seat(chosen, block.groups)
        return placement

    def _seat(self, chosen: list[frozenset[int]], groups: list[Fill]) -> Placement:
        """Give sets to alike groups, and parts to positions, so that as few parts as possible move."""
        fitted, held = self.problem.fitted, self.problem.held
        stay = np.array([[sum(fitted.get(p) in m for p in g.positions) for m in chosen] for g in groups])
        rows, columns = linear_sum_assignment(-stay)
        placement: Placement = {}
        for r, c in zip(rows, columns, strict=True):
            positions, left = groups[r].positions, sorted(chosen[c])
            seats: Placement = {p: held.get(p, fitted.get(p)) for p in positions}
            seats = {p: i if i in left else None for p, i in seats.items()}
            left = [i for i in left if i not in seats.values()]
            for p in positions:
                if seats[p] is None and left:
                    seats[p] = left.pop(0)
            placement |= seats
        return placement
