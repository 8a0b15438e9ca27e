"""Which lines of a block are not plainly rows: found for the whole block at once, from its bytes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Bytes = np.ndarray[Any, np.dtype[np.uint8]]
Ints = np.ndarray[Any, np.dtype[np.int64]]


_PLAIN, _STRANGE, _SPECIAL = range(3)
"""What numbers are written with; any other character; what only the exact path understands, wherever it stands."""
_COMMENT = np.isin(np.arange(256), list(b"#%/"))


def _kinds(decimal: str) -> bytes:
    plain, special = b"0123456789+-eE \t\n" + decimal.encode(), b'"\0\x1a\r'
    return bytes(_PLAIN if c in plain else _SPECIAL if c in special else _STRANGE for c in range(256))


_KINDS = {decimal: _kinds(decimal) for decimal in ".,"}


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
    kinds = np.frombuffer(block.tobytes().translate(_KINDS[decimal]), dtype=np.uint8)
    odd[np.searchsorted(at[last], np.flatnonzero(kinds == _SPECIAL))] = True
    strange = kinds == _STRANGE
    strange[at] = False
    wrong = np.zeros(len(at), dtype=bool)  # for every cell
    wrong[np.searchsorted(at, np.flatnonzero(strange))] = True
    if wrong.any():
        rows = np.flatnonzero(~odd)
        cells = last[rows, None] + np.arange(1 - width, 1)
        odd[rows] |= (wrong[cells] & np.array(numeric)).any(axis=1)
    return odd
