"""Positions that hang together through their groups, and every way to fill them under a threshold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

# More ways than this (some 100 MB) are not listed; the positions are then placed one by one instead.
_MOST_WAYS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """A group to be filled: its positions, and which pair costs hold between followers and with the leader."""

    name: str
    positions: tuple[str, ...]
    inner: str
    lead: str

    @property
    def pairs(self) -> list[tuple[str, str, str]]:
        """Every two positions and the costs that hold between them."""
        return [(p, q, self.lead if p == self.positions[0] else self.inner) for p, q in combinations(self.positions, 2)]

    @property
    def kind(self) -> tuple[int, str, str]:
        """What groups that can be exchanged have in common."""
        return len(self.positions), self.inner, self.lead


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Parts (by index), groups, symmetric pair costs (n, n) by name, and what is in place.

    ``types``: only parts of one type may share a group. ``fitted``: position -> part; ``fixed``: the positions among
    them whose part stays. ``barred``: parts that are never placed (unless fixed).
    """

    parts: tuple[str, ...]
    types: tuple[str | None, ...]
    groups: tuple[Fill, ...]
    costs: Mapping[str, Array]
    fitted: Mapping[str, int]
    fixed: frozenset[str] = frozenset()
    barred: frozenset[int] = frozenset()

    @property
    def positions(self) -> tuple[str, ...]:
        """Every position of the groups, once, in order."""
        return tuple(dict.fromkeys(p for g in self.groups for p in g.positions))

    @property
    def held(self) -> dict[str, int]:
        """Fixed parts by position."""
        return {p: self.fitted[p] for p in self.positions if p in self.fixed and p in self.fitted}

    @property
    def free(self) -> tuple[int, ...]:
        """Parts that may be moved, in order."""
        held = set(self.held.values())
        return tuple(i for i in range(len(self.parts)) if i not in held and i not in self.barred)


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """Groups that share positions, directly or through others; ``positions`` has the fixed ones first."""

    groups: tuple[Fill, ...]
    positions: tuple[str, ...]
    held: tuple[int, ...]
    """Parts of the first positions."""

    @property
    def shape(self) -> tuple[object, ...]:
        """Equal for components that can be exchanged."""
        at = {p: k for k, p in enumerate(self.positions)}
        return self.held, tuple((*(at[p] for p in g.positions), g.inner, g.lead) for g in self.groups)

    @property
    def symmetric(self) -> bool:
        """True where only the set of parts matters: one group in which nobody leads."""
        group = self.groups[0]
        return len(self.groups) == 1 and (len(group.positions) <= 2 or group.inner == group.lead)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Ways to fill a component: ``rows`` (m, p) part at each position, -1 empty.

    ``total`` (m,) is the sum of the group mismatches, ``whole`` (m,) the number of groups without an empty position,
    ``members`` (m,) the set of parts as bits.
    """

    rows: Rows
    total: Array
    whole: Rows
    members: npt.NDArray[np.object_] | Rows


def components(problem: Problem) -> list[Component]:
    """Split the groups into components, in the order of the groups."""
    bunches: list[list[Fill]] = []
    for group in problem.groups:
        touching = [b for b in bunches if any(set(group.positions) & set(g.positions) for g in b)]
        merged = [g for b in touching for g in b] + [group]
        bunches = [b for b in bunches if b not in touching] + [merged]
    order = {g.name: k for k, g in enumerate(problem.groups)}
    return [_component(problem, b) for b in sorted(bunches, key=lambda b: order[b[0].name])]


def _component(problem: Problem, groups: list[Fill]) -> Component:
    positions = dict.fromkeys(p for g in groups for p in g.positions)
    held = [p for p in positions if p in problem.held]
    return Component(
        groups=tuple(groups),
        positions=(*held, *(p for p in positions if p not in held)),
        held=tuple(problem.held[p] for p in held),
    )


def ways(problem: Problem, component: Component, threshold: float, *, complete: bool) -> Ways | None:
    """List every way to fill a component with no pair above ``threshold``; None if there are too many to list.

    ``complete``: no position stays empty. Of a symmetric group every set of parts is listed once.
    """
    n, fixed = len(problem.parts), len(component.held)
    kin = np.equal.outer(np.array(problem.types, dtype=object), np.array(problem.types, dtype=object))
    # the last row and column stand for "empty" (index -1), which goes with everything
    near = {
        key: np.pad(c <= threshold, (0, 1), constant_values=True) & np.pad(kin, (0, 1), constant_values=True)
        for key, c in problem.costs.items()
    }
    if any(problem.costs[k][component.held[a], component.held[b]] > threshold for a, b, k in _held_pairs(component)):
        return _ways(problem, component, np.zeros((0, len(component.positions)), dtype=np.int64))
    rows = np.array([component.held], dtype=np.int64).reshape(1, fixed)
    may = np.zeros(n + 1, dtype=bool)
    may[list(problem.free)] = True
    may[n] = not complete
    links = _links(component)
    for depth in range(fixed, len(component.positions)):
        mask = np.broadcast_to(may, (len(rows), n + 1)).copy()
        for before, key in links[depth]:
            mask &= near[key][rows[:, before]]
        for before in range(depth):
            taken = np.flatnonzero(rows[:, before] >= 0)
            mask[taken, rows[taken, before]] = False
        if component.symmetric and depth > fixed:  # ascending, the empty ones last
            last = rows[:, depth - 1]
            mask[:, :n] &= (np.arange(n) > last[:, None]) & (last >= 0)[:, None]
        if int(mask.sum()) > _MOST_WAYS:
            return None
        row, part = np.nonzero(mask)
        rows = np.column_stack([rows[row], np.where(part == n, -1, part)])
    return _ways(problem, component, rows)


def _held_pairs(component: Component) -> Iterator[tuple[int, int, str]]:
    at = {p: k for k, p in enumerate(component.positions[: len(component.held)])}
    for group in component.groups:
        for p, q, key in group.pairs:
            if p in at and q in at:
                yield at[p], at[q], key


def _links(component: Component) -> list[list[tuple[int, str]]]:
    """For each position the earlier ones that share a group with it, and the costs that hold."""
    at = {p: k for k, p in enumerate(component.positions)}
    links: list[list[tuple[int, str]]] = [[] for _ in at]
    for group in component.groups:
        for p, q, key in group.pairs:
            first, second = sorted((at[p], at[q]))
            links[second].append((first, key))
    return links


def _ways(problem: Problem, component: Component, rows: Rows) -> Ways:
    at = {p: k for k, p in enumerate(component.positions)}
    total, whole = np.zeros(len(rows)), np.zeros(len(rows), dtype=np.int64)
    for group in component.groups:
        whole += (rows[:, [at[p] for p in group.positions]] >= 0).all(axis=1)
        worst = np.zeros(len(rows))
        for p, q, key in group.pairs:
            padded = np.pad(problem.costs[key], (0, 1))
            worst = np.maximum(worst, padded[rows[:, at[p]], rows[:, at[q]]])
        total += worst
    return Ways(rows=rows, total=total, whole=whole, members=as_bits(rows, len(problem.parts)))


def as_bits(rows: Rows, n: int) -> npt.NDArray[np.object_] | Rows:
    """Return the set of parts in each row as one integer; Python's where 62 bits are too few."""
    bits = np.array([*(1 << i for i in range(n)), 0], dtype=np.int64 if n <= 62 else object)
    return np.asarray(bits[rows].sum(axis=1)) if rows.size else np.zeros(len(rows), dtype=bits.dtype)
