"""The dialect of a log: delimiter, decimal mark, and where header, units row and data begin.

Every candidate dialect is scored by how much of the text it explains as numbers, times and missing words in lines of
one width; general-purpose sniffers look at delimiters alone and fall for decimal commas and preambles.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchlab.logs.cells import MISSING, cell_type, time_type
from benchlab.logs.units import looks_like_unit

DELIMITERS = ("\t", ";", ",", "|", " ", "")
"""In order of preference where two explain a log equally well; "" is a log of one column."""
_SAMPLE_LINES = 200
_COMMENT = re.compile(r"\s*(?:#|%|//)")
_RULE = re.compile(r"[-=+|_\s,;:\"]+")
"""A line that only separates ("-----+-----")."""
_ODD_BELOW_HEADER = 2
"""Lines of another width that may stand between a header and the first sound row: damaged rows."""
_RUNS = re.compile(r"[ \t]+")
_COLUMNS_APART = re.compile(r"\t+| {2,}")
# a comma with anything but three digits behind it, or a zero before it, cannot be a thousands mark
_SURE = {
    mark: re.compile(
        rf"[+-]?(?:0+{m}\d+|\d*{m}(?:\d{{1,2}}|\d{{4,}})|\d{{4,}}{m}\d+|\d{{1,3}}(?:[{other}'\s]\d{{3}})+{m}\d+)"
        rf"(?:[eE][+-]?\d+)?|[+-]?\d+{m}\d+[eE][+-]?\d+"
    )
    for mark, m, other in ((",", ",", "."), (".", r"\.", ","))
}
_UNSURE = {mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}[{mark}]\d{{3}}") for mark in ",."}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How a log's lines are cut into cells and where its parts lie. Line numbers are physical, from 1."""

    delimiter: str
    """One of DELIMITERS; " " stands for runs of blanks, "" for a single column."""
    decimal: str
    width: int
    """Fields in a data row."""
    names: tuple[str, ...]
    """One for each column; "" where the header names none."""
    units: tuple[str, ...]
    """From the units row; "" where there is none."""
    types: tuple[str, ...]
    """Per column what most of its sample cells are: ``n``, ``t``, ``s``, or ``e`` where all are missing."""
    header_line: int | None
    units_line: int | None
    first_data_line: int | None
    header_cells: tuple[str, ...] = ()
    """As split by the data's own delimiter, to know repeats by."""
    units_cells: tuple[str, ...] = ()
    comments: bool = True
    """Lines that begin with #, % or // are comments."""
    metadata: dict[str, str] = field(default_factory=dict)
    sample: tuple[tuple[str, ...], ...] = ()
    """The first data rows, cut into cells."""


def split(line: str, delimiter: str) -> list[str]:
    """Cut a line into cells; quotes are honoured and dropped."""
    if delimiter == "":
        return [line.strip().strip('"')]
    if delimiter == " ":
        line = _RUNS.sub(" ", line.strip())
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
    except (csv.Error, StopIteration):
        return line.split(delimiter)


def is_blank(cells: Sequence[str]) -> bool:
    """Tell whether a line holds nothing: no cell with anything but blanks."""
    return not any(c and not c.isspace() for c in cells)


def is_comment(line: str) -> bool:
    """Tell whether a line begins like a comment."""
    return _COMMENT.match(line) is not None


def find_dialect(
    lines: Sequence[str],
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    header_line: int | None = None,
) -> Dialect | None:
    """Find how the lines of a log's head are to be read; what is given is taken as said.

    Returns None if no line holds a number or a time in any dialect.
    """
    sample = [x for x in lines[-_SAMPLE_LINES:] if x.strip()]
    if header_line is not None:
        sample = [x for x in lines[header_line:][:_SAMPLE_LINES] if x.strip()]
    candidates = DELIMITERS if delimiter is None else (delimiter,)
    marks = (".", ",") if decimal is None else (decimal,)
    best: tuple[float, str, int] | None = None
    for mark in candidates:
        rows = [split(x, mark) for x in sample]
        scores = [_score(sample, rows, d) for d in marks if d != mark or any('"' in x for x in sample)]
        score, width = max(scores, default=(0.0, 0))
        score *= _header_agreement(lines, mark, width, header_line)
        # a hundredth is less than one odd line in a hundred changes: then the order of preference decides
        if (width > 1 or mark == "") and width and (best is None or score > best[0] + 0.01):
            best = (score, mark, width)
    if best is None or best[0] <= 0:
        return None
    _, delimiter, width = best
    chosen = [r for r in (split(x, delimiter) for x in sample) if len(r) == width]
    decimal = decimal or _decimal(chosen, delimiter)
    return _locate(lines, delimiter, decimal, width, header_line)


