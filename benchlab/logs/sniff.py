"""Finding a log's dialect.

Every candidate dialect is scored by how much of the text it explains as numbers, times and missing words in lines of
one width; general-purpose sniffers look at delimiters alone and fall for decimal commas and preambles.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence

from benchlab.logs.cells import cell_type
from benchlab.logs.dialect import DELIMITERS, Dialect, is_comment, split
from benchlab.logs.layout import SAMPLE_LINES, locate

# a comma with anything but three digits behind it, or a zero before it, cannot be a thousands mark
_SURE = {
    mark: re.compile(
        rf"[+-]?(?:0+{m}\d+|\d*{m}(?:\d{{1,2}}|\d{{4,}})|\d{{4,}}{m}\d+|\d{{1,3}}(?:[{other}'\s]\d{{3}})+{m}\d+)"
        rf"(?:[eE][+-]?\d+)?|[+-]?\d+{m}\d+[eE][+-]?\d+"
    )
    for mark, m, other in ((",", ",", "."), (".", r"\.", ","))
}
_UNSURE = {mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}[{mark}]\d{{3}}") for mark in ",."}


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
    sample = [x for x in lines if x.strip()][-SAMPLE_LINES:]
    if header_line is not None:
        sample = [x for x in lines[header_line:][:SAMPLE_LINES] if x.strip()]
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
    return locate(lines, delimiter, decimal, width, header_line)


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
