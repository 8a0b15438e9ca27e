"""What one cell of a log can be: a number, a missing word, a time, or other text."""

from __future__ import annotations

import re
from functools import lru_cache

from benchlab.logs import units

MISSING = frozenset(
    {
        "", "-", "--", "---", "----", "-----", "nan", "-nan", "+nan", "na", "n/a", "n.a.", "null", "none", "nil",
        "nan(ind)", "-nan(ind)", "1.#qnan", "-1.#qnan", "1.#ind", "-1.#ind", "1.#inf", "-1.#inf", "#n/a", "#na",
        "#div/0!", "#value!", "#num!", "#ref!", "inf", "+inf", "-inf", "infinity", "-infinity", "ol", "+ol", "-ol",
        "o.l", "o.l.", "ovld", "+ovld", "-ovld", "ovl", "over", "overload", "overflow", "ovf", "ofl", "overrange",
        "over range", "out of range", "+over", "-over", "over-range", "under range", "0l",
        "0.l", "0.l.", ".ol", ".0l",
        "--.--", "---.-", "-.---", "--.-", "-.--", "disconnected", "no signal",
        "no sensor", "underrange", "uvld", "?", "??", "???", "*", "**", "***", "****", "*****", "err", "error", "bad",
        "invalid", "missing", "open", "...", "noread", "no data", "nodata",
    }
)  # fmt: skip
"""Missing values and overload words, in lower case."""

_SPACES = " \u00a0\u2009\u202f"
_PLAIN = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eEdD][+-]?\d+)?"),
}
# groups of three digits behind the first one to three; the mark must be the same throughout
_GROUPED = {
    ".": re.compile(rf"[+-]?\d{{1,3}}(?:([,'’{_SPACES}_])\d{{3}})(?:\1\d{{3}})*(?:\.\d*)?(?:[eE][+-]?\d+)?"),
    ",": re.compile(rf"[+-]?\d{{1,3}}(?:([.'’{_SPACES}_])\d{{3}})(?:\1\d{{3}})*(?:,\d*)?(?:[eE][+-]?\d+)?"),
}
_DOTS_IN_TIME = re.compile(r"\d{1,3}(?:\.\d{3}){2,}")
_MARKS = str.maketrans("", "", f"'’{_SPACES}_")
QUANTITY = r"(?P<number>[+\-−]?[\d.,'’ ]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\W\d_][^\d\s]*|[°µ%Ω]\S*)"
"""A number and what stands behind it."""
_QUANTITY = re.compile(QUANTITY)
_TEXT_MARKS = ("'", "=")
_MINUS = str.maketrans({"−": "-", "–": "-"})


def is_missing(cell: str) -> bool:
    """Tell whether a cell is empty or one of the words that stand for a missing or overloaded reading."""
    return cell.strip().lower() in MISSING


def to_number(cell: str, decimal: str) -> float | None:
    """Return the number that a cell holds under this decimal mark, None if it holds none.

    Groups of three digits may be set apart by a point, comma, apostrophe, blank or underscore (whichever is not the
    decimal mark). Under a decimal point, ``151.303.000`` has one point too many to be anything but
    thousands with three decimals, as some loggers print milliseconds: 151303.000.
    """
    text = cell.strip()
    if _PLAIN[decimal].fullmatch(text):
        return _float(text.replace(",", "."))
    if text[:1] in _TEXT_MARKS:  # spreadsheets write '1.5 or ="1.5" for a number that is to stay as it was typed
        text = text[2:-1] if text[:2] == '="' and text[-1:] == '"' else text.removeprefix("'")
        if _PLAIN[decimal].fullmatch(text):
            return _float(text.replace(",", "."))
    if text and text[0] in "−–":
        text = text.translate(_MINUS)
        if _PLAIN[decimal].fullmatch(text):
            return _float(text.replace(",", "."))
    if decimal == "." and _DOTS_IN_TIME.fullmatch(text):
        whole, _, fraction = text.rpartition(".")
        return _float(whole.replace(".", "") + "." + fraction)
    if _GROUPED[decimal].fullmatch(text):
        other = "," if decimal == "." else "."
        return _float(text.replace(other, "").translate(_MARKS).replace(",", "."))
    return None


