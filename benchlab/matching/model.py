"""An integer program: its variables and rows, and how large ones are solved. Knows nothing of what they mean.

The solver is imported where it is used: most of a run goes by before it is needed, or without it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Array = npt.NDArray[np.float64]

TIE = 1e-6
"""Totals closer than this are the same: the solver's own tolerance."""
_FEW = 500
"""As many variables are solved at once."""


@dataclass(slots=True, kw_only=True)
class Model:
    """Variables and rows as they are added: two costs for each variable, of which one is made least.

    Variables are whole numbers from 0 to ``upper`` unless ``integer`` is False.
    """

    total: list[float] = field(default_factory=list)
    moves: list[float] = field(default_factory=list)
    integer: list[bool] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    rows: list[dict[int, float]] = field(default_factory=list)
    lower_side: list[float] = field(default_factory=list)
    upper_side: list[float] = field(default_factory=list)

    def variable(self, *, total: float = 0.0, moves: float = 0.0, integer: bool = True, upper: float = 1.0) -> int:
        """Add a variable and return its number."""
        self.total.append(total)
        self.moves.append(moves)
        self.integer.append(integer)
        self.upper.append(upper)
        return len(self.total) - 1

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        """Ask that the sum of variables times factors (``terms``) lie between ``low`` and ``high``."""
        self.rows.append(terms)
        self.lower_side.append(low)
        self.upper_side.append(high)

    def solve(self, objective: list[float], time_limit_s: float) -> tuple[Array | None, bool]:
        """Return the values of the variables (None: infeasible) and whether that is proved.

        Solved without whole numbers first: a variable whose reduced cost exceeds what a placement found costs above
        that bound is zero in every better one. Most of many thousands drop out so.
        """
        end = time.monotonic() + time_limit_s
        n, cost = len(self.total), np.array(objective, dtype=np.float64)
        if n == 0:
            met = all(lo <= 0 <= hi for lo, hi in zip(self.lower_side, self.upper_side, strict=True))
            return (np.zeros(0) if met else None), True
        everything = np.ones(n, dtype=bool)
        relaxed: Any = self._relaxed(cost) if n > _FEW else None
        if relaxed is not None and relaxed.status == 2:
            return None, True
        if relaxed is None or relaxed.status != 0:
            return self._solved(cost, everything, end)
        reduced = np.asarray(relaxed.lower.marginals)
        # of equal ones any, but not neighbours, which exclude one another
        order = np.lexsort((np.random.default_rng(0).permutation(n), np.round(reduced / TIE)))
        needed = everything
        for few in (_FEW, 4 * _FEW):
            keep = ~everything
            keep[order[:few]] = True
            x, proven = self._solved(cost, keep & needed, end)
            if x is not None:
                excess = float(cost @ x) - relaxed.fun
                needed = reduced <= excess + TIE
                if excess <= TIE or not (needed & ~keep).any():
                    return x, proven or excess <= TIE
        return self._solved(cost, needed, end)

    def _matrix(self) -> csr_array[Any, tuple[int, int]]:
        from scipy.sparse import csr_array

        counts = [len(r) for r in self.rows]
        return csr_array(
            (
                np.array([v for r in self.rows for v in r.values()], dtype=np.float64),
                np.array([c for r in self.rows for c in r], dtype=np.int32),
                np.concatenate([[0], np.cumsum(counts)]).astype(np.int32),
            ),
            shape=(len(self.rows), len(self.total)),
        )

    def _relaxed(self, cost: Array) -> Any:
        """Solve without whole numbers, for the least cost and every variable's reduced cost."""
        from scipy.optimize import linprog
        from scipy.sparse import vstack

        matrix, low, high = self._matrix(), np.array(self.lower_side), np.array(self.upper_side)
        equal, above, below = low == high, np.isfinite(high) & (low != high), np.isfinite(low) & (low != high)
        return linprog(
            cost,
            A_ub=vstack([matrix[above], -matrix[below]]), b_ub=np.concatenate([high[above], -low[below]]),
            A_eq=matrix[equal], b_eq=low[equal],
            bounds=[(0.0, u) for u in self.upper],
        )  # fmt: skip

    def _solved(self, cost: Array, keep: npt.NDArray[np.bool_], end: float) -> tuple[Array | None, bool]:
        """Solve with the variables ``keep``, the others being zero."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        found = milp(
            cost[keep],
            integrality=np.array(self.integer, dtype=int)[keep],
            bounds=Bounds(0, np.array(self.upper)[keep]),
            constraints=LinearConstraint(self._matrix()[:, keep], np.array(self.lower_side), np.array(self.upper_side)),
            options={"mip_rel_gap": 0.0, "time_limit": max(end - time.monotonic(), 0.01)},
        )
        if found.x is None:
            return None, found.status == 2
        x = np.zeros(keep.size)
        x[keep] = found.x
        return x, found.status == 0
