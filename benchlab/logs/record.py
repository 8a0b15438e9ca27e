"""The rows of one part of one log, column by column: in memory, or in a scratch file where there are too many."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
import pandas as pd

from benchlab.logs.schemas import LABELS

Array = np.ndarray[Any, Any]


class Scratch:
    """A column of numbers in a file of its own, which the system removes when it is no longer used."""

    def __init__(self, dtype: np.dtype[Any]) -> None:
        self.dtype = dtype
        self._file: BinaryIO = tempfile.TemporaryFile(prefix="benchlab-")  # noqa: SIM115: lives as long as the column
        self._n = 0

    def __len__(self) -> int:
        return self._n

    def add(self, piece: Array) -> None:
        """Append values."""
        self._file.seek(self._n * self.dtype.itemsize)
        self._file.write(memoryview(np.ascontiguousarray(piece, dtype=self.dtype)).cast("B"))
        self._n += len(piece)

    def read(self, start: int, stop: int) -> Array:
        """Return the values of rows ``[start, stop)``."""
        out = np.empty(stop - start, dtype=self.dtype)
        self._file.seek(start * self.dtype.itemsize)
        self._file.readinto(memoryview(out).cast("B"))  # type: ignore[attr-defined]
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Rows of one part: ``time_s`` and ``segment`` first where the log has a clock, then its channels.

    A channel that no header named, or that holds no number, is absent.
    """

    columns: Mapping[str, Array | Scratch] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))

    def __contains__(self, column: object) -> bool:
        return column in self.columns

    def read(self, column: str, start: int = 0, stop: int | None = None) -> Array:
        """Return the values of one column in rows ``[start, stop)``; not to be written to.

        Raises
        ------
        KeyError
            If there is no such column.
        """
        held = self.columns[column]
        first, last, _ = slice(start, stop).indices(len(held))
        return held.read(first, max(last, first)) if isinstance(held, Scratch) else held[first:last]

    def frame(self) -> pd.DataFrame:
        """Return all rows as a table; labels such as ``phase`` are text."""
        whole = {c: self.read(c) for c in self.columns}
        return pd.DataFrame({c: pd.array(x, dtype="str") if c in LABELS else x for c, x in whole.items()}, copy=False)


def record_of(table: pd.DataFrame) -> Record:
    """Return the rows of a table as a record; its arrays are not copied."""
    return Record(columns={str(c): table[c].to_numpy() for c in table.columns})