def _score(sample: Sequence[str], rows: Sequence[Sequence[str]], decimal: str) -> tuple[float, int]:
    """Return the mean share of characters explained by rows of the best width, and that width."""
    by_width: dict[int, float] = defaultdict(float)
    cache: dict[str, str] = {}
    for line, row in zip(sample, rows, strict=True):
        total = explained = 0
        for cell in row:
            kind = cache.get(cell)
            if kind is None:
                kind = cache[cell] = cell_type(cell, decimal)
            size = len(cell.strip())
            total += size
            explained += size if kind != "s" else 0
        if total and explained and not is_comment(line):
            by_width[len(row)] += explained / total
    if not by_width:
        return 0.0, 0
    width, score = max(by_width.items(), key=lambda x: (x[1], x[0]))
    return score / len(sample), width


def _header_agreement(lines: Sequence[str], delimiter: str, width: int, header_line: int | None) -> float:
    """Return a little more than 1 where some early text line falls into as many cells as the data rows."""
    if width < 1:
        return 1.0
    early = lines[:100] if header_line is None else lines[header_line - 1 : header_line]
    for line in early:
        cells = split(line, delimiter)
        words = [c for c in cells if c.strip()]
        if len(cells) == width and words and all(cell_type(c, ".") == "s" for c in words):
            if delimiter == "" and any(d in line.strip() for d in "\t;,|"):
                continue
            return 1.03
    return 1.0


