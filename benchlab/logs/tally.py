"""Statistics of every column as it was logged, and which rows of a block are rejected and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa

from benchlab.logs.cells import to_number
from benchlab.logs.columns import Cells, Reject

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]
_STRETCH = 4096


@dataclass(kw_only=True)
class SteadySum:
    """A sum that does not depend on how its terms come in blocks: it is always taken over the same stretches."""

    _done: float = 0.0
    _rest: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, x: Floats) -> None:
        """Add terms."""
        if len(self._rest):
            lacking = _STRETCH - len(self._rest)
            self._rest, x = np.concatenate([self._rest, x[:lacking]]), x[lacking:]
            if len(self._rest) < _STRETCH:
                return
            self._close(self._rest)
        whole = len(x) - len(x) % _STRETCH
        self._close(x[:whole])
        self._rest = x[whole:].copy()

    def _close(self, x: Floats) -> None:
        for part in x.reshape(-1, _STRETCH).sum(axis=1).tolist():
            self._done += part

    @property
    def total(self) -> float:
        """The sum of all terms."""
        return self._done + float(self._rest.sum())


@dataclass(kw_only=True)
class ColumnTally:
    """Running statistics of one column."""

    decimal: str
    timed: bool
    """The column holds times: none of its cells counts as a number."""
    n: int = 0
    missing: int = 0
    lo: float = float("inf")
    hi: float = float("-inf")
    _sum: SteadySum = field(default_factory=SteadySum)

    @property
    def mean(self) -> float | None:
        """Mean of the numbers, None where there is none."""
        return self._sum.total / self.n if self.n else None

    def add(self, cells: Cells, kept: Bools | None) -> None:
        """Count the cells of the rows that were kept (None: of all)."""
        if cells.numbers is None:
            text: pa.Array = cells.text
            self._add_text(text if kept is None else text.filter(pa.array(kept)))
            return
        if cells.lo == cells.lo and kept is None:  # no hole
            self._add_numbers(cells.numbers, cells.lo, cells.hi)
            return
        x = cells.numbers if kept is None else cells.numbers[kept]
        n = int(np.count_nonzero(np.isfinite(x)))
        bad = 0 if cells.bad is None else int(np.count_nonzero(cells.bad if kept is None else cells.bad[kept]))
        self.missing += len(x) - n - bad
        if n:
            x = x if n == len(x) else x[np.isfinite(x)]
            self._add_numbers(x, float(x.min()), float(x.max()))

    def _add_numbers(self, x: Floats, lo: float, hi: float) -> None:
        self.n += len(x)
        self._sum.add(x)
        self.lo, self.hi = min(self.lo, lo), max(self.hi, hi)

    def _add_text(self, text: pa.Array) -> None:
        self.missing += text.null_count
        if self.timed or text.null_count == len(text):
            return
        coded = text.drop_null().dictionary_encode()
        values = [to_number(word, self.decimal) for word in coded.dictionary.to_pylist()]
        if any(v is not None for v in values):  # a column of words may hold some numbers
            x = np.array([np.nan if v is None else v for v in values])[np.asarray(coded.indices)]
            x = x[np.isfinite(x)]
            self._add_numbers(x, float(x.min()), float(x.max()))


@dataclass(kw_only=True)
class RowVerdicts:
    """Which rows of a block are rejected, each by the first rule it broke."""

    lines: np.ndarray[Any, np.dtype[np.int64]]
    rejects: list[Reject] = field(default_factory=list)
    _bad: Bools | None = None

    def add(self, bad: Bools, column: str, cells: Cells, rule: str) -> None:
        """Reject the rows marked, unless they already are."""
        fresh = bad if self._bad is None else bad & ~self._bad
        at = np.flatnonzero(fresh)
        if not len(at):
            return
        self.rejects += [
            Reject(line=int(self.lines[i]), column=column, value=cells.cell(int(i)), rule=rule) for i in at
        ]
        self._bad = fresh.copy() if self._bad is None else self._bad | fresh

    @property
    def keep(self) -> Bools | None:
        """The rows not rejected; None: all."""
        return None if self._bad is None else ~self._bad
