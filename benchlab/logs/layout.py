"""Where header, units row and data of a log begin, once its delimiter and decimal mark are known."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from benchlab.logs.cells import MISSING, cell_type, quantity_unit, time_type
from benchlab.logs.dialect import Dialect, is_blank, is_comment, split
from benchlab.logs.units import known, looks_like_unit

SAMPLE_LINES = 200
"""Lines at the end of a log's head that tell its dialect."""
_RULE = re.compile(r"[-=+|_\s,;:\"]+")
"""A line that only separates ("-----+-----")."""
_ODD_BELOW_HEADER = 2
"""Lines of another width that may stand between a header and the first sound row: damaged rows."""
_SMALL_TABLE = 5
"""Rows; a table with fewer that stands above another one belongs to the preamble."""
_UNIT_APART = re.compile(r"(?<=[\])}>])\s+(?=[^\s\[({<])")
"""Behind a unit in brackets: names of several words that single blanks set apart."""
_UNIT_NAMES = frozenset({"unit", "units", "einheit", "unité", "unidad", "uom"})
_COLUMNS_APART = re.compile(r"\t+| {2,}")


def locate(lines: Sequence[str], delimiter: str, decimal: str, width: int, given_header: int | None) -> Dialect | None:
    """Find header, units row and first data row."""
    start = given_header or 0
    rows = [split(x, delimiter) for x in lines]
    numbered = [i for i in range(start, len(rows)) if len(rows[i]) == width and not is_blank(rows[i])]
    recent = _data_rows(rows, numbered[-SAMPLE_LINES:], decimal)
    comments = sum(is_comment(lines[i]) for i in numbered[-SAMPLE_LINES:]) * 2 <= min(len(numbered), SAMPLE_LINES)
    types = _types(recent, width, decimal)
    typed = {i: t for i, t in enumerate(types) if t in "ntq"}
    if not typed:
        return None

    def fits(i: int) -> tuple[int, int]:
        """Return how many typed columns hold what they should, and how many other text."""
        kinds = [_kind(rows[i][c], t, decimal) for c, t in typed.items()]
        return sum(k in "nt" for k in kinds), sum(k == "s" for k in kinds)

    def sound(i: int) -> bool:
        return not (comments and is_comment(lines[i])) and fits(i)[0] > 0 and fits(i)[1] == 0

    first = next((i for i in numbered if sound(i)), None)
    if first is None:
        return None
    if given_header is None:
        head = _header_of_more(rows, numbered, first, sound, decimal)
        first = next((i for i in numbered if i > head and sound(i)), first)
    if given_header is None:
        header, units, above = _header_above(lines, rows, first, width, delimiter, typed, decimal)
        if header is None:
            code = _numeric_header(rows, numbered, first)
            if code is not None:
                header, first = first, code
            else:
                first = _damaged_first(numbered, first, fits)
        else:
            below = range(max(header, header if units is None else units) + 1, first)
            first = next((i for i in below if _is_row(lines[i], rows[i], width, typed, decimal)), first)
    else:
        header, above = given_header - 1, None
        text = [i for i in range(header + 1, first) if not is_blank(rows[i])]
        units = next((i for i in text if _is_units(rows[i])), None)
    names, unit_names = _fit(lines, rows, header, width, delimiter), _fit(lines, rows, units, width, delimiter)
    data = [tuple(rows[i]) for i in numbered if i >= first and not (comments and is_comment(lines[i]))][:2000]
    if header is not None and len(rows[header]) == width - 1 and _counts(data):
        names = ("", *names[:-1])  # row numbers stand before the named columns
    unit_names, unit_columns = _units_in_cells(data, types, names, unit_names, decimal)
    preamble = [x for i, x in enumerate(lines[:first]) if i not in (header, units)]
    return Dialect(
        delimiter=delimiter, decimal=decimal, width=width, names=names, units=unit_names, types=types,
        header_line=None if header is None else header + 1, units_line=None if units is None else units + 1,
        first_data_line=first + 1, comments=comments, metadata=_metadata(preamble),
        header_cells=() if header is None else tuple(c.strip() for c in rows[header]),
        units_cells=() if units is None else tuple(c.strip() for c in rows[units]),
        unit_columns=unit_columns, groups=() if above is None or header is None else _groups(rows[above], names),
        doubt=_split_decimals(lines, rows, first, width, delimiter, data), sample=tuple(data),
    )  # fmt: skip


