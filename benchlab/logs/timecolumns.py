"""Which columns make a calendar clock: stamps, date and time of day, or date and time written as plain numbers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

from benchlab.logs.cells import time_type, to_number
from benchlab.logs.dialect import Dialect

Calendar = Mapping[int, str]
"""Column -> what it tells: ``stamp``, ``date``, ``clock``, ``ms``, ``ymd``, ``hms``, ``hm``, ``year`` to ``second``."""

_FIELDS: dict[str, tuple[frozenset[str], int, int]] = {
    "year": (frozenset({"year", "yr", "yyyy", "jahr", "an", "année", "año"}), 1970, 2200),
    "month": (frozenset({"month", "mon", "mo", "monat", "mois", "mes"}), 1, 12),
    "day": (frozenset({"day", "dd", "tag", "jour", "día"}), 1, 31),
    "hour": (frozenset({"hour", "hours", "hr", "hh", "stunde", "heure", "hora"}), 0, 23),
    "minute": (frozenset({"minute", "minutes", "min", "mi"}), 0, 59),
    "second": (frozenset({"second", "seconds", "sec", "ss", "sekunde", "seconde", "segundo"}), 0, 60),
}
"""Field -> names of a column that holds it alone, least and greatest value."""
_MS = frozenset({"ms", "msec", "millisecond", "milliseconds", "millis", "millisekunden"})
_DATES = frozenset({"date", "datum", "yyyymmdd", "fecha", "data", "day", "tag"})
_TIMES = frozenset({"time", "zeit", "uhrzeit", "hhmmss", "hhmm", "heure", "hora", "clock", "time of day"})


def calendar_columns(dialect: Dialect, named: set[int]) -> Calendar:
    """Return the columns of a calendar clock in the order date, time, milliseconds; empty where there is none.

    ``named`` are columns whose header says time: of several stamps theirs is taken.
    """
    kinds: dict[str, list[int]] = defaultdict(list)
    for i, t in enumerate(dialect.types):
        if t == "t":
            words = [k for r in dialect.sample[:20] if i < len(r) and (k := time_type(r[i]))]
            if words:
                kinds[max(set(words), key=words.count)].append(i)
    if kinds["stamp"]:
        stamp = next((i for i in kinds["stamp"] if i in named), kinds["stamp"][0])
        return {stamp: "stamp", **_ms_behind(dialect, stamp)}
    if kinds["date"] and kinds["clock"]:
        date, clock = kinds["date"][0], kinds["clock"][0]
        return {date: "date", clock: "clock", **_ms_behind(dialect, clock)}
    if found := _fields(dialect) or _packed(dialect):
        return found
    return next(({kinds[k][0]: k} for k in ("clock", "date") if kinds[k]), {})


def _names(dialect: Dialect) -> list[str]:
    return [n.strip().strip("#%").strip().lower() for n in dialect.names]


def _ms_behind(dialect: Dialect, i: int) -> Calendar:
    """Return the column of milliseconds that follows a time of day in whole seconds."""
    follows = i + 1 < dialect.width and dialect.types[i + 1] == "n" and _names(dialect)[i + 1] in _MS
    return {i + 1: "ms"} if follows and _all(dialect, i + 1, lambda c: 0 <= float(c) < 1000) else {}


def _fields(dialect: Dialect) -> Calendar:
    """Find year, month, day, hour, minute and (if there is one) second in columns of their own."""
    found: dict[int, str] = {}
    for field, (words, least, greatest) in _FIELDS.items():
        i = next((i for i, n in enumerate(_names(dialect)) if n in words and dialect.types[i] == "n"), None)
        if i is not None and _all(dialect, i, lambda c, a=least, b=greatest: a <= float(c) <= b):  # type: ignore[misc]
            found[i] = field
        elif field != "second":
            return {}
    return {**found, **_ms_behind(dialect, max(found))} if "second" in found.values() else found


def _packed(dialect: Dialect) -> Calendar:
    """Find a date written 20240516 and a time written 115950 (or 1159) beside it."""
    names = _names(dialect)
    numeric = [i for i, t in enumerate(dialect.types) if t == "n"]
    date = next((i for i in numeric if names[i] in _DATES and _all(dialect, i, _is_ymd)), None)
    if date is None:
        return {}
    for i in numeric:
        if names[i] in _TIMES and _all(dialect, i, lambda c: len(c) == 6 and _is_hms(c)):
            return {date: "ymd", i: "hms"}
        if names[i] in _TIMES and _all(dialect, i, lambda c: len(c) == 4 and _is_hms(c + "00")):
            return {date: "ymd", i: "hm"}
        if names[i] in _TIMES and _all(dialect, i, _is_hms) and not _all(dialect, i, lambda c: len(c) <= 4):
            return {date: "ymd", i: "hms"}
    return {}


def _all(dialect: Dialect, i: int, test: Callable[[str], bool]) -> bool:
    """Tell whether a test holds for a column's sample cells that are numbers (nine in ten: some may be damaged)."""
    found = [r[i].strip() for r in dialect.sample[:500] if i < len(r)]
    cells = [c.replace(",", ".") for c in found if to_number(c, dialect.decimal) is not None]
    good = 0
    for cell in cells:
        try:
            good += test(cell)
        except ValueError:
            continue
    return bool(cells) and good * 10 >= 9 * len(cells)


def _is_ymd(cell: str) -> bool:
    return (
        len(cell) == 8 and cell.isdecimal() and "1970" <= cell[:4] <= "2199"
        and 1 <= int(cell[4:6]) <= 12 and 1 <= int(cell[6:]) <= 31
    )  # fmt: skip


def _is_hms(cell: str) -> bool:
    text = cell.split(".")[0].zfill(6)
    return len(text) == 6 and text.isdecimal() and int(text[:2]) < 24 and int(text[2:4]) < 60 and int(text[4:]) < 61


def is_packed_stamp(cells: Sequence[str]) -> bool:
    """Tell whether cells are all of the form 20240516115950 (or 202405161159): date and time without a mark."""
    return bool(cells) and all(len(c) in {12, 14} and _is_ymd(c[:8]) and _is_hms(c[8:].ljust(6, "0")) for c in cells)
