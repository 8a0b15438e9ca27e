"""A block of whole lines to columns: a fast path for sound blocks, an exact one, line by line, where a line is odd."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from benchlab.errors import LogError
from benchlab.logs import units
from benchlab.logs.cells import MISSING, QUANTITY, is_missing, to_number
from benchlab.logs.dialect import Dialect, is_blank, is_comment, split

_SMALL = 64 << 10
"""Odd blocks are halved down to this size, so that one odd line costs one small block the fast path."""
_NULLS = sorted(
    {w for m in MISSING for w in (m, m.upper(), m.capitalize())} | {"NaN", "-NaN", "NaN(ind)", "N/a", " ", "  ", "   "}
)
_PLAIN = {
    ".": r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$",
    ",": r"^[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$",
}
_COMMENT_LINE = re.compile(rb"^[ \t]*(?:#|%|//)", re.MULTILINE)
_SPENT = re.compile("[\0\x1a\ufeff]")
"""Padding of a file cut off, an old end-of-file mark, and the mark that begins each of several files joined."""
_HUGE = 9.9e37  # SCPI-1999 vol. 1, 7.2.1: infinity, and above it not a number


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """One column of a block. ``numbers`` (NaN: missing or not a number) or ``text`` (null: missing), or both."""

    numbers: np.ndarray[Any, np.dtype[np.float64]] | None = None
    text: pa.Array | None = None
    bad: np.ndarray[Any, np.dtype[np.bool_]] | None = None
    """Cells that are neither a number nor missing; None where there is none."""
    lo: float = float("nan")
    """Least number; NaN where a number is missing or it was not looked for."""
    hi: float = float("nan")

    def cell(self, i: int) -> str:
        """Return what stood in a cell, as far as it was kept."""
        if self.text is not None:
            return (self.text[i].as_py() or "")[:80]
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


class BlockParser:
    """Parses the blocks of one log in order. It learns which columns hold text and whether blocks tend to be odd."""

    def __init__(self, dialect: Dialect, encoding: str, name: str) -> None:
        self.dialect, self.name = dialect, name
        self.encoding = encoding
        self.last_line = 0
        self._numeric = [t == "n" for t in dialect.types]
        self._names = [f"c{i}" for i in range(dialect.width)]
        self._words = False
        """A word stood for a number; as long as none does, the parser need not compare every number to all of them."""
        self._parsing = pyarrow.csv.ParseOptions(delimiter=dialect.delimiter or "\x1f")
        self._non_ascii = False
        self._odd = self._tried = 0

    def parse(self, block: bytes, lines: int) -> list[Rows]:
        """Return the rows of a block of so many lines; those up to the first data line are passed over."""
        first_line = self.last_line + 1
        self.last_line += lines
        skip = min((self.dialect.first_data_line or 1) - first_line, lines)
        at = 0
        for _ in range(skip):
            at = block.find(b"\n", at) + 1
        out: list[Rows] = []
        if skip < lines:
            skip = max(skip, 0)
            self._parse(block[at:] if at else block, first_line + skip, lines - skip, out)
        return out

    def _parse(self, block: bytes, first_line: int, n: int, out: list[Rows]) -> None:
        if self._tried < 8 or self._odd * 2 < self._tried:
            rows = self._fast(block, first_line, n)
            if rows is not None:
                self._tried += 1
                out.append(rows)
                return
        if len(block) > _SMALL and (cut := block.rfind(b"\n", 0, len(block) // 2) + 1):
            upper = block.count(b"\n", 0, cut)
            self._parse(block[:cut], first_line, upper, out)
            self._parse(block[cut:], first_line + upper, n - upper, out)
            return
        self._odd += 1
        self._tried += 1
        out.append(self._exact(block, first_line))

    # --- fast path ------------------------------------------------------------------------------------------------

    def _fast(self, block: bytes, first_line: int, n: int) -> Rows | None:
        """Parse a block in which every line is a row; None where that is not so."""
        d = self.dialect
        if b"\0" in block or (d.comments and _has_comment(block)):
            return None
        if d.delimiter == " ":
            if b'"' in block:
                return None
            block = _collapse_blanks(block)
        if self.encoding == "cp1252" and not block.isascii():
            block = block.decode("cp1252", "replace").encode()
        table = self._table(block)
        if table is None and not self._words:
            self._words = True
            table = self._table(block)
        if table is None or table.num_rows != n:
            return None
        columns = []
        for i, numeric in enumerate(self._numeric):
            column = table.column(i)
            if numeric:
                columns.append(_whole(column.to_numpy()))
            elif d.types[i] == "q":
                columns.append(quantity_column(_one_chunk(column), d.decimal, d.units[i]))
            else:
                columns.append(Cells(text=_one_chunk(column)))
        if self._nothing_in_a_row(columns, n):
            return None
        return Rows(lines=np.arange(first_line, first_line + n), columns=self._in_one_unit(columns))

    def _table(self, block: bytes) -> pa.Table | None:
        """Return the cells of a block, None where one is not what its column holds."""
        types = [pa.float64() if numeric else pa.string() for numeric in self._numeric]
        try:
            return pyarrow.csv.read_csv(
                pa.BufferReader(block),
                read_options=pyarrow.csv.ReadOptions(column_names=self._names, block_size=len(block) + 1),
                parse_options=self._parsing,
                convert_options=pyarrow.csv.ConvertOptions(
                    column_types=dict(zip(self._names, types, strict=True)),
                    null_values=_NULLS if self._words or not all(self._numeric) else [""],
                    strings_can_be_null=True,
                    decimal_point=self.dialect.decimal,
                ),
            )
        except pa.ArrowInvalid:
            return None

    def _nothing_in_a_row(self, columns: Sequence[Cells], n: int) -> bool:
        """Tell whether some row is all missing: such a line may be a blank one and is for the exact path."""
        if any(c.lo == c.lo for c in columns):  # not NaN: a column without a hole
            return False
        nothing = np.ones(n, dtype=bool)
        for c in columns:
            nothing &= np.isnan(c.numbers) if c.numbers is not None else _is_null(c.text)
            if not nothing.any():
                return False
        return True

    # --- exact path -----------------------------------------------------------------------------------------------

    def _decode(self, block: bytes) -> str:
        if self.encoding == "utf-8":
            try:
                text = block.decode("utf-8")
                self._non_ascii |= not text.isascii()
                return text
            except UnicodeDecodeError:
                if not self._non_ascii:  # all so far was ASCII: the log is in the one-byte encoding after all
                    self.encoding = "cp1252"
        return block.decode(self.encoding, "replace")

    def _exact(self, block: bytes, first_line: int) -> Rows:
        d = self.dialect
        kept: list[list[str]] = []
        numbers: list[int] = []
        rejects: list[Reject] = []
        lines = self._decode(block).split("\n")
        if lines and not lines[-1]:
            lines.pop()
        for number, raw in enumerate(lines, start=first_line):
            line = _SPENT.sub("", raw) if not raw.isprintable() or "\ufeff" in raw else raw
            if not line.strip() or (d.comments and is_comment(line)):
                continue
            cells = split(line, d.delimiter)
            if is_blank(cells):
                continue
            if len(cells) != d.width:
                if not self._is_repeated(cells):
                    rejects.append(self._wrong_count(number, line, len(cells)))
                continue
            if d.header_cells and self._is_header_again(cells, number):
                continue
            kept.append(cells)
            numbers.append(number)
        by_column = list(zip(*kept, strict=True)) if kept else [()] * d.width
        columns = [self._column(i, cells) for i, cells in enumerate(by_column)]
        lines_kept = np.array(numbers, dtype=np.int64)
        return Rows(lines=lines_kept, columns=self._in_one_unit(columns), rejects=rejects)

    def _wrong_count(self, number: int, line: str, count: int) -> Reject:
        rule = f"field count: {count} instead of {self.dialect.width}"
        if line.count('"') % 2:
            rule += " (a quote is not closed)"
        return Reject(line=number, column="", value=line[:80], rule=rule)

    def _is_repeated(self, cells: Sequence[str]) -> bool:
        again = tuple(c.strip() for c in cells)
        return again in (self.dialect.header_cells, self.dialect.units_cells)

    def _is_header_again(self, cells: Sequence[str], number: int) -> bool:
        first = cells[0].strip()
        if first[:1].isdecimal() and first not in (self.dialect.header_cells[0], *self.dialect.units_cells[:1]):
            return False
        if self._is_repeated(cells):
            return True
        names = {c for c in self.dialect.names if c}
        words = [c.strip() for c in cells]
        if len(names) > 1 and sum(w in names for w in words) * 2 > len(names):
            what = "a second header with other columns stands here"
            raise LogError(what, path=self.name, line=number, do="split the file before this line")
        return False

    def _in_one_unit(self, columns: list[Cells]) -> list[Cells]:
        """Turn the numbers whose unit stands in another column into the unit of the first rows."""
        for i, j in self.dialect.unit_columns.items():
            numbers, names = columns[i].numbers, columns[j].text
            if numbers is None or names is None:
                continue
            factor = _factors(pc.utf8_trim_whitespace(names), self.dialect.units[i])
            bad = np.isnan(factor) & ~np.isnan(numbers)
            before = columns[i].bad
            bad = bad if before is None else bad | before
            if not bad.any():
                columns[i] = Cells(numbers=numbers * factor, text=columns[i].text)
                continue
            text = as_text(columns[i])
            told = pc.binary_join_element_wise(text, names, " ", null_handling="replace")
            columns[i] = Cells(numbers=numbers * factor, text=pc.if_else(pa.array(bad), told, text), bad=bad)
        return columns

    def _column(self, i: int, cells: Sequence[str]) -> Cells:
        if self._numeric[i]:
            column = numeric_column(cells, self.dialect.decimal)
            if column.bad is None:
                return column
            share = column.bad.mean()
            if share > 0.2 and len(cells) > 20:  # a column of text after all: no longer worth the fast path's failure
                self._numeric[i] = False
            return column
        text = pa.array([None if is_missing(c) else c for c in cells], pa.string())
        if self.dialect.types[i] == "q":
            return quantity_column(text, self.dialect.decimal, self.dialect.units[i])
        return Cells(text=text)


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
    factor = _factors(pc.if_else(matched, pc.struct_field(parts, "unit"), None), base)
    assert found.numbers is not None
    bad = np.isnan(factor) & ~np.asarray(pc.is_null(text))
    bad = bad if found.bad is None else bad | found.bad
    return Cells(numbers=found.numbers * factor, text=text, bad=bad if bad.any() else None)


def _factors(names: pa.Array, base: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return for each unit how many of ``base`` it is: 1 where none is stated, NaN where it does not belong here."""
    coded = names.dictionary_encode()
    factors = [units.relative(u, base) if u else 1.0 for u in coded.dictionary.to_pylist()]
    table = np.array([*(np.nan if f is None else f for f in factors), 1.0])
    found: np.ndarray[Any, np.dtype[np.float64]] = table[np.asarray(pc.fill_null(coded.indices, len(factors)))]
    return found


