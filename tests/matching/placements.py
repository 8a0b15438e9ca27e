"""Random assignment problems, and their best placement by trying every one."""

from itertools import permutations

import numpy as np

from benchlab.matching.assignment import Solution, evaluate
from benchlab.matching.components import Fill, Problem

# layouts as lists of groups of positions; the last two share positions, as ganged elevons with mirrored twins do
LAYOUTS = [
    [["a", "b"]],
    [["a", "b"], ["c", "d"]],
    [["a", "b", "c"]],
    [["a", "b", "c"], ["d", "e"]],
    [["a"], ["b", "c"], ["d", "e"]],
    [["a", "b", "c", "d"]],
    [["a", "b"], ["b", "c"]],
    [["a", "b"], ["c", "d"], ["a", "c"], ["b", "d"]],
]


def random_problem(rng: np.random.Generator, *, most: int = 10) -> Problem:
    """Up to ``most`` servos of one or two types in a random layout; some fixed, rejected, opposed or alike."""
    layout = LAYOUTS[rng.integers(len(LAYOUTS))]
    positions = sorted({p for g in layout for p in g})
    n = int(rng.integers(2, most + 1))
    kinds = ("ganged", "mirrored")
    costs = {}
    for key in ("ganged", "mirrored", "opposed"):
        c = rng.choice([0.1, 0.2, 0.4, 0.8], (n, n)) if rng.random() < 0.2 else rng.exponential(1.0, (n, n))
        c = np.triu(c, 1)
        costs[key] = c + c.T
    groups = []
    for k, g in enumerate(layout):
        inner = kinds[int(rng.integers(2))]
        groups.append(
            Fill(
                name=f"g{k}",
                positions=tuple(g),
                inner=inner,
                lead="opposed" if rng.random() < 0.25 else inner,
            )
        )
    seats = rng.permutation(positions)[: int(rng.integers(0, min(n, len(positions)) + 1))]
    parts = rng.permutation(n)
    fitted = {str(p): int(parts[k]) for k, p in enumerate(seats)}
    two_types = rng.random() < 0.3
    return Problem(
        parts=tuple(f"S{i:02d}" for i in range(n)),
        types=tuple("xy"[int(rng.integers(2))] if two_types else None for _ in range(n)),
        groups=tuple(groups),
        costs=costs,
        fitted=fitted,
        fixed=frozenset(p for p in fitted if rng.random() < 0.25),
        barred=frozenset(int(i) for i in range(n) if rng.random() < 0.1),
    )


def by_trying_all(problem: Problem, may=lambda placement: True) -> Solution | None:
    """Most positions filled, then most groups whole, then least worst, then least total: by trying all that may be."""
    positions, held = problem.positions, problem.held
    open_ = [p for p in positions if p not in held]
    best, best_rank = None, None
    pool = [*problem.free, *[None] * len(open_)]
    seen = set()
    for seats in permutations(range(len(pool)), len(open_)):
        chosen = tuple(pool[k] for k in seats)
        if chosen in seen:
            continue
        seen.add(chosen)
        placement = held | dict(zip(open_, chosen, strict=True))
        if not _types_fit(problem, placement) or not may(placement):
            continue
        s = evaluate(problem, placement)
        rank = (len(s.empty), -s.whole, round(s.worst, 9), s.total)
        if best_rank is None or rank < best_rank:
            best, best_rank = s, rank
    return best


def second_by_trying_all(problem: Problem, best: Solution) -> Solution | None:
    """Second best by the words: some group holds parts that no group of its kind holds in the best."""
    known = {}
    for g in problem.groups:
        known.setdefault(g.kind, set()).add(frozenset(best.placement[p] for p in g.positions) - {None})

    def fresh(placement):
        return any(frozenset(placement[p] for p in g.positions) - {None} not in known[g.kind] for g in problem.groups)

    return by_trying_all(problem, fresh)


def _types_fit(problem: Problem, placement: dict) -> bool:
    for p, q, _ in (pair for g in problem.groups for pair in g.pairs):
        i, j = placement[p], placement[q]
        if i is None or j is None or (p in problem.held and q in problem.held):
            continue
        if problem.types[i] != problem.types[j]:
            return False
    return True