def _decimal(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    """Decide the decimal mark from cells that allow only one reading; else from what goes with the delimiter."""
    sure: Counter[str] = Counter()
    unsure: Counter[str] = Counter()
    for row in rows:
        for cell in row:
            text = cell.strip()
            for mark in ",.":
                if mark in text:
                    if _SURE[mark].fullmatch(text):
                        sure[mark] += 1
                    elif _UNSURE[mark].fullmatch(text):
                        unsure[mark] += 1
    if sure:
        return "," if sure[","] > sure["."] else "."
    if unsure[","] and not unsure["."]:
        return ","
    if unsure[","] and unsure["."]:  # 1,234 beside 1.234: only where both stand in one cell would it be decided
        return "." if delimiter == "," else ","
    return "."


def _data_rows(rows: Sequence[Sequence[str]], numbered: Sequence[int], decimal: str) -> list[Sequence[str]]:
    """Return the rows that hold some number or time, from below the last header that has some of them below it."""
    kinds = {i: {cell_type(c, decimal) for c in rows[i]} for i in numbered}
    heads = [-1, *(i for i in numbered if not kinds[i] & {"n", "t"})]
    below = [[rows[i] for i in numbered if i > head and kinds[i] & {"n", "t"}] for head in heads]
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


def _locate(lines: Sequence[str], delimiter: str, decimal: str, width: int, given_header: int | None) -> Dialect | None:
    """Find header, units row and first data row."""
    start = given_header or 0
    rows = [split(x, delimiter) for x in lines]
    numbered = [i for i in range(start, len(rows)) if len(rows[i]) == width and not is_blank(rows[i])]
    recent = _data_rows(rows, numbered[-_SAMPLE_LINES:], decimal)
    comments = sum(is_comment(lines[i]) for i in numbered[-_SAMPLE_LINES:]) * 2 <= min(len(numbered), _SAMPLE_LINES)
    types = _types(recent, width, decimal)
    typed = [i for i, t in enumerate(types) if t in "nt"]
    if not typed:
        return None

    def fits(i: int) -> tuple[int, int]:
        """Return how many typed columns hold what they should, and how many other text."""
        kinds = [cell_type(rows[i][c], decimal) for c in typed]
        return sum(k in "nt" for k in kinds), sum(k == "s" for k in kinds)

    first = next(
        (i for i in numbered if not (comments and is_comment(lines[i])) and fits(i)[0] and not fits(i)[1]), None
    )
    if first is None:
        return None
    if given_header is None:
        header, units = _header_above(lines, rows, first, width, delimiter, typed, decimal)
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
        header = given_header - 1
        text = [i for i in range(header + 1, first) if not is_blank(rows[i])]
        units = next((i for i in text if _is_units(rows[i])), None)
    names, unit_names = _fit(lines, rows, header, width, delimiter), _fit(lines, rows, units, width, delimiter)
    preamble = [x for i, x in enumerate(lines[:first]) if i not in (header, units)]
    return Dialect(
        delimiter=delimiter, decimal=decimal, width=width, names=names, units=unit_names, types=types,
        header_line=None if header is None else header + 1, units_line=None if units is None else units + 1,
        first_data_line=first + 1, comments=comments, metadata=_metadata(preamble),
        header_cells=() if header is None else tuple(c.strip() for c in rows[header]),
        units_cells=() if units is None else tuple(c.strip() for c in rows[units]),
        sample=tuple(tuple(rows[i]) for i in numbered if i >= first and not (comments and is_comment(lines[i])))[:2000],
    )  # fmt: skip


def _is_row(line: str, row: Sequence[str], width: int, typed: Sequence[int], decimal: str) -> bool:
    """Tell whether a line between header and first sound row is a damaged row.

    It is if it has a number where one belongs, or falls into another number of cells than the data.
    """
    if is_comment(line) or is_blank(row) or _RULE.fullmatch(line):
        return False
    return len(row) != width or any(cell_type(row[c], decimal) in "nt" for c in typed)


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
    typed: Sequence[int], decimal: str,
) -> tuple[int | None, int | None]:  # fmt: skip
    """Return header and units row: the text lines of (about) the data's width that stand closest above the data."""
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
        return (commented, None) if commented is not None else (_partial(rows, first, typed, width, decimal), None)
    block.reverse()
    split_block = [_refit(lines[i], rows[i], width, delimiter) or [] for i in block]
    units = max((k for k, c in enumerate(split_block) if _is_units(c)), default=None) if len(block) > 1 else None
    if units is None:
        return block[-1], None
    header = units - 1 if units > 0 else units + 1
    return block[header], block[units]


def _all_text(cells: Sequence[str], typed: Sequence[int], decimal: str, *, strict: bool = False) -> bool:
    """Tell whether a line holds words and no number where the data hold numbers."""
    kinds = [cell_type(cells[c].lstrip("#%/ "), decimal) if c < len(cells) else "e" for c in typed]
    words = any(c.strip("#%/ \t\"'") for c in cells)
    return words and "t" not in kinds and "n" not in kinds and ("s" in kinds or not strict)


def _partial(rows: Sequence[Sequence[str]], first: int, typed: Sequence[int], width: int, decimal: str) -> int | None:
    """Accept a header some of whose names are whole numbers ("Time,101,102"): text must stand in the first column."""
    i = next((i for i in range(first - 1, -1, -1) if not is_blank(rows[i])), None)
    if i is None or len(rows[i]) != width:
        return None
    kinds = [cell_type(rows[i][c], decimal) for c in typed]
    others_whole = all(rows[i][c].strip().isdigit() for c, k in zip(typed, kinds, strict=True) if k != "s")
    return i if kinds[0] == "s" and others_whole and not is_comment("".join(rows[i][:1])) else None


def _numeric_header(rows: Sequence[Sequence[str]], numbered: Sequence[int], first: int) -> int | None:
    """Return the index of the first data row where the line before it is a header of code numbers, else None.

    All its cells are whole numbers, most lie far outside what their column holds below, and every column that counts
    steadily below is broken by it. A row of zeros from a logger that starts up passes none of this.
    """
    below = [i for i in numbered if i > first][:50]
    head = [c.strip() for c in rows[first]]
    if len(below) < 8 or len(head) < 3 or not all(c.isdigit() for c in head):
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
        apart = _COLUMNS_APART.split(text)
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
            found.setdefault(match[1], match[2])
    return found
