"""The integer program behind the assignment.

Groups that share positions (ganged with a neighbour, mirrored with a twin) form a component and are placed jointly.
A component is filled with a whole set of parts, arranged within it as well as can be: set packing, one variable per
feasible set and kind of component. Where there are too many sets to list, there is one variable per position and part,
and the pairs of each group are their products.
"""

from __future__ import annotations

import time
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from benchlab.matching.components import Array, Component, Fill, Problem, Ways, as_bits, components, ways
from benchlab.matching.model import TIE, Model

Placement = dict[str, int | None]
Objective = Literal["total", "moves"]
Together = dict[Hashable, set[frozenset[int]]]
"""Kind of group -> sets of parts that such a group holds in a placement that is to be left out."""


class Unsolved(Exception):  # noqa: N818 - it is no error: there is no such placement
    """There is no placement, or none was found in the time allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Components that can be exchanged, the ways to fill one, and the variables: one per way in ``chosen`` (row)."""

    alike: list[Component]
    ways: Ways
    fresh: npt.NDArray[np.bool_]
    """Whether a way (row) puts parts together that are not yet, where that was asked for."""
    chosen: dict[int, int]
    """Variable -> the best row of ``ways`` for its set of parts."""

    def members(self, variable: int) -> frozenset[int]:
        """Parts of one variable."""
        return frozenset(int(i) for i in self.ways.rows[self.chosen[variable]] if i >= 0)


