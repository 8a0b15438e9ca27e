"""Which lines of a block are not plainly rows: found for the whole block at once, from its bytes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Bytes = np.ndarray[Any, np.dtype[np.uint8]]
Ints = np.ndarray[Any, np.dtype[np.int64]]


def _mark(characters: bytes) -> Bools:
    marks = np.zeros(256, dtype=bool)
    marks[list(characters)] = True
    return marks


_NUMERIC = {mark: _mark(b"0123456789+-eE \t" + mark.encode()) for mark in ".,"}
"""What numbers are written with, by decimal mark."""
_SPECIAL = _mark(b'"\0\x1a\r')
"""What only the exact path understands, wherever it stands."""
_COMMENT = _mark(b"#%/")


def bytes_of(block: bytes) -> Bytes:
    """Return a block's bytes, the last line ended."""
    return np.frombuffer(block if block.endswith(b"\n") else block + b"\n", dtype=np.uint8)


def line_lengths(block: Bytes) -> Ints:
    """Return the length of every line, its end included."""
    lengths: Ints = np.diff(np.flatnonzero(block == 10), prepend=-1)
    return lengths


def odd_lines(block: Bytes, delimiter: str, numeric: Sequence[bool], decimal: str) -> Bools:
    """Tell which lines are not plainly rows.

    A plain row has one cell for each column, not all of them empty, no quote or control character, does not begin like
    a comment, and has nothing in its columns of numbers but what numbers are written with. What is told to be plain may
    still be none (``1-2``); what is odd may well be a row.

    Parameters
    ----------
    block
        Whole lines.
    delimiter
        One character; empty where there is one column.
    numeric
        For each column, whether it holds numbers.
    decimal
        The decimal mark.
    """
    width = len(numeric)
    ends = block == 10
    at = np.flatnonzero(ends | (block == ord(delimiter)) if delimiter else ends)  # where cells end
    last = np.flatnonzero(ends[at])  # the last cell of every line
    odd: Bools = np.diff(last, prepend=-1) != width
    lengths = np.diff(at[last], prepend=-1)
    odd |= lengths == width
    odd |= _COMMENT[block[at[last] + 1 - lengths]]
    special = _SPECIAL[block]
    if special.any():
        odd |= np.diff(np.cumsum(special, dtype=np.int64)[at[last]], prepend=0) > 0
    strange = ~_NUMERIC[decimal][block]
    strange[at] = False
    wrong = np.diff(np.cumsum(strange, dtype=np.int64)[at], prepend=0) > 0  # for every cell
    if wrong.any():
        rows = np.flatnonzero(~odd)
        cells = last[rows, None] + np.arange(1 - width, 1)
        odd[rows] |= (wrong[cells] & np.array(numeric)).any(axis=1)
    return odd
