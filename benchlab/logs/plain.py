"""Blocks of plain cells: parsed by a compiled loop, several times as fast as a general parser.

A plain number has digits, a minus sign and one decimal mark, or is NaN; a plain text is ASCII without quotes, tabs or
what may begin a comment. Where there is anything else the loop says no, and another path has the block. Its numbers are
the nearest doubles, as those of every correct parser: up to 2**53 units of a power of ten up to 10**22 are both held
exactly, so that one division rounds once (W. D. Clinger, "How to read floating point numbers accurately", PLDI 1990).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from benchlab.logs.compiled import compiled

Floats = np.ndarray[Any, np.dtype[np.float64]]
Bytes = np.ndarray[Any, np.dtype[np.uint8]]

# one type throughout, so that no index is checked for its sign
_BYTE, _COUNT = np.uint8, np.uint64
_NEWLINE, _MINUS, _ZERO, _TEN = _BYTE(ord("\n")), _BYTE(ord("-")), _BYTE(ord("0")), _BYTE(10)
_NONE, _ONE, _TWO, _THREE, _BASE = _COUNT(0), _COUNT(1), _COUNT(2), _COUNT(3), _COUNT(10)
_MOST_DIGITS = _COUNT(18)
"""So many digits at most: what they make does not overflow."""
_EXACT = _COUNT(2**53)
_BLANK, _QUOTE, _LAST_ASCII = _BYTE(ord(" ")), _BYTE(ord('"')), _BYTE(127)
_LOWER, _N, _A = _BYTE(32), _BYTE(ord("n")), _BYTE(ord("a"))
_HASH, _PERCENT, _SLASH = _BYTE(ord("#")), _BYTE(ord("%")), _BYTE(ord("/"))
_TENS = np.array([10.0**k for k in range(19)])


def columns_of(
    block: bytes, lines: int, numeric: Sequence[bool], delimiter: str, decimal: str
) -> list[Floats | pa.Array] | None:
    """Return the columns of a block of so many whole lines: numbers (NaN where a cell is empty or says so), or text.

    Shape (lines,) each. None where a line has not just a plain cell for each column, where a number has more digits
    than a double holds, where a text is empty, or where the last line has no end.

    Parameters
    ----------
    block
        Whole lines.
    lines
        How many they are.
    numeric
        For each column, whether it holds numbers.
    delimiter, decimal
        One ASCII character each, not the same.
    """
    if not block.endswith(b"\n"):
        return None
    text, held = np.frombuffer(block, dtype=np.uint8), np.array(numeric)
    words = int(np.count_nonzero(~held))
    numbers = np.empty((len(held) - words, lines))
    letters = np.empty((words, len(block) if words else 0), dtype=np.uint8)
    stops = np.zeros((words, lines + 1), dtype=np.int32)
    if not _parse(text, _BYTE(ord(delimiter)), _BYTE(ord(decimal)), held, _TENS, numbers, letters, stops):
        return None
    texts = (_strings(x, at) for x, at in zip(letters, stops, strict=True))
    each = iter(numbers)
    return [next(each) if is_number else next(texts) for is_number in numeric]


def _strings(letters: Bytes, stops: np.ndarray[Any, np.dtype[np.int32]]) -> pa.Array:
    """Return cells that stand one after another, and where each ends, as an array of text; nothing is copied."""
    buffers = [None, pa.py_buffer(stops), pa.py_buffer(letters[: stops[-1]])]
    return pa.Array.from_buffers(pa.string(), len(stops) - 1, buffers)


def _fill(
    text: Bytes,
    delimiter: np.uint8,
    mark: np.uint8,
    numeric: Any,
    tens: Floats,
    numbers: Floats,
    letters: Any,
    stops: Any,
) -> bool:
    """Fill the rest from a text that ends with a line end; False where it is not plain.

    All in one: with functions of their own for digits and cells it takes an eighth longer, or six times as long.
    """
    width, lines = len(numeric), numbers.shape[1] if len(numbers) else stops.shape[1] - 1
    size, i = _COUNT(len(text)), _NONE
    for line in range(lines):
        number, word = 0, 0
        for column in range(width):
            end = _NEWLINE if column == width - 1 else delimiter
            if i >= size:
                return False
            c = text[i]
            if not numeric[column]:
                at = stops[word, line]
                if column == 0 and c in (_BLANK, _HASH, _PERCENT, _SLASH):
                    return False  # it may be a comment
                while c != end:
                    if c < _BLANK or c in (delimiter, _QUOTE) or c > _LAST_ASCII:
                        return False
                    letters[word, at] = c
                    at += 1
                    i += _ONE
                    c = text[i]
                if at == stops[word, line]:
                    return False
                stops[word, line + 1] = at
                word += 1
                i += _ONE
                continue
            if c == end:
                numbers[number, line] = np.nan
                number += 1
                i += _ONE
                continue
            cell, negative = i, c == _MINUS
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
            if c == end and _NONE < digits <= _MOST_DIGITS and units <= _EXACT:
                value = np.float64(np.int64(units))
                if after:
                    value /= tens[after]
                numbers[number, line] = -value if negative else value
            elif (
                i == cell and i + _THREE < size and text[i + _THREE] == end
                and text[i] | _LOWER == _N and text[i + _ONE] | _LOWER == _A and text[i + _TWO] | _LOWER == _N
            ):  # fmt: skip
                numbers[number, line] = np.nan
                i += _THREE
            else:
                return False
            number += 1
            i += _ONE
    return bool(i == size)


_parse = compiled(_fill)