def _is_overload(cell: str, decimal: str) -> bool:
    try:
        return abs(float(cell.replace(decimal, "."))) >= _HUGE
    except ValueError:
        return False


def _whole(x: np.ndarray[Any, np.dtype[np.float64]]) -> Cells:
    """Return a column of numbers; two passes tell a sound one, which needs no further look."""
    lo, hi = float(x.min()), float(x.max())
    return Cells(numbers=x, lo=lo, hi=hi) if lo > -_HUGE and hi < _HUGE else Cells(numbers=_tidy(x))


def _tidy(x: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Turn infinities and the instruments' numbers for overload into NaN."""
    with np.errstate(invalid="ignore"):
        huge = np.abs(x) >= _HUGE
    return np.where(huge, np.nan, x) if huge.any() else x


def _is_null(text: pa.Array | None) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.asarray(pc.is_null(text))


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    combined = column.combine_chunks()
    return combined if isinstance(combined, pa.Array) else pa.concat_arrays(combined.chunks)


def _collapse_blanks(block: bytes) -> bytes:
    """Reduce runs of blanks and tabs to one blank and drop those at line ends."""
    a = np.frombuffer(block, dtype=np.uint8)
    blank = (a == 32) | (a == 9)
    newline = a == 10
    before = np.concatenate([[True], (blank | newline)[:-1]])
    after_newline = np.concatenate([newline[1:], [True]])
    keep = ~(blank & (before | after_newline))
    # a run that ends a line: all but its first blank are gone by now, the first goes in a second pass
    out = np.where(blank, np.uint8(32), a)[keep]
    collapsed: bytes = out.tobytes().replace(b" \n", b"\n")
    return collapsed


def as_text(cells: Cells) -> pa.Array:
    """Return a column as text, null where missing."""
    if cells.text is not None:
        return cells.text
    assert cells.numbers is not None
    return pa.array([None if np.isnan(x) else f"{x:.12g}" for x in cells.numbers], pa.string())


def numbers_of(cells: Cells, decimal: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return a column as numbers, NaN where it holds none."""
    found = cells.numbers if cells.numbers is not None else numeric_column(cells.text, decimal).numbers
    assert found is not None
    return found


def _has_comment(block: bytes) -> bool:
    """Tell whether a line of a block is a comment, as ``dialect.is_comment`` tells of a single one."""
    # hardly ever, and a search for a single byte is much faster than any other
    marked = b"#" in block or b"%" in block or (b"/" in block and b"//" in block)
    return marked and _COMMENT_LINE.search(block) is not None
