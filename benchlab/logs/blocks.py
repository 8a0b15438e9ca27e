"""A block of whole lines to columns: a fast path for sound lines, an exact one, line by line, for odd ones."""

from __future__ import annotations

import importlib.util
import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from benchlab.errors import LogError
from benchlab.logs.cells import MISSING, is_missing
from benchlab.logs.columns import (
    Cells,
    Reject,
    Rows,
    as_text,
    factors,
    merged,
    numbers_only,
    numeric_column,
    quantity_column,
    whole,
)
from benchlab.logs.dialect import Dialect, is_blank, is_comment, split
from benchlab.logs.oddlines import Bools, bytes_of, line_lengths, odd_lines

Floats = np.ndarray[Any, np.dtype[np.float64]]

_LONG = 64 << 20
"""Bytes of a log from which on the compiled parser saves more time than it takes to load (0.2 s)."""
_PLAIN_MARKS = tuple(",;|\t")
"""Delimiters that no plain number holds, and that stand for one cell's end however many follow each other."""
_SMALL = 64 << 10
"""Blocks whose odd lines cannot be told beforehand are halved down to this size: the rest still takes the fast path."""
_NULLS = sorted(
    {w for m in MISSING for w in (m, m.upper(), m.capitalize())} | {"NaN", "-NaN", "NaN(ind)", "N/a", " ", "  ", "   "}
)
_LONGEST_NULL = max(map(len, _NULLS))
_COMMENT_LINE = re.compile(rb"^[ \t]*(?:#|%|//)", re.MULTILINE)
_SPENT = re.compile("[\0\x1a\ufeff]")
"""Padding of a file cut off, an old end-of-file mark, and the mark that begins each of several files joined."""


class BlockParser:
    """Parses the blocks of one log in order. It learns which columns hold text and whether blocks tend to be odd.

    ``size``: about how many bytes of text the log has; it decides what is the fastest, not what comes of it.
    """

    def __init__(self, dialect: Dialect, encoding: str, name: str, size: int = 0) -> None:
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
        self.compiles = size >= _LONG and importlib.util.find_spec("numba") is not None
        """Loops are compiled: the log is long, and this Python not too new for the compiler."""
        self._mixed = False
        """The block before had odd lines among sound ones."""

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
            untried = self._mixed
            rows = None if untried else self._fast(block, first_line, n)
            if rows is None:
                rows = self._sorted_out(block, first_line, n, untried=untried)
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
        out.append(self._exact(block, itertools.count(first_line)))

    # --- fast path ------------------------------------------------------------------------------------------------

    def _fast(self, block: bytes, first_line: int, n: int) -> Rows | None:
        """Parse a block in which every line is a row; None where that is not so."""
        found = self._plain(block, n) or self._general(block, n)
        if found is None:
            return None
        columns = []
        for column, kind, unit in zip(found, self.dialect.types, self.dialect.units, strict=True):
            if isinstance(column, np.ndarray):
                columns.append(whole(column))
            elif kind == "q":
                columns.append(quantity_column(column, self.dialect.decimal, unit))
            else:
                columns.append(Cells(text=column))
        if self._nothing_in_a_row(columns, n):
            return None
        return Rows(lines=np.arange(first_line, first_line + n), columns=self._in_one_unit(columns))

    def _plain(self, block: bytes, n: int) -> Sequence[Floats | pa.Array] | None:
        """Return the columns of a block of plain cells; None where it is not one, or that is not tried."""
        d = self.dialect
        if not self.compiles or d.delimiter not in _PLAIN_MARKS or d.delimiter == d.decimal or not any(self._numeric):
            return None
        from benchlab.logs.plain import columns_of

        found = columns_of(block, n, self._numeric, d.delimiter, d.decimal)
        return found and [x if isinstance(x, np.ndarray) else _without_missing(x) for x in found]

    def _general(self, block: bytes, n: int) -> Sequence[Floats | pa.Array] | None:
        """Return the columns of any other block of rows; None where some line is none."""
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
        return [
            column.to_numpy() if numeric else _one_chunk(column)
            for column, numeric in zip(table.columns, self._numeric, strict=True)
        ]

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

    # --- both paths -------------------------------------------------------------------------------------------------

    def _sorted_out(self, block: bytes, first_line: int, n: int, *, untried: bool) -> Rows | None:
        """Parse the odd lines by the exact path and all others by the fast one; None where that does not work out.

        ``untried``: the fast path was not tried on this block.
        """
        d = self.dialect
        if d.delimiter == " " and b'"' in block:
            return None
        raw = bytes_of(block)
        cut = bytes_of(_collapse_blanks(block)) if d.delimiter == " " else raw
        odd = odd_lines(cut, d.delimiter, self._numeric, d.decimal)
        self._mixed = bool(odd.any())
        if not self._mixed or len(odd) != n:
            return self._fast(block, first_line, n) if untried else None
        if np.count_nonzero(odd) * 2 > n:
            return None
        is_odd = np.repeat(odd, line_lengths(raw))
        sound = self._fast(raw[~is_odd].tobytes(), first_line, n - int(np.count_nonzero(odd)))
        if sound is None:
            return None
        lines = np.arange(first_line, first_line + n)
        exact = self._exact(raw[is_odd].tobytes(), lines[odd].tolist(), of=n)
        return merged(replace(sound, lines=lines[~odd]), exact)

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

    def _exact(self, block: bytes, line_numbers: Iterable[int], *, of: int = 0) -> Rows:
        """Parse line by line; ``of``: these are but the odd ones of so many lines."""
        d = self.dialect
        kept: list[list[str]] = []
        numbers: list[int] = []
        rejects: list[Reject] = []
        lines = self._decode(block).split("\n")
        if lines and not lines[-1]:
            lines.pop()
        for number, raw in zip(line_numbers, lines, strict=False):
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
        columns = [self._column(i, cells, max(of, len(cells))) for i, cells in enumerate(by_column)]
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
            factor = factors(pc.utf8_trim_whitespace(names), self.dialect.units[i])
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

    def _column(self, i: int, cells: Sequence[str], of: int) -> Cells:
        if self._numeric[i]:
            column = numbers_only(numeric_column(cells, self.dialect.decimal))
            if column.bad is not None and of > 20 and np.count_nonzero(column.bad) > 0.2 * of:
                self._numeric[i] = False  # a column of text after all: no longer worth the fast path's failure
            return column
        text = pa.array([None if is_missing(c) else c for c in cells], pa.string())
        if self.dialect.types[i] == "q":
            return quantity_column(text, self.dialect.decimal, self.dialect.units[i])
        return Cells(text=text)