def _kind(cell: str, column_type: str, decimal: str) -> str:
    """Return a cell's type; a number with a unit is one only in a column of them ("3.3 V" names a rail elsewhere)."""
    kind = cell_type(cell, decimal)
    return kind if kind != "q" else "n" if column_type == "q" else "s"


def _units_in_cells(
    data: Sequence[Sequence[str]], types: Sequence[str], names: Sequence[str], stated: Sequence[str], decimal: str
) -> tuple[tuple[str, ...], dict[int, int]]:
    """Return the columns' units with those that stand in cells, and which column names the unit of which."""
    found, unit_columns = list(stated), {}
    for i, kind in enumerate(types):
        if kind == "q":
            units = [u for r in data[:500] if (u := quantity_unit(r[i], decimal))]
            found[i] = max(set(units), key=units.count) if units else ""
        elif kind == "n" and i + 1 < len(types) and types[i + 1] == "s" and names[i + 1].lower() in _UNIT_NAMES:
            cells = [r[i + 1].strip() for r in data[:500] if r[i + 1].strip()]
            if cells and all(known(c) for c in cells):
                found[i], unit_columns[i] = cells[0], i + 1
    return tuple(found), unit_columns


def _header_of_more(
    rows: Sequence[Sequence[str]], numbered: Sequence[int], first: int, sound: Callable[[int], bool], decimal: str
) -> int:
    """Return the line of a header that begins a longer table below a small one (of a preamble), else -1.

    The small table has fewer than five rows and is set apart by a line of another width or a blank one.
    """
    for k, i in enumerate(numbered):
        if i <= first or i - 1 == numbered[k - 1]:
            continue
        if {cell_type(c, decimal) for c in rows[i]} & {"n", "t", "q"} or rows[i] in [rows[j] for j in range(i)]:
            continue
        above = sum(sound(j) for j in numbered[:k])
        if above < _SMALL_TABLE:
            return i if sum(sound(j) for j in numbered[k:]) > above else -1
        return -1
    return -1


def _counts(data: Sequence[Sequence[str]]) -> bool:
    """Tell whether the first column numbers the rows and the last one is filled."""
    first, last = [r[0].strip().strip("'") for r in data], [r[-1].strip() for r in data]
    return (
        len(data) > 1
        and first[0] in {"0", "1"}
        and all(last)
        and all(c.isdecimal() and len(c) < 16 for c in first)
        and all(int(b) - int(a) == 1 for a, b in itertools.pairwise(first))
    )


