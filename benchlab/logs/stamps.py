"""Time stamps as text to instants: date orders, separators, fractions, twelve-hour clocks, offsets. Vectorised."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchlab.errors import LogError

Floats = np.ndarray[Any, np.dtype[np.float64]]
Ints = np.ndarray[Any, np.dtype[np.int64]]
Bools = np.ndarray[Any, np.dtype[np.bool_]]

_MONTHS = {
    "jan": 1, "feb": 2, "mar": 3, "mär": 3, "mrt": 3, "apr": 4, "may": 5, "mai": 5, "mei": 5, "jun": 6, "jul": 7,
    "aug": 8, "sep": 9, "oct": 10, "okt": 10, "nov": 11, "dec": 12, "dez": 12,
}  # fmt: skip
_WEEKDAY = r"(?:(?:[Mm]on|[Tt]ue|[Ww]ed|[Tt]hu|[Ff]ri|[Ss]at|[Ss]un)[a-z]*[ ,]+)?"
_CLOCK = (
    r"(?P<H>\d{1,3}):(?P<M>\d{1,2})(?::(?P<S>\d{1,2})(?:[.,:](?P<f>\d{1,9}))?)?(?: ?(?P<p>[AaPp])\.?[Mm]\.?)?"
    r"(?: ?(?P<o>[Zz]|[Uu][Tt][Cc]|[Gg][Mm][Tt]|[+-]\d{2}:?(?:\d{2})?))?"
)
_MINUTES = r"(?P<M>\d{1,2}):(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))"
_DATES = {
    "ymd": r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})",
    "xxy": r"(?P<d>\d{1,2})[-/.](?P<m>\d{1,2})[-/.](?P<y>\d{2,4})",
    "dby": r"(?P<d>\d{1,2})[-/. ](?P<b>[A-Za-zäé]{3,9})\.?[-/. ,]+(?P<y>\d{2,4})",
    "bdy": r"(?P<b>[A-Za-zäé]{3,9})\.?[- ]+(?P<d>\d{1,2}),? (?P<y>\d{4})",
}
_YMD_FORM, _XXY_FORM, *_WORDED = (rf"^{_WEEKDAY}{date}(?:[T ,_]+{_CLOCK})?$" for date in _DATES.values())
_CLOCK_FORM = rf"^{_CLOCK}$"
_FORMS: tuple[str, ...] = (
    _YMD_FORM,
    _XXY_FORM,
    *_WORDED,
    *(rf"^{_CLOCK} +{date}$" for date in (_DATES["ymd"], _DATES["xxy"])),
    r"^(?P<y>\d{4})-?(?P<m>\d{2})-?(?P<d>\d{2})[T _](?P<H>\d{2})[-:]?(?P<M>\d{2})[-:]?(?P<S>\d{2})"
    r"(?:[.,](?P<f>\d+))?(?P<o>[Zz]|[+-]\d{2}:?(?:\d{2})?)?$",
    rf"^{_WEEKDAY}(?P<b>[A-Za-z]{{3,9}}) +(?P<d>\d{{1,2}}) {_CLOCK} (?P<y>\d{{4}})$",
    rf"^{_MINUTES}$",
    _CLOCK_FORM,
)
_ELAPSED = (r"^(?P<M>\d{1,4}):(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?$", *_FORMS)
"""Tried where the header says that minutes and seconds are meant."""
_ZONE = re.compile(r"(?:Z|[+-]\d\d:\d\d)$")
_NS = 1_000_000_000
_EARLIEST_NS, _LATEST_NS = (int(np.datetime64(year, "ns").astype(np.int64)) for year in ("1801", "2262"))
_SPREADSHEET_1970 = 25569
"""1970-01-01 as spreadsheets count days (from 1899-12-30)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamps:
    """Instants in ns from 1970 (UTC where an offset is given, else local), or from midnight for clock-only stamps."""

    ns: Ints
    good: Bools
    offset_s: Ints | None
    """Offset from UTC in s, None where the stamps give none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StampForm:
    """How a log writes its time stamps."""

    pattern: str
    day_first: bool | None
    """None where the form leaves no doubt."""
    calendar: bool
    strptime: str | None = None


def find_form(
    samples: list[str], *, name: str, column: str, time_format: str | None = None, order_hint: str = ""
) -> StampForm | None:
    """Find the form that most of the sample stamps have.

    Day and month are told apart by a value above 12, by the header's own words (``MM/DD/YYYY``), by the point as
    separator (day first wherever it is used), or by the order in which a log that runs through days counts.

    Raises
    ------
    LogError
        If day and month cannot be told apart.
    """
    if time_format is not None:
        return StampForm(
            pattern="", day_first=None, calendar="%d" in time_format or "%j" in time_format, strptime=time_format
        )
    stripped = [s.strip() for s in samples if s.strip()]
    for form in _ELAPSED if re.search(r"\bm?m:s?s", order_hint.lower()) else _FORMS:
        pattern = re.compile(form)
        found = [m for m in map(pattern.match, stripped) if m]
        if len(found) * 2 > len(stripped):
            day_first = _day_first(found, name, column, order_hint) if _DATES["xxy"] in form else None
            return StampForm(pattern=form, day_first=day_first, calendar="d" in pattern.groupindex)
    return None


def _day_first(found: list[re.Match[str]], name: str, column: str, hint: str) -> bool:
    first, second = [int(m["d"]) for m in found], [int(m["m"]) for m in found]
    if max(first) > 12:
        return True
    if max(second) > 12:
        return False
    words = hint.lower()
    if re.search(r"mm?[-/.]dd?", words):
        return False
    if re.search(r"dd?[-/.]mm?", words) or "." in found[0][0][found[0].start("d") : found[0].end("y")]:
        return True
    # the field that moves while the other stands, or moves faster, is the day
    moved = [sum(a != b for a, b in itertools.pairwise(x)) for x in (first, second)]
    if moved[0] != moved[1]:
        return moved[0] > moved[1]
    if first == second:
        return True
    raise LogError(
        f'day and month cannot be told apart in column "{column}" ("{found[0][0]}")', path=name,
        do='say which with time_format = "%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S"',
    )  # fmt: skip


def parse_stamps(text: pa.Array, form: StampForm) -> Stamps:
    """Parse a column of stamps; what does not match is not good."""
    if form.strptime is not None:
        return _by_strptime(text, form.strptime)
    text = pc.utf8_trim_whitespace(text)
    if (plain := _plain(text, form)) is not None:
        return plain
    parts = pc.extract_regex(text, form.pattern)
    n = len(text)
    good = np.asarray(pc.fill_null(pc.is_valid(parts), False)).copy()
    names = set(re.compile(form.pattern).groupindex)

    def field(key: str) -> Ints:
        if key not in names:
            return np.zeros(n, dtype=np.int64)
        column = pc.struct_field(parts, key)
        column = pc.if_else(pc.equal(column, ""), "0", column)
        return np.asarray(pc.fill_null(pc.cast(column, pa.int64()), 0))

    hour, minute, second = field("H"), field("M"), field("S")
    good &= (minute < 60) & (second < 61)
    if "p" in names:
        half = pc.struct_field(parts, "p")
        pm = np.asarray(pc.fill_null(pc.is_in(half, pa.array(["p", "P"])), False))
        twelve = np.asarray(pc.fill_null(pc.not_equal(half, ""), False))
        hour = np.where(twelve, hour % 12 + 12 * pm, hour)
    ns = ((hour * 60 + minute) * 60 + second) * _NS + (_fraction(parts, n) if "f" in names else 0)
    if form.calendar:
        days, sound = _days(parts, names, form, field)
        good &= sound & (hour <= 24)
        ns = ns + days * (86_400 * _NS)
    offset = _offset(parts) if "o" in names else None
    if offset is not None:
        ns = ns - offset * _NS
    return Stamps(ns=ns, good=good, offset_s=offset)


def _plain(text: pa.Array, form: StampForm) -> Stamps | None:
    """Parse stamps that are all written out in full with one offset from UTC, twenty times as fast as any others.

    None where one is not so: the date in two or four digits a field, the time in two, as ISO 8601 has it.
    """
    first = next((str(x) for x in text[:100].to_pylist() if x), "")
    zone = _ZONE.search(first)
    suffix = zone[0] if zone else ""
    if suffix:
        if not pc.all(pc.ends_with(text, suffix)).as_py():
            return None
        text = pc.utf8_slice_codeunits(text, 0, -len(suffix))
    if form.pattern == _CLOCK_FORM:
        text = pc.binary_join_element_wise("1970-01-01", text, " ")
    elif form.pattern == _XXY_FORM:
        if not pc.all(pc.is_in(pc.utf8_slice_codeunits(text, 2, 3), pa.array(["-", "/", "."]))).as_py():
            return None
        order = r"\3-\1-\2 " if form.day_first is False else r"\3-\2-\1 "
        text = pc.replace_substring_regex(text, r"^(\d\d)[-/.](\d\d)[-/.](\d{4})[T ,_]+", order)
    elif form.pattern == _YMD_FORM and first[4:5] != "-":
        text = pc.replace_substring_regex(text, r"^(\d{4})[/.](\d\d)[/.](\d\d)[T ,_]+", r"\1-\2-\3 ")
    elif form.pattern != _YMD_FORM:
        return None
    length = pc.min(pc.binary_length(text)).as_py() or 0
    try:
        ns = pc.cast(text, pa.timestamp("ns")).cast(pa.int64())
    except pa.ArrowInvalid:
        return None
    span = pc.min_max(ns).as_py()
    if length < len("yyyy-mm-dd hh:mm") or span["min"] < _EARLIEST_NS or span["max"] >= _LATEST_NS:
        return None  # a date or an hour alone, and years that are none, are for the careful way
    instants: Ints = np.asarray(pc.fill_null(ns, 0))
    good: Bools = np.asarray(pc.is_valid(ns))
    if not suffix:
        return Stamps(ns=instants, good=good, offset_s=None)
    digits = re.sub(r"\D", "", suffix) or "0000"
    seconds = (int(digits[:2]) * 60 + int(digits[2:])) * (-60 if suffix[0] == "-" else 60)
    return Stamps(ns=instants - seconds * _NS, good=good, offset_s=np.full(len(text), seconds, dtype=np.int64))


def _fraction(parts: pa.Array, n: int) -> Ints:
    text = pc.fill_null(pc.struct_field(parts, "f"), "")
    if pc.all(pc.equal(text, "")).as_py():
        return np.zeros(n, dtype=np.int64)
    return np.asarray(pc.cast(pc.utf8_rpad(text, 9, "0"), pa.int64()))


def _days(parts: pa.Array, names: set[str], form: StampForm, field: Any) -> tuple[Ints, Bools]:
    year, day = field("y"), field("d")
    if "b" in names:
        words = pc.utf8_lower(pc.fill_null(pc.utf8_slice_codeunits(pc.struct_field(parts, "b"), 0, 3), ""))
        index = pc.index_in(words, pa.array(list(_MONTHS)))
        values = np.array([*_MONTHS.values(), 0])
        month = values[np.asarray(pc.fill_null(index, len(_MONTHS)))]
    else:
        month = field("m")
    if form.day_first is False:
        day, month = month, day
    year = np.where(year < 70, year + 2000, np.where(year < 100, year + 1900, year))
    return _civil(year, month, day)


def _civil(year: Ints, month: Ints, day: Ints) -> tuple[Ints, Bools]:
    """Return days since 1970 and which dates exist."""
    sound = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year > 1800) & (year < 2262)
    months = np.where(sound, (year - 1970) * 12 + month - 1, 0)
    start = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    length = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) - start
    return start + np.where(sound, day, 1) - 1, sound & (day <= length)


def from_numbers(fields: Mapping[str, Floats]) -> Stamps:
    """Return the instants of a calendar that is written in plain numbers.

    Parameters
    ----------
    fields
        By name, NaN where missing: ``year`` ... ``second``; or ``ymd`` (20240516) with ``hms`` (115950) or ``hm``;
        or ``ymdhms`` (20240516115950) or ``ymdhm``; or ``days`` since the end of 1899, as spreadsheets count.
        ``ms`` is added.
    """
    # fourteen digits and a fraction are the longest field; what is larger would not go into an integer
    good: Bools = np.logical_and.reduce([np.abs(np.nan_to_num(x, nan=np.inf)) < 1e15 for x in fields.values()])
    f = {k: np.where(good, x, 0.0) for k, x in fields.items()}
    ms = np.rint(np.clip(f.get("ms", np.zeros(len(good))), -1e6, 1e6) * 1e6).astype(np.int64)
    if "days" in f:
        good &= np.abs(f["days"]) < 100_000
        f["days"] = np.where(good, f["days"], 0.0)
        # ten microseconds are as far as a double of days and the digits that spreadsheets write go
        ns = np.rint((f["days"] - _SPREADSHEET_1970) * 8.64e9).astype(np.int64) * 10_000
        return Stamps(ns=ns, good=good, offset_s=None)
    if "ymdhm" in f:
        f["ymdhms"] = f["ymdhm"] * 100
    if "ymdhms" in f:
        f["ymd"], f["hms"] = np.divmod(f["ymdhms"], 1e6)
    if "ymd" in f:
        f["year"], rest = np.divmod(f["ymd"], 1e4)
        f["month"], f["day"] = np.divmod(rest, 100)
    if "hm" in f:
        f["hms"] = f["hm"] * 100
    if "hms" in f:
        f["hour"], rest = np.divmod(f["hms"], 1e4)
        f["minute"], f["second"] = np.divmod(rest, 100)
    year, month, day, hour, minute = (
        np.clip(f[k], -1, 10_000).astype(np.int64) for k in ("year", "month", "day", "hour", "minute")
    )
    second = np.clip(f.get("second", np.zeros(len(good))), -1, 100)
    days, sound = _civil(year, month, day)
    good &= sound & (hour >= 0) & (hour <= 24) & (minute >= 0) & (minute < 60) & (second >= 0) & (second < 61)
    ns = (days * 86_400 + hour * 3600 + minute * 60) * _NS + np.rint(second * 1e6).astype(np.int64) * 1000 + ms
    return Stamps(ns=ns, good=good, offset_s=None)


def _offset(parts: pa.Array) -> Ints | None:
    text = pc.fill_null(pc.struct_field(parts, "o"), "")
    unique = pc.unique(text).to_pylist()
    if unique == [""]:
        return None
    seconds = []
    for word in unique:
        digits = re.sub(r"\D", "", word)
        value = int(digits[:2] or 0) * 3600 + int(digits[2:4] or 0) * 60
        seconds.append(-value if word.startswith("-") else value)
    found: Ints = np.array(seconds, dtype=np.int64)[np.asarray(pc.index_in(text, pa.array(unique)))]
    return found


def _by_strptime(text: pa.Array, form: str) -> Stamps:
    n = len(text)
    ns, good, offset = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool), np.zeros(n, dtype=np.int64)
    aware = False
    epoch = dt.datetime(1970, 1, 1) if "%d" in form or "%j" in form else dt.datetime(1900, 1, 1)
    for i, cell in enumerate(text.to_pylist()):
        try:
            moment = dt.datetime.strptime((cell or "").strip(), form)
        except ValueError:
            continue
        if (zone := moment.utcoffset()) is not None:
            aware = True
            offset[i] = int(zone.total_seconds())
        delta = moment.replace(tzinfo=None) - epoch
        ns[i] = (delta.days * 86_400 + delta.seconds - offset[i]) * _NS + delta.microseconds * 1000
        good[i] = True
    return Stamps(ns=ns, good=good, offset_s=offset if aware else None)
