"""Batches to whole tables: every column is written once, into memory that grows with what comes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from benchlab.logs.clock import Batch
from benchlab.logs.schemas import LABELS

Array = np.ndarray[Any, Any]


class _Store:
    """One column that grows."""

    def __init__(self, first: Array, room: int) -> None:
        self._data = np.empty(max(room, len(first)), dtype=first.dtype)
        self._n = 0

    def add(self, piece: Array) -> None:
        end = self._n + len(piece)
        if end > len(self._data):
            grown = np.empty(max(end, 2 * len(self._data)), dtype=self._data.dtype)
            grown[: self._n] = self._data[: self._n]
            self._data = grown
        self._data[self._n : end] = piece
        self._n = end

    @property
    def filled(self) -> Array:
        return self._data[: self._n]


class Gathered:
    """The tables of a log while its batches come in; columns that parts share are stored once.

    ``room`` is the number of rows expected, to set memory aside for; any number of rows is taken.
    """

    def __init__(self, room: int) -> None:
        self._room = room
        self._tables: dict[str, dict[str, _Store]] = {}

    def add(self, tables: Mapping[str, Batch]) -> None:
        """Append the batches of some rows."""
        written: dict[int, _Store] = {}
        for label, batch in tables.items():
            table = self._tables.setdefault(label, {})
            for key, piece in batch.items():
                if key not in table:
                    table[key] = written.get(id(piece)) or _Store(piece, self._room)
                if written.get(id(piece)) is not table[key]:
                    table[key].add(piece)
                    written[id(piece)] = table[key]

    def frames(self) -> dict[str, pd.DataFrame]:
        """Return the tables, parts in their natural order."""
        return {label: as_frame(self._tables[label]) for label in sorted(self._tables, key=_natural)}


def as_frame(columns: Mapping[str, _Store | Array]) -> pd.DataFrame:
    """Return a table with the clock first; a channel without any number is left out."""
    out: dict[str, object] = {}
    first = ["time_s", "segment"] if "time_s" in columns else []
    for key in [*first, *(k for k in columns if k not in first)]:
        column = columns[key]
        values = column.filled if isinstance(column, _Store) else column
        if key in LABELS:
            out[key] = pd.array(values, dtype="str")
        elif key in first or _has_number(values):
            out[key] = values
    return pd.DataFrame(out, copy=False)


def _has_number(values: Array) -> bool:
    return not len(values) or bool(np.isfinite(values[0])) or not np.isnan(values).all()


def _natural(label: str) -> tuple[int, float, str]:
    return (0, float(label), "") if label.isdecimal() else (1, 0.0, label)