def _groups(row: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    """Return what the line above the header says of each column, where only that tells columns apart, else ()."""
    words = [c.strip() for c in row]
    named = [n for n in names if n]
    if len(words) != len(names) or (len(set(named)) == len(named) == len(names)):
        return ()
    spread: list[str] = []
    for word in words:
        spread.append(word or (spread[-1] if spread else ""))
    for filled in (words, spread):
        joined = [f"{a} {b}" for a, b in zip(filled, names, strict=True) if (a + b).strip()]
        if len(set(joined)) == len(joined) > len(set(named)):
            return tuple(filled)
    return ()


def _split_decimals(
    lines: Sequence[str], rows: Sequence[Sequence[str]], first: int, width: int, delimiter: str,
    data: Sequence[Sequence[str]],
) -> str:  # fmt: skip
    """Say so where decimal commas seem to have been cut as delimiters: fewer names than fields, all of them digits."""
    head = next((i for i in range(first - 1, -1, -1) if not is_blank(rows[i])), None)
    if delimiter != "," or head is None or '"' in "".join(lines[first : first + 20]):
        return ""
    named = len(rows[head])
    text = all(cell_type(c, ".") == "s" for c in rows[head])
    digits = all(c.strip().lstrip("+-").isdecimal() for r in data for c in r)
    if not (1 < named < width <= 2 * named and text and digits and data):
        return ""
    return f"rows of {width} fields stand below {named} names: decimal commas cannot be told from delimiters here"


def _data_rows(rows: Sequence[Sequence[str]], numbered: Sequence[int], decimal: str) -> list[Sequence[str]]:
    """Return the rows that hold some number or time, from below the last header that has some of them below it."""
    kinds = {i: {cell_type(c, decimal) for c in rows[i]} for i in numbered}
    heads = [-1, *(i for i in numbered if not kinds[i] & {"n", "t", "q"})]
    below = [[rows[i] for i in numbered if i > head and kinds[i] & {"n", "t", "q"}] for head in heads]
    enough = [b for b in below if len(b) >= 5]
    some = [b for b in below if b]
    return enough[-1] if enough else some[-1] if some else []


def _types(rows: Sequence[Sequence[str]], width: int, decimal: str) -> tuple[str, ...]:
    """Return for each column what most of its cells are (missing ones left out)."""
    out = []
    for i in range(width):
        counts = Counter(cell_type(r[i], decimal) for r in rows)
        counts.pop("e", None)
        out.append(max(counts, key=lambda k: (counts[k], k)) if counts else "e")
    return tuple(out)


def _is_row(line: str, row: Sequence[str], width: int, typed: Mapping[int, str], decimal: str) -> bool:
    """Tell whether a line between header and first sound row is a damaged row.

    It is if it has a number where one belongs, or falls into another number of cells than the data.
    """
    if is_comment(line) or is_blank(row) or _RULE.fullmatch(line):
        return False
    return len(row) != width or any(_kind(row[c], t, decimal) in "nt" for c, t in typed.items())


def _damaged_first(numbered: Sequence[int], first: int, fits: Callable[[int], tuple[int, int]]) -> int:
    """Without a header, a line of the right width that is half sound is a damaged first row, not a preamble."""
    for i in numbered:
        if i >= first:
            break
        good, bad = fits(i)
        if good >= bad and good:
            return i
    return first


def _is_units(row: Sequence[str]) -> bool:
    words = [c.strip() for c in row if c.strip()]
    hits = sum(looks_like_unit(c) for c in words)
    return bool(words) and hits * 2 > len(words)


def _header_above(
    lines: Sequence[str], rows: Sequence[Sequence[str]], first: int, width: int, delimiter: str,
    typed: Mapping[int, str], decimal: str,
) -> tuple[int | None, int | None, int | None]:  # fmt: skip
    """Return header, units row and the line above the header that may group its columns.

    They are the text lines of (about) the data's width that stand closest above the data.
    """
    block: list[int] = []
    commented: int | None = None
    odd = 0
    for i in range(first - 1, max(first - 60, -1), -1):
        row = rows[i]
        if is_blank(row) or _RULE.fullmatch(lines[i]):
            continue
        cells = _refit(lines[i], row, width, delimiter)
        text = cells is not None and _all_text(cells, typed, decimal)
        if is_comment(lines[i]):
            if text and commented is None and not block:
                commented = i
            continue
        if text:
            block.append(i)
        elif block or (cells is not None and _all_text(cells, typed, decimal, strict=True)):
            break
        elif len(row) != width:
            odd += 1
            if odd > _ODD_BELOW_HEADER:
                break
        if len(block) == 4:
            break
    if not block:
        return _partial(rows, first, typed, width, decimal) if commented is None else commented, None, None
    block.reverse()
    split_block = [_refit(lines[i], rows[i], width, delimiter) or [] for i in block]
    units = max((k for k, c in enumerate(split_block) if _is_units(c)), default=None) if len(block) > 1 else None
    header = len(block) - 1 if units is None else units - 1 if units > 0 else units + 1
    above = block[header - 1] if header > 0 and header - 1 != units else None
    return block[header], None if units is None else block[units], above


def _all_text(cells: Sequence[str], typed: Mapping[int, str], decimal: str, *, strict: bool = False) -> bool:
    """Tell whether a line holds words and no number where the data hold numbers."""
    kinds = [_kind(cells[c].lstrip("#%/ "), t, decimal) if c < len(cells) else "e" for c, t in typed.items()]
    words = any(c.strip("#%/ \t\"'") for c in cells)
    return words and "t" not in kinds and "n" not in kinds and ("s" in kinds or not strict)


def _partial(
    rows: Sequence[Sequence[str]], first: int, typed: Mapping[int, str], width: int, decimal: str
) -> int | None:
    """Accept a header some of whose names are whole numbers ("Time,101,102"): text must stand in the first column."""
    i = next((i for i in range(first - 1, -1, -1) if not is_blank(rows[i])), None)
    if i is None or len(rows[i]) != width:
        return None
    kinds = [_kind(rows[i][c], t, decimal) for c, t in typed.items()]
    others_whole = all(rows[i][c].strip().isdecimal() for c, k in zip(typed, kinds, strict=True) if k != "s")
    return i if kinds[0] == "s" and others_whole and not is_comment("".join(rows[i][:1])) else None


def _numeric_header(rows: Sequence[Sequence[str]], numbered: Sequence[int], first: int) -> int | None:
    """Return the index of the first data row where the line before it is a header of code numbers, else None.

    All its cells are whole numbers, most lie far outside what their column holds below, and every column that counts
    steadily below is broken by it. A row of zeros from a logger that starts up passes none of this.
    """
    below = [i for i in numbered if i > first][:50]
    head = [c.strip() for c in rows[first]]
    if len(below) < 8 or len(head) < 3 or not all(c.isdecimal() for c in head):
        return None
    outside = counting = broken = 0
    for k, cell in enumerate(head):
        try:
            values = [float(rows[i][k]) for i in below]
        except ValueError:
            outside += 1
            continue
        lo, hi, x = min(values), max(values), float(cell)
        outside += x > hi + 10 * (hi - lo) or x < lo - 10 * (hi - lo)
        steps = [b - a for a, b in itertools.pairwise(values)]
        if min(steps) > 0 or max(steps) < 0:
            counting += 1
            broken += abs(values[0] - x) > 10 * max(abs(s) for s in steps)
    if counting and broken == counting and outside * 4 >= 3 * len(head):
        return below[0]
    return None


def _refit(line: str, row: list[str] | Sequence[str], width: int, delimiter: str) -> list[str] | None:
    """Cut a header line into the data's number of cells, if need be by another delimiter than the data's."""
    if len(row) == width:
        return list(row)
    text = line.strip()
    if delimiter == " ":
        for apart in (_COLUMNS_APART.split(text), _UNIT_APART.split(text)):
            if len(apart) == width:
                return apart
    for other in ("\t", ";", ",", "|"):
        cells = split(text, other)
        if other != delimiter and len(cells) == width and width > 1:
            return cells
    if is_comment(line):
        stripped = split(text.lstrip("#%/ "), delimiter)
        if len(stripped) == width:
            return stripped
    if width > 2 and len(row) > 1 and abs(len(row) - width) <= max(1, width // 4):
        return list(row)
    if len(row) > width and is_blank(row[width:]):
        return list(row)
    return None


def _fit(
    lines: Sequence[str], rows: Sequence[Sequence[str]], i: int | None, width: int, delimiter: str
) -> tuple[str, ...]:
    """Return the cells of a header or units row, made as many as the data has columns (never fewer than named)."""
    if i is None:
        return ("",) * width
    cells = [" ".join(c.split()) for c in _refit(lines[i], rows[i], width, delimiter) or rows[i]]
    while len(cells) > width and not cells[-1]:
        cells.pop()
    return tuple(cells[:width]) + ("",) * (width - len(cells))


_KEY_VALUE = re.compile(r"\s*([^:=;,\t]{1,60}?)\s*[:=;,\t]\s*(.*?)[\s;,]*")


def _metadata(preamble: Sequence[str]) -> dict[str, str]:
    """Take ``key: value`` lines (also = or the delimiter between) of a preamble as metadata."""
    found: dict[str, str] = {}
    for line in preamble[:500]:
        text = line.strip().lstrip("#%/").replace('"', "").strip()
        match = _KEY_VALUE.fullmatch(text)
        if match and match[1] and match[2] and time_type(match[1]) is None and match[1].lower() not in MISSING:
            found.setdefault(match[1], match[2].lstrip(",;\t "))
    return found
