"""Columns too long for memory: in an anonymous temporary file, which the system removes once nobody uses it."""

from __future__ import annotations

import bisect
import os
import tempfile
import weakref
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pandas as pd

Array = np.ndarray[Any, Any]
_HOPELESS = 3
"""So many stretches in a row that cannot be packed, and no other is tried."""


def scratch_folder() -> str:
    """Return where scratch files lie: the folder the environment names (``TMPDIR``), else one on a disk.

    Common practice, no source: where ``/tmp`` is kept in memory, ``/var/tmp`` is not.
    """
    named = any(os.environ.get(word) for word in ("TMPDIR", "TEMP", "TMP"))
    disk = Path("/var/tmp")
    return str(disk) if not named and os.access(disk, os.W_OK) else tempfile.gettempdir()


class ScratchFile:
    """One temporary file, for all the columns of a log; made when the first value is written.

    ``packs``: numbers of few decimals are written as whole numbers, a third of the bytes (``packed``).
    """

    def __init__(self, *, packs: bool = False) -> None:
        self.packs = packs
        self._file: BinaryIO | None = None
        self.size = 0
        """Bytes written."""

    def write(self, piece: Array) -> int:
        """Append the bytes of an array and return where they begin.

        Raises
        ------
        OSError
            If there is no room.
        """
        if self._file is None:
            self._file = tempfile.TemporaryFile(prefix="benchlab-", buffering=0, dir=scratch_folder())  # noqa: SIM115
            weakref.finalize(self, self._file.close)  # it lives as long as the columns
        start = self.size
        rest = np.ascontiguousarray(piece).data.cast("B")
        while rest:
            self._file.seek(self.size)
            done = self._file.write(rest)
            self.size += done
            rest = rest[done:]
        return start

    def read_into(self, out: Array, start: int) -> None:
        """Fill an array with the bytes that begin at ``start``."""
        assert self._file is not None
        rest = out.data.cast("B")
        while rest:
            done = self._read(self._file, rest, start)
            if not done:
                raise EOFError("a scratch file is shorter than what was written to it")
            start, rest = start + done, rest[done:]

    @staticmethod
    def _read(file: BinaryIO, out: memoryview, start: int) -> int:
        if hasattr(os, "preadv"):  # does not move the file's place, which processes forked from this one share
            return os.preadv(file.fileno(), [out], start)
        file.seek(start)
        return int(file.readinto(out))  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Where in the file some values begin, and how they were written; ``places`` None: as they are."""

    start: int
    dtype: np.dtype[Any]
    places: int | None = None


class Scratch:
    """A column in a scratch file. Stretches of one value (an array of stride 0) are not written but remembered."""

    def __init__(self, dtype: np.dtype[Any], file: ScratchFile | None = None) -> None:
        self.dtype = dtype
        self._file = file or ScratchFile()
        self._starts: list[int] = []
        """First row of every stretch."""
        self._stretches: list[_Stretch | Array] = []
        """Where a stretch lies, or its one value."""
        self._n = 0
        self._places = 0
        """Decimal places of the last stretch that could be packed."""
        self._unpacked = 0
        """Stretches in a row that could not."""

    def __len__(self) -> int:
        return self._n

    def add(self, piece: Array) -> None:
        """Append values.

        Raises
        ------
        OSError
            If there is no room for them.
        """
        if not len(piece):
            return
        one_value = piece.strides == (0,)
        self._starts.append(self._n)
        self._stretches.append(piece[:1].astype(self.dtype) if one_value else self._write(piece))
        self._n += len(piece)

    def _write(self, piece: Array) -> _Stretch:
        if self._file.packs and self.dtype == np.float64 and self._unpacked < _HOPELESS:
            from benchlab.logs.packed import pack

            if (packed := pack(piece, self._places)) is not None:
                whole, self._places = packed
                self._unpacked = 0
                return _Stretch(self._file.write(whole), whole.dtype, self._places)
            self._unpacked += 1
        return _Stretch(self._file.write(piece.astype(self.dtype, copy=False)), self.dtype)

    def read(self, start: int, stop: int) -> Array:
        """Return the values of rows ``[start, stop)``, which must exist."""
        out = np.empty(stop - start, dtype=self.dtype)
        k = bisect.bisect_right(self._starts, start) - 1
        at = start
        while at < stop:
            first, end = self._starts[k], self._starts[k + 1] if k + 1 < len(self._starts) else self._n
            part = out[at - start : min(end, stop) - start]
            stretch = self._stretches[k]
            if isinstance(stretch, _Stretch):
                self._fill(part, stretch, at - first)
            else:
                part[:] = stretch
            at, k = end, k + 1
        return out

    def _fill(self, out: Array, stretch: _Stretch, skip: int) -> None:
        """Fill an array with the values of a stretch from the one so many behind its first."""
        at = stretch.start + skip * stretch.dtype.itemsize
        if stretch.places is None:
            self._file.read_into(out, at)
            return
        from benchlab.logs.packed import unpack

        whole = np.empty(len(out), dtype=stretch.dtype)
        self._file.read_into(whole, at)
        unpack(whole, stretch.places, out)


class ScratchWords:
    """A column of words in a scratch file: the number of each row's word, and every word once."""

    dtype = np.dtype(object)

    def __init__(self, file: ScratchFile | None = None) -> None:
        self._numbers = Scratch(np.dtype(np.int32), file)
        self._words: dict[Any, int] = {}

    def __len__(self) -> int:
        return len(self._numbers)

    def add(self, piece: Array) -> None:
        """Append words (see ``Scratch.add``)."""
        codes, words = pd.factorize(piece)
        numbers = [self._words.setdefault(word, len(self._words)) for word in words]
        self._numbers.add(np.array(numbers, dtype=np.int32)[codes])

    def read(self, start: int, stop: int) -> Array:
        """Return the words of rows ``[start, stop)``, which must exist."""
        found: Array = np.array([*self._words, None], dtype=object)[self._numbers.read(start, stop)]
        return found
