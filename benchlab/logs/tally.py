"""Statistics of every column as it was logged, and which rows of a block are rejected and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchlab.logs.blocks import Cells, Reject
from benchlab.logs.cells import to_number

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]


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
    total: float = 0.0

    def add(self, cells: Cells, kept: Bools | None) -> None:
        """Count the cells of the rows that were kept (None: of all)."""
        if cells.numbers is None:
            text: pa.Array = cells.text
            self._add_text(text if kept is None else text.filter(pa.array(kept)))
            return
        if cells.lo == cells.lo and kept is None:  # no hole
            self._add_numbers(cells.lo, cells.hi, float(cells.numbers.sum()), len(cells.numbers))
            return
        x = cells.numbers if kept is None else cells.numbers[kept]
        n = int(np.count_nonzero(np.isfinite(x)))
        bad = 0 if cells.bad is None else int(np.count_nonzero(cells.bad if kept is None else cells.bad[kept]))
        self.missing += len(x) - n - bad
        if n:
            x = x if n == len(x) else x[np.isfinite(x)]
            self._add_numbers(float(x.min()), float(x.max()), float(x.sum()), n)

    def _add_numbers(self, lo: float, hi: float, total: float, n: int) -> None:
        self.n, self.total = self.n + n, self.total + total
        self.lo, self.hi = min(self.lo, lo), max(self.hi, hi)

    def _add_text(self, text: pa.Array) -> None:
        self.missing += text.null_count
        if self.timed or text.null_count == len(text):
            return
        for item in pc.value_counts(text.drop_null()):  # a column of words may hold some numbers
            value = to_number(item["values"].as_py(), self.decimal)
            if value is not None:
                count = item["counts"].as_py()
                self._add_numbers(value, value, value * count, count)


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