def _float(text: str) -> float | None:
    value = float(text.replace("d", "e").replace("D", "e"))
    return value if abs(value) < 9.9e37 else None  # SCPI-1999 vol. 1, 7.2.1: 9.9E37 is infinity, 9.91E37 not a number


_MONTH = r"(?:jan|feb|m[aä]r|mrt|apr|may|mai|mei|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zé]*\.?"
DATE = rf"(?:\d{{4}}([-/.])\d{{1,2}}\1\d{{1,2}}|\d{{1,2}}([-/.])\d{{1,2}}\2\d{{2,4}}|\d{{1,2}}[-/. ]{_MONTH}[-/. ,]+\d{{2,4}}|{_MONTH}[- ]\d{{1,2}},? \d{{4}}|\d{{8}}(?=[T _]))"  # noqa: E501
_FRACTION = r"(?:[.,:]\d{1,9})?"
CLOCK = (
    rf"(?:\d{{1,3}}:\d{{2}}:\d{{2}}{_FRACTION}|\d{{1,2}}:\d{{2}}{_FRACTION}|"
    rf"(?<=[T _])(?:\d{{6}}|\d{{2}}-\d{{2}}-\d{{2}})(?:[.,]\d+)?)"
    rf"(?: ?[ap]\.?m\.?)?"
)
_OFFSET = r"(?: ?(?:z|utc|gmt|[+-]\d{2}:?\d{2}|[+-]\d{2}))?"
_WEEKDAY = r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[ ,]+)?"
_STAMP = re.compile(rf"{_WEEKDAY}{DATE}(?:[T ,_]+{CLOCK}{_OFFSET})", re.IGNORECASE)
_REVERSED = re.compile(rf"{CLOCK} +{DATE}", re.IGNORECASE)
_CTIME = re.compile(rf"{_WEEKDAY}{_MONTH} +\d{{1,2}} {CLOCK} \d{{4}}", re.IGNORECASE)
_CTIME_ONLY = re.compile(rf"{_WEEKDAY}{_MONTH} +\d{{1,2}} {CLOCK}", re.IGNORECASE)
_DATE_ONLY = re.compile(_WEEKDAY + DATE.replace(r"|\d{8}(?=[T _])", ""), re.IGNORECASE)
_CLOCK_ONLY = re.compile(CLOCK + _OFFSET, re.IGNORECASE)
_DIGIT = re.compile(r"\d")


def time_type(cell: str) -> str | None:
    """Return ``stamp`` (date and time), ``date``, ``clock`` (time of day or h:mm:ss elapsed), or None."""
    text = cell.strip()
    if len(text) < 4 or len(text) > 48 or not _DIGIT.search(text):
        return None
    if _CLOCK_ONLY.fullmatch(text):
        return "clock"
    if _STAMP.fullmatch(text) or _CTIME.fullmatch(text) or _REVERSED.fullmatch(text):
        return "stamp"
    return "date" if _DATE_ONLY.fullmatch(text) else None


def quantity_unit(cell: str, decimal: str) -> str | None:
    """Return the unit of a cell that holds a number and a known unit ("12.3 V"), else None."""
    match = _QUANTITY.fullmatch(cell.strip())
    return match[2] if match and units.known(match[2]) and to_number(match[1], decimal) is not None else None


def to_quantity(cell: str, decimal: str, base: str) -> float | None:
    """Return a cell's number in the unit ``base``, whether its unit stands beside it or not; None if it holds none."""
    unit = quantity_unit(cell, decimal)
    if unit is None:
        return to_number(cell, decimal)
    match, factor = _QUANTITY.fullmatch(cell.strip()), units.relative(unit, base)
    value = to_number(match[1], decimal) if match else None
    return None if value is None or factor is None else value * factor


@lru_cache(maxsize=20_000)
def cell_type(cell: str, decimal: str) -> str:
    """Return ``n`` number, ``q`` number with its unit, ``e`` missing, ``t`` time or date, ``s`` other text."""
    if to_number(cell, decimal) is not None:
        return "n"
    if is_missing(cell):
        return "e"
    if time_type(cell):
        return "t"
    return "q" if quantity_unit(cell, decimal) else "s"
