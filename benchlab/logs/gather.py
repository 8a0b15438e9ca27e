"""Batches to whole records: kept in memory as they come, and moved to a scratch file when they become too many."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np

from benchlab.logs.clock import Batch
from benchlab.logs.record import Record
from benchlab.logs.schemas import LABELS
from benchlab.logs.scratch import Scratch, ScratchFile, ScratchWords

T = TypeVar("T")
Array = np.ndarray[Any, Any]
IN_MEMORY = 8_000_000
"""Values of a log that are held in memory (64 MB): a million rows of eight columns. A longer log is handed to its
scratch file in smaller portions."""
_CLOCK = ("time_s", "segment")


class _Column:
    """One column that grows: pieces in memory, those before them in the scratch file."""

    def __init__(self, *, words: bool) -> None:
        self._words = words
        self._pieces: list[Array] = []
        self._scratch: Scratch | ScratchWords | None = None
        self.any = words
        """Some row holds a number (or the column holds words)."""

    def add(self, piece: Array) -> None:
        self.any = self.any or _has_number(piece)
        self._pieces.append(piece)

    def spill(self, file: ScratchFile) -> None:
        """Move what is in memory to the file."""
        if self._scratch is None:
            self._scratch = ScratchWords(file) if self._words else Scratch(self._pieces[0].dtype, file)
        for piece in self._pieces:
            self._scratch.add(piece)
        self._pieces.clear()

    def held(self) -> Array | Scratch | ScratchWords:
        if self._scratch is not None:
            return self._scratch
        alone = len(self._pieces) == 1 and self._pieces[0].strides != (0,)
        return self._pieces[0] if alone else np.concatenate(self._pieces)


class Gathered:
    """The rows of a log while its batches come in; columns that parts share are held once.

    ``packs``: as of ``ScratchFile``.
    """

    def __init__(self, *, packs: bool = False) -> None:
        self._packs = packs
        self._tables: dict[str, dict[str, _Column]] = {}
        self._columns: list[_Column] = []
        self._in_memory = 0
        self._file: ScratchFile | None = None

    def add(self, tables: Mapping[str, Batch]) -> None:
        """Append the batches of some rows.

        Raises
        ------
        OSError
            If there is no room for a scratch file.
        """
        written: dict[tuple[str, int], _Column] = {}
        for label, batch in tables.items():
            table = self._tables.setdefault(label, {})
            for key, piece in batch.items():
                shared = written.get((key, id(piece)))
                if key not in table:
                    table[key] = shared or self._new(key)
                if shared is None:
                    table[key].add(piece)
                    written[key, id(piece)] = table[key]
                    self._in_memory += len(piece) if piece.strides != (0,) else 0
        if self._in_memory > (IN_MEMORY if self._file is None else IN_MEMORY // 8):
            self._spill()

    def _new(self, key: str) -> _Column:
        self._columns.append(_Column(words=key in LABELS))
        return self._columns[-1]

    def _spill(self) -> None:
        self._file = self._file or ScratchFile(packs=self._packs)
        for column in self._columns:
            column.spill(self._file)
        self._in_memory = 0

    def records(self) -> dict[str, Record]:
        """Return all rows, parts in their natural order (see ``add``)."""
        if self._file is not None:
            self._spill()
        held = {id(c): c.held() for c in self._columns if c.any}
        return {
            label: Record(columns={k: held[id(c)] for k, c in _clock_first(table).items() if c.any or k in _CLOCK})
            for label, table in sorted(self._tables.items(), key=lambda item: _natural(item[0]))
        }


def record_of_batch(batch: Batch) -> Record:
    """Return some rows as a record; a channel without any number in them is left out."""
    return Record(columns={k: x for k, x in _clock_first(batch).items() if k in LABELS | {*_CLOCK} or _has_number(x)})


def _clock_first(columns: Mapping[str, T]) -> dict[str, T]:
    return {k: columns[k] for k in [*(k for k in _CLOCK if k in columns), *(k for k in columns if k not in _CLOCK)]}


def _has_number(values: Array) -> bool:
    return not len(values) or bool(np.isfinite(values[0])) or not np.isnan(values).all()


def _natural(label: str) -> tuple[int, float, str]:
    return (0, float(label), "") if label.isdecimal() else (1, 0.0, label)