class Program:
    """Solves one problem for changing thresholds and objectives within a common time limit."""

    def __init__(self, problem: Problem, time_limit_s: float) -> None:
        self.problem = problem
        self.proven = True
        self._deadline = time.monotonic() + time_limit_s
        self._alike: dict[Hashable, list[Component]] = {}
        for component in components(problem):
            self._alike.setdefault(component.shape, []).append(component)
        self.filled, self.whole = self._most_filled()
        self.complete = self.filled == len(problem.positions)

    # --- how many positions can be filled ---------------------------------------------------------------------------

    def _most_filled(self) -> tuple[int, int]:
        """Largest number of positions that parts of the right types can fill, and of groups that are whole then."""
        problem, model = self.problem, Model()
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
        most = round(float(x[filled].sum()))
        if most == len(problem.positions):
            return most, len(problem.groups)
        model.row(dict.fromkeys(filled, 1.0), most, most)
        whole = list(self._whole_groups(model, problem.groups, places).values())
        x, _ = model.solve([-float(v in whole) for v in range(len(model.total))], self._left())
        return most, 0 if x is None else round(float(x[whole].sum()))

    @staticmethod
    def _whole_groups(
        model: Model, groups: Sequence[Fill], places: dict[tuple[str, int | None], int]
    ) -> dict[str, int]:
        """Add a variable for every group, which may be 1 only if none of its positions stays empty."""
        found = {}
        for group in groups:
            v = found[group.name] = model.variable()
            for p in group.positions:
                if (p, None) in places:
                    model.row({v: 1.0, places[p, None]: 1.0}, 0, 1)
        return found

    def _places(self, model: Model, positions: set[str] | None = None) -> dict[tuple[str, int | None], int]:
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
    def _cover(model: Model, uses: list[dict[int, float]]) -> None:
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
        objective: Objective,
        total_at_most: float | None = None,
        cut: Together | None = None,
    ) -> Placement | None:
        """Return a placement with no pair above ``threshold`` and most positions filled, most groups whole; else None.

        Of these the one with the least ``objective``: total of the group mismatches or number of parts moved.
        """
        model = Model()
        sets, linked = self._set_blocks(model, threshold, cut)
        positions = {p for g in linked for p in g.positions}
        places = self._places(model, positions)
        if self.complete:
            for (_, i), v in places.items():
                model.upper[v] = 0.0 if i is None else 1.0
        for group in linked:
            self._pair_block(model, group, places, threshold)
        uses: dict[int, dict[int, float]] = {i: {} for i in self.problem.free}
        taken = [(v, i) for block in sets for v in block.chosen for i in block.members(v)]
        for v, i in [*taken, *((v, i) for (_, i), v in places.items())]:
            if i in uses:
                uses[i][v] = 1.0
        self._cover(model, list(uses.values()))
        if not self.complete:
            terms = {v: float(n) for block in sets for v in block.chosen if (n := len(block.members(v)))}
            terms |= {v: 1.0 for (_, i), v in places.items() if i is not None}
            model.row(terms, self.filled, self.filled)
            terms = {v: float(n) for block in sets for v, row in block.chosen.items() if (n := block.ways.whole[row])}
            terms |= dict.fromkeys(self._whole_groups(model, linked, places).values(), 1.0)
            model.row(terms, self.whole, np.inf)
        if total_at_most is not None:
            model.row({v: c for v, c in enumerate(model.total) if c}, 0, total_at_most)
        if cut is not None:
            self._cut(model, cut, sets, linked, places)
        goal = model.total if objective == "total" else model.moves
        x, proved = model.solve(goal, self._left())
        self.proven &= proved
        return None if x is None else self._read(x, sets, places)

    def _set_blocks(self, model: Model, threshold: float, cut: Together | None) -> tuple[list[_Block], list[Fill]]:
        """Add the sets of every component; return them and the groups of those with too many ways to be listed."""
        blocks, linked = [], []
        for alike in self._alike.values():
            found = ways(self.problem, alike[0], threshold, complete=self.complete)
            if found is None:
                linked += [g for c in alike for g in c.groups]
                continue
            stays = _stays(self.problem, found, alike)
            fresh = np.zeros(len(found.rows), dtype=bool) if cut is None else self._fresh(found, alike[0], cut)
            chosen = {}
            for row in _best_rows(found, stays, fresh):
                size = int((found.rows[row] >= 0).sum())
                v = model.variable(
                    total=float(found.total[row]),
                    moves=float(size - stays[row]),
                    upper=1.0 if size else float(len(alike)),
                )
                chosen[v] = int(row)
            model.row(dict.fromkeys(chosen, 1.0), len(alike), len(alike))
            blocks.append(_Block(alike=alike, ways=found, fresh=fresh, chosen=chosen))
        return blocks, linked

    def _fresh(self, found: Ways, component: Component, cut: Together) -> npt.NDArray[np.bool_]:
        """Whether a way puts parts together in some group that are not together yet in one of its kind."""
        at = {p: k for k, p in enumerate(component.positions)}
        n = len(self.problem.parts)
        fresh = np.zeros(len(found.rows), dtype=bool)
        for group in component.groups:
            known = [sum(1 << i for i in members) for members in cut.get(group.kind, set())]
            own = as_bits(found.rows[:, [at[p] for p in group.positions]], n)
            fresh |= ~np.isin(own, np.array(known, dtype=own.dtype))
        return fresh

    def _pair_block(
        self, model: Model, group: Fill, places: dict[tuple[str, int | None], int], threshold: float
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
        self,
        model: Model,
        cut: Together,
        sets: list[_Block],
        linked: list[Fill],
        places: dict[tuple[str, int | None], int],
    ) -> None:
        """At least one group holds parts that are not together yet."""
        fresh: dict[int, float] = {}
        for block in sets:
            fresh |= {v: 1.0 for v, row in block.chosen.items() if block.fresh[row]}
        for group in linked:
            v = model.variable()
            fresh[v] = 1.0
            for members in cut.get(group.kind, set()):
                terms = {x: 1.0 for (p, i), x in places.items() if p in group.positions and i in members}
                model.row(terms | {v: 1.0}, 0, len(members))
        model.row(fresh, 1, np.inf)

    # --- reading the solution -----------------------------------------------------------------------------------------

    def _read(self, x: Array, sets: list[_Block], places: dict[tuple[str, int | None], int]) -> Placement:
        placement: Placement = {p: i for (p, i), v in places.items() if x[v] > 0.5}
        for block in sets:
            rows = [row for v, row in block.chosen.items() for _ in range(round(float(x[v])))]
            placement |= self._seat(rows, block)
        return placement

    def _seat(self, rows: list[int], block: _Block) -> Placement:
        """Give sets to alike components, arranged so that as few parts as possible move."""
        from scipy.optimize import linear_sum_assignment  # loaded late, as in model.py

        found, problem = block.ways, self.problem
        options = []  # [set][component] -> (row, parts that stay)
        for row in rows:
            alike = (found.members == found.members[row]) & (found.whole == found.whole[row])
            alike &= block.fresh == block.fresh[row]
            same = np.flatnonzero(alike & (found.total <= found.total[row] + TIE))
            kept = [_staying(problem, found.rows[same], c) for c in block.alike]
            options.append([(int(same[np.argmax(k)]), int(k.max())) for k in kept])
        gain = np.array([[stay for _, stay in per_set] for per_set in options])
        placement: Placement = {}
        for s, c in zip(*linear_sum_assignment(-gain), strict=True):
            placement |= self._arranged(found.rows[options[s][c][0]], block.alike[c])
        return placement

    def _arranged(self, row: npt.NDArray[np.int64], component: Component) -> Placement:
        """Put one way into a component's positions; in a symmetric group the parts that are there already stay."""
        seats = {p: (None if i < 0 else int(i)) for p, i in zip(component.positions, row, strict=True)}
        if not component.symmetric:
            return seats
        parts = [i for i in seats.values() if i is not None]
        fitted, held = self.problem.fitted, self.problem.held
        stay = {p: i for p in seats if (i := held.get(p, fitted.get(p, -1))) in parts}
        rest = sorted(set(parts) - set(stay.values()))
        open_ = [p for p in self.problem.positions if p in seats and p not in stay]
        return stay | dict(zip(open_, [*rest, *[None] * (len(open_) - len(rest))], strict=True))


def _staying(problem: Problem, rows: npt.NDArray[np.int64], component: Component) -> npt.NDArray[np.int64]:
    """Number of parts in each way that stay where they are if it fills ``component``."""
    now = np.array([problem.fitted.get(p, -2) for p in component.positions])
    if component.symmetric:
        return np.asarray(np.isin(rows, now[now >= 0]).sum(axis=1))
    return np.asarray((rows == now).sum(axis=1))


def _stays(problem: Problem, found: Ways, alike: list[Component]) -> npt.NDArray[np.int64]:
    """Most parts that stay, whichever of the alike components a way fills."""
    return np.asarray(np.max([_staying(problem, found.rows, c) for c in alike], axis=0))


def _best_rows(found: Ways, stays: npt.NDArray[np.int64], fresh: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Pick for every set of parts (fresh and known, more and fewer whole groups apart) the way of least total.

    Of equal ones that with the fewest moves.
    """
    total = np.round(found.total / TIE) * TIE
    order = np.lexsort((-stays, total, found.whole, fresh, found.members))
    first = np.ones(order.size, dtype=bool)
    first[1:] = False
    for key in (found.members, found.whole, fresh):
        first[1:] |= key[order][1:] != key[order][:-1]
    return order[first]