def _is_null(text: pa.Array | None) -> Bools:
    return np.asarray(pc.is_null(text))


def _without_missing(text: pa.Array) -> pa.Array:
    """Return text with null in place of the words for missing values."""
    if pc.min(pc.binary_length(text)).as_py() > _LONGEST_NULL:
        return text
    missing = pc.is_in(text, value_set=pa.array(_NULLS, pa.string()))
    return pc.if_else(missing, None, text) if pc.any(missing).as_py() else text


def _one_chunk(column: pa.ChunkedArray) -> pa.Array:
    combined = column.combine_chunks()
    return combined if isinstance(combined, pa.Array) else pa.concat_arrays(combined.chunks)


def _collapse_blanks(block: bytes) -> bytes:
    """Reduce runs of blanks and tabs to one blank and drop those at line ends."""
    a = np.frombuffer(block, dtype=np.uint8)
    blank = (a == 32) | (a == 9)
    newline = a == 10
    if not (a == 9).any() and not (blank[1:] & (blank | newline)[:-1]).any() and not (blank[:-1] & newline[1:]).any():
        return block
    before = np.concatenate([[True], (blank | newline)[:-1]])
    after_newline = np.concatenate([newline[1:], [True]])
    keep = ~(blank & (before | after_newline))
    # a run that ends a line: all but its first blank are gone by now, the first goes in a second pass
    out = np.where(blank, np.uint8(32), a)[keep]
    collapsed: bytes = out.tobytes().replace(b" \n", b"\n")
    return collapsed


def _has_comment(block: bytes) -> bool:
    """Tell whether a line of a block is a comment, as ``dialect.is_comment`` tells of a single one."""
    # hardly ever, and a search for a single byte is much faster than any other
    marked = b"#" in block or b"%" in block or (b"/" in block and b"//" in block)
    return marked and _COMMENT_LINE.search(block) is not None
