"""Blocks of nothing but plain decimal numbers: parsed by a compiled loop, several times as fast as a general parser.

It takes digits, a minus sign, one decimal mark and empty cells; for anything else it says no, and another path has the
block. Its numbers are the nearest doubles, as those of every correct parser: up to 2**53 units of a power of ten up to
10**22 are both held exactly, so that one division rounds once (W. D. Clinger, "How to read floating point numbers
accurately", PLDI 1990).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np

Floats = np.ndarray[Any, np.dtype[np.float64]]
Bytes = np.ndarray[Any, np.dtype[np.uint8]]

# one type throughout, so that no index is checked for its sign
_BYTE, _COUNT = np.uint8, np.uint64
_NEWLINE, _MINUS, _ZERO, _TEN = _BYTE(ord("\n")), _BYTE(ord("-")), _BYTE(ord("0")), _BYTE(10)
_NONE, _ONE, _BASE = _COUNT(0), _COUNT(1), _COUNT(10)
_MOST_DIGITS = _COUNT(18)
"""So many digits at most: what they make does not overflow."""
_EXACT = _COUNT(2**53)
_TENS = np.array([10.0**k for k in range(19)])


def columns_of(block: bytes, lines: int, width: int, delimiter: str, decimal: str) -> Floats | None:
    """Return the numbers of a block of so many whole lines, NaN where a cell is empty. Shape (width, lines).

    None where a line is not just ``width`` plain decimal numbers and empty cells, where one of them has more digits
    than a double holds, or where the last line has no end.
    """
    if not block.endswith(b"\n"):
        return None
    out = np.empty((width, lines))
    text = np.frombuffer(block, dtype=np.uint8)
    return out if _parse(text, _BYTE(ord(delimiter)), _BYTE(ord(decimal)), _TENS, out) else None


def _fill(text: Bytes, delimiter: np.uint8, mark: np.uint8, tens: Floats, out: Floats) -> bool:
    """Fill ``out`` from a text that ends with a line end; False where that cannot be done."""
    width, lines = out.shape
    size, i = _COUNT(len(text)), _NONE
    for line in range(lines):
        for column in range(width):
            end = _NEWLINE if column == width - 1 else delimiter
            if i >= size:
                return False
            c = text[i]
            if c == end:
                out[column, line] = np.nan
                i += _ONE
                continue
            negative = c == _MINUS
            if negative:
                i += _ONE
                c = text[i]
            first, units = i, _NONE
            digit = _BYTE(c - _ZERO)
            while digit < _TEN:
                units = units * _BASE + _COUNT(digit)
                i += _ONE
                c = text[i]
                digit = _BYTE(c - _ZERO)
            digits, after = i - first, _NONE
            if c == mark:
                i += _ONE
                first = i
                c = text[i]
                digit = _BYTE(c - _ZERO)
                while digit < _TEN:
                    units = units * _BASE + _COUNT(digit)
                    i += _ONE
                    c = text[i]
                    digit = _BYTE(c - _ZERO)
                after = i - first
                digits += after
            if c != end or digits == _NONE or digits > _MOST_DIGITS or units > _EXACT:
                return False
            value = np.float64(np.int64(units))
            if after:
                value /= tens[after]
            out[column, line] = -value if negative else value
            i += _ONE
    return bool(i == size)


def _compiled(function: Callable[..., bool]) -> Callable[..., bool]:
    try:
        compiled: Callable[..., bool] = numba.njit(cache=True, nogil=True)(function)
    except RuntimeError:  # there is no folder in which what was compiled could be kept
        compiled = numba.njit(nogil=True)(function)
    return compiled


_parse = _compiled(_fill)
