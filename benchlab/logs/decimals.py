"""Blocks of nothing but plain decimal numbers: parsed by a compiled loop, several times as fast as a general parser.

It takes digits, a minus sign, one decimal mark and empty cells; for anything else it says no, and another path has the
block. Its numbers are the nearest doubles, as those of every correct parser: fewer than 2**53 units of a power of ten up
to 10**22 are both held exactly, so that one division rounds once (W. D. Clinger, "How to read floating point numbers
accurately", PLDI 1990).
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

Floats = np.ndarray[Any, np.dtype[np.float64]]
Bytes = np.ndarray[Any, np.dtype[np.uint8]]

_NEWLINE, _MINUS, _ZERO = ord("\n"), ord("-"), ord("0")
_MOST_DIGITS = 18
"""So many digits at most: what they make does not overflow."""
_EXACT, _TEN = np.uint64(2**53), np.uint64(10)
_TENS = np.array([10.0**k for k in range(_MOST_DIGITS + 1)])


def columns_of(block: bytes, lines: int, width: int, delimiter: str, decimal: str) -> Floats | None:
    """Return the numbers of a block of so many whole lines, NaN where a cell is empty. Shape (width, lines).

    None where a line is not just ``width`` plain decimal numbers and empty cells, where one of them has more digits
    than a double holds, or where the last line has no end.
    """
    if not block.endswith(b"\n"):
        return None
    out = np.empty((width, lines))
    whole = _parse(np.frombuffer(block, dtype=np.uint8), ord(delimiter), ord(decimal), _TENS, out)
    return out if whole else None


@numba.njit(cache=True, nogil=True)
def _parse(text: Bytes, delimiter: int, mark: int, tens: Floats, out: Floats) -> bool:
    """Fill ``out`` from a text that ends with a line end; False where that cannot be done."""
    width, lines = out.shape
    i, size = 0, len(text)
    for line in range(lines):
        for column in range(width):
            end = _NEWLINE if column == width - 1 else delimiter
            if i >= size:
                return False
            c = text[i]
            if c == end:
                out[column, line] = np.nan
                i += 1
                continue
            negative = c == _MINUS
            if negative:
                i += 1
                c = text[i]
            first, fraction = i, -1
            units = np.uint64(0)
            while True:
                digit = np.uint8(c - _ZERO)
                if digit < 10:
                    units = units * _TEN + np.uint64(digit)
                elif c == mark and fraction < 0:
                    fraction = i + 1
                else:
                    break
                i += 1
                c = text[i]
            digits = i - first if fraction < 0 else i - first - 1
            if c != end or digits == 0 or digits > _MOST_DIGITS or units > _EXACT:
                return False
            value = np.float64(units)
            if fraction >= 0:
                value /= tens[i - fraction]
            out[column, line] = -value if negative else value
            i += 1
    return i == size
