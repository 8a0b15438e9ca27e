"""The rows of one part of one log, column by column: in memory, or in a scratch file where there are too many."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from benchlab.logs.schemas import LABELS
from benchlab.logs.scratch import Scratch, ScratchWords

Array = np.ndarray[Any, Any]
_LOOK = 1_000_000
"""Rows at which the rhythm of a record is looked; a longer one in as many even stretches as make that."""
_STRETCH = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Rows of one part: ``time_s`` and ``segment`` first where the log has a clock, then its channels.

    A channel that no header named, or that holds no number, is absent.
    """

    columns: Mapping[str, Array | Scratch | ScratchWords] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def __contains__(self, column: object) -> bool:
        return column in self.columns

    def read(self, column: str, start: int = 0, stop: int | None = None) -> Array:
        """Return the values of one column in rows ``[start, stop)``, counted as in a slice; not to be written to.

        Raises
        ------
        KeyError
            If there is no such column.
        """
        held = self.columns[column]
        first, last, _ = slice(start, stop).indices(len(held))
        return held[first:last] if isinstance(held, np.ndarray) else held.read(first, max(last, first))

    def frame(self, start: int = 0, stop: int | None = None) -> pd.DataFrame:
        """Return rows ``[start, stop)`` as a table; labels such as ``phase`` are text."""
        rows = {c: self.read(c, start, stop) for c in self.columns}
        return pd.DataFrame({c: pd.array(x, dtype="str") if c in LABELS else x for c, x in rows.items()}, copy=False)

    def intervals(self) -> Array:
        """Return the times (s) from row to row within segments; of a long record those of even stretches of it."""
        if "time_s" not in self:
            return np.empty(0)
        n = len(self)
        size, count = (n, 1) if n <= _LOOK else (_STRETCH, _LOOK // _STRETCH)
        starts = np.linspace(0, n - size, count).astype(int).tolist()
        return np.concatenate([self._steps(start, start + size) for start in starts])

    def _steps(self, start: int, stop: int) -> Array:
        steps = np.diff(self.read("time_s", start, stop))
        same = np.diff(self.read("segment", start, stop)) == 0
        return steps if same.all() else steps[same]


def record_of(table: pd.DataFrame) -> Record:
    """Return the rows of a table as a record; its arrays are not copied."""
    return Record(columns={str(c): table[c].to_numpy() for c in table.columns})


def keep_freed_memory() -> None:
    """Let glibc keep what the arrays of a block free, instead of fetching it anew page by page: a third of the time.

    It keeps blocks up to the size of the largest that was freed so far, at most 32 MiB (mallopt(3),
    M_MMAP_THRESHOLD). The array is never touched and takes no memory; other C libraries do not mind it.
    """
    np.empty(31 * 2**20, dtype=np.uint8)
