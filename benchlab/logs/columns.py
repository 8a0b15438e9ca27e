"""Columns of a block: cells as numbers or as text, how one is made of the other, and how two blocks' become one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchlab.logs import units
from benchlab.logs.cells import QUANTITY, is_missing, to_number

_PLAIN = {
    ".": r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$",
    ",": r"^[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$",
}
_HUGE = 9.9e37  # SCPI-1999 vol. 1, 7.2.1: infinity, and above it not a number


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """One column of a block. ``numbers`` (NaN: missing or not a number) or ``text`` (null: missing), or both."""

    numbers: np.ndarray[Any, np.dtype[np.float64]] | None = None
    text: pa.Array | None = None
    bad: np.ndarray[Any, np.dtype[np.bool_]] | None = None
    """Cells that are neither a number nor missing; None where there is none."""
    told: Mapping[int, str] = field(default_factory=dict)
    """What stands in the bad cells of a column of numbers that was not kept as text."""
    lo: float = float("nan")
    """Least number; NaN where a number is missing or it was not looked for."""
    hi: float = float("nan")

    def __len__(self) -> int:
        return len(self.numbers) if self.numbers is not None else len(self.text or ())

    def cell(self, i: int) -> str:
        """Return what stood in a cell, as far as it was kept."""
        if self.text is not None:
            return (self.text[i].as_py() or "")[:80]
        if i in self.told:
            return self.told[i][:80]
        assert self.numbers is not None
        return "" if np.isnan(self.numbers[i]) else f"{self.numbers[i]:.12g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reject:
    """One rejected row: physical line, column name (or number), what stood there, the rule it broke."""

    line: int
    column: str
    value: str
    rule: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """The sound rows of a block (right number of fields) and the rejected ones."""

    lines: np.ndarray[Any, np.dtype[np.int64]]
    columns: list[Cells]
    rejects: list[Reject] = field(default_factory=list)


def merged(a: Rows, b: Rows) -> Rows:
    """Return the rows of both in the order of their lines."""
    if not len(b.lines):
        return replace(a, rejects=a.rejects + b.rejects)
    lines = np.concatenate([a.lines, b.lines])
    order = np.insert(np.arange(len(a.lines)), np.searchsorted(a.lines, b.lines), np.arange(len(a.lines), len(lines)))
    columns = [_merged_cells(x, y, order) for x, y in zip(a.columns, b.columns, strict=True)]
    return Rows(lines=lines[order], columns=columns, rejects=a.rejects + b.rejects)


def _merged_cells(a: Cells, b: Cells, order: np.ndarray[Any, np.dtype[np.int64]]) -> Cells:
    text = numbers = bad = None
    if a.text is not None or b.text is not None:
        text = pa.concat_arrays([as_text(a), as_text(b)]).take(pa.array(order))
    if a.numbers is not None and b.numbers is not None:
        numbers = np.concatenate([a.numbers, b.numbers])[order]
    if a.bad is not None or b.bad is not None:
        marks = [np.zeros(len(x), dtype=bool) if x.bad is None else x.bad for x in (a, b)]
        bad = np.concatenate(marks)[order]
    if text is None and bad is None and numbers is not None:
        return whole(numbers)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    told = {int(place[i]): x for i, x in a.told.items()} | {int(place[len(a) + i]): x for i, x in b.told.items()}
    return Cells(numbers=numbers, text=text, bad=bad, told=told)


def numeric_column(cells: Sequence[str] | pa.Array, decimal: str) -> Cells:
    """Turn cells into numbers; the plain ones in bulk, the others one by one."""
    text = pc.utf8_trim_whitespace(cells if isinstance(cells, pa.Array) else pa.array(cells, pa.string()))
    plain = pc.match_substring_regex(text, _PLAIN[decimal])
    digits = pc.replace_substring_regex(text, r"^\+", "")
    if decimal == ",":
        digits = pc.replace_substring(digits, ",", ".")
    numbers = pc.cast(pc.if_else(plain, digits, None), pa.float64()).to_numpy(zero_copy_only=False).copy()
    odd = np.flatnonzero(~np.asarray(pc.fill_null(plain, False)))
    bad = np.zeros(len(numbers), dtype=bool)
    for i in odd:
        cell = text[int(i)].as_py()
        value = None if cell is None else to_number(cell, decimal)
        numbers[i] = np.nan if value is None else value
        bad[i] = value is None and cell is not None and not is_missing(cell) and not _is_overload(cell, decimal)
    numbers = _tidy(numbers)
    return Cells(numbers=numbers, text=text, bad=bad if bad.any() else None)


def quantity_column(text: pa.Array, decimal: str, base: str) -> Cells:
    """Turn cells of a number and its unit ("12.3 V", "980 mV") into numbers of one unit; a bare number has it too."""
    parts = pc.extract_regex(text, rf"^\s*{QUANTITY}\s*$")
    matched = pc.is_valid(parts)
    digits = pc.if_else(matched, pc.struct_field(parts, "number"), text)
    found = numeric_column(digits, decimal)
    factor = factors(pc.if_else(matched, pc.struct_field(parts, "unit"), None), base)
    assert found.numbers is not None
    bad = np.isnan(factor) & ~np.asarray(pc.is_null(text))
    bad = bad if found.bad is None else bad | found.bad
    return Cells(numbers=found.numbers * factor, text=text, bad=bad if bad.any() else None)


def numbers_only(cells: Cells) -> Cells:
    """Drop a column's text but for what stands in its bad cells."""
    if cells.bad is None or cells.text is None:
        return Cells(numbers=cells.numbers, bad=cells.bad)
    told = {int(i): cells.text[int(i)].as_py() or "" for i in np.flatnonzero(cells.bad)}
    return Cells(numbers=cells.numbers, bad=cells.bad, told=told)


def factors(names: pa.Array, base: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return for each unit how many of ``base`` it is: 1 where none is stated, NaN where it does not belong here."""
    coded = names.dictionary_encode()
    known = [units.relative(u, base) if u else 1.0 for u in coded.dictionary.to_pylist()]
    table = np.array([*(np.nan if f is None else f for f in known), 1.0])
    found: np.ndarray[Any, np.dtype[np.float64]] = table[np.asarray(pc.fill_null(coded.indices, len(known)))]
    return found


def _is_overload(cell: str, decimal: str) -> bool:
    try:
        return abs(float(cell.replace(decimal, "."))) >= _HUGE
    except ValueError:
        return False


def whole(x: np.ndarray[Any, np.dtype[np.float64]]) -> Cells:
    """Return a column of numbers; two passes tell a sound one, which needs no further look."""
    lo, hi = float(x.min()), float(x.max())
    return Cells(numbers=x, lo=lo, hi=hi) if lo > -_HUGE and hi < _HUGE else Cells(numbers=_tidy(x))


def _tidy(x: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Turn infinities and the instruments' numbers for overload into NaN."""
    with np.errstate(invalid="ignore"):
        huge = np.abs(x) >= _HUGE
    return np.where(huge, np.nan, x) if huge.any() else x


def as_text(cells: Cells) -> pa.Array:
    """Return a column as text, null where missing."""
    if cells.text is not None:
        return cells.text
    assert cells.numbers is not None
    text = [None if np.isnan(x) else f"{x:.12g}" for x in cells.numbers]
    for i, told in cells.told.items():
        text[i] = told
    return pa.array(text, pa.string())


def numbers_of(cells: Cells, decimal: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return a column as numbers, NaN where it holds none."""
    found = cells.numbers if cells.numbers is not None else numeric_column(cells.text, decimal).numbers
    assert found is not None
    return found
