"""What was understood of a log, on one screen: 24 lines of 100 characters where a log has six columns or fewer."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np

from benchlab.logs.record import Record
from benchlab.logs.table import Column, ReadLog

_DELIMITER = {"\t": "tabs", " ": "blanks", "": "one column", ",": "commas", ";": "semicolons", "|": "bars"}
_DECIMAL = {".": "decimal point", ",": "decimal comma"}
_WIDTH = 100
_MAX_COLUMNS, _MAX_EVENTS, _MAX_REJECTED, _FIRST_ROWS = 10, 2, 2, 3
_CLOCK_WHYS = ("elapsed time", "time stamps", "time of day", "its size is that", "in plain numbers", "as spreadsheets")
_LONG_FRACTION = re.compile(r"(\.\d*?)0+(?=$|[Z+-])")


def as_text(log: ReadLog) -> str:
    """Return what was understood, as lines for a terminal."""
    lines = [f"{log.path}: {log.kind or 'none of the four kinds of log'}"]
    if log.kind is None and log.why_no_kind:
        lines += _entry("why", log.why_no_kind)
    lines += [*_entry("text", _dialect(log)), *_rows(log), *_clock(log)]
    if log.metadata:
        lines += _entry("notes", "; ".join(f"{k} = {v}" for k, v in list(log.metadata.items())[:6]))
    lines += _columns(log)
    lines += _events(log)
    for label, record in list(log.records.items())[:1]:
        lines += _first_rows(log, label, record)
    return "\n".join(lines)


def _entry(word: str, text: str) -> list[str]:
    return [_cut(f"  {word:<8} {text}", _WIDTH)]


def _cut(text: str, size: int) -> str:
    return text if len(text) <= size else text[: size - 3] + "..."


def _plural(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _dialect(log: ReadLog) -> str:
    bom = " with byte order mark" if log.bom else ""
    packed = f"{log.compression}, " if log.compression else ""
    header = "no header" if log.header_line is None else f"header in line {log.header_line}"
    units = "" if log.units_line is None else f", units in line {log.units_line}"
    return (
        f"{packed}{log.encoding}{bom}, {_DELIMITER.get(log.delimiter, log.delimiter)}, {_DECIMAL[log.decimal]}; "
        f"{header}{units}, data from line {log.first_data_line}"
    )


def _rows(log: ReadLog) -> list[str]:
    """Return how many rows were kept and rejected, by which rules, and the first of them."""
    text = f"{log.rows} kept, {log.rows_rejected} rejected"
    rules = Counter(str(r) for r in log.rejected["rule"])
    if len(rules) > 1:
        text += ": " + ", ".join(f"{n} x {rule}" for rule, n in rules.most_common(3))
    out = _entry("rows", text)
    for line, column, value, rule in log.rejected[["line", "column", "value", "rule"]].head(_MAX_REJECTED).to_numpy():
        where = f" {column}" if column else ""
        out += _entry("", f"line {line}{where}: {_cut(repr(value), 40)}: {rule}")
    return out


# --- the clock ------------------------------------------------------------------------------------------------------


def _clock(log: ReadLog) -> list[str]:
    if log.time_start is None or log.time_end is None:
        return _entry("clock", "none found")
    used = [c for c in log.columns if c.channel == "time_s" or any(w in c.why for w in _CLOCK_WHYS)]
    which = ", ".join(str(c.index) for c in used)
    what = f"column{'s' if len(used) > 1 else ''} {which}"
    unit = "" if "T" in log.time_start or ":" in log.time_start else " s"
    start, end = (
        _LONG_FRACTION.sub(r"\1", t).replace(".+", "+").replace(".Z", "Z") for t in (log.time_start, log.time_end)
    )
    duration = _span(log)
    lines = _entry("clock", f"{what}: {start} to {end}{unit}" + (f" ({duration})" if duration else ""))
    return lines + _entry("", _rhythm(log))


def _span(log: ReadLog) -> str:
    ends = [float(r.read("time_s", -1)[0]) for r in log.records.values() if "time_s" in r and len(r)]
    return in_words(max(ends)) if ends else ""


def in_words(seconds: float) -> str:
    """Write a duration the way one would say it."""
    if seconds < 1:
        return f"{seconds * 1000:.4g} ms"
    if seconds < 60:
        return f"{seconds:.4g} s"
    minutes, s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {s:02d} s"


def _rhythm(log: ReadLog) -> str:
    parts = []
    if log.sampling_s:
        rate = f" ({1 / log.sampling_s:.4g} Hz)" if log.sampling_s < 1 else ""
        parts.append(f"a row every {log.sampling_s:.6g} s{rate}")
    jitter = _jitter(log)
    if jitter is not None:
        parts.append("no jitter" if jitter < 1e-9 else f"jitter {jitter:.2g} s")
    longest = max((e for e in log.events if e.kind == "gap" and e.size_s), key=lambda e: e.size_s or 0, default=None)
    gaps = "no gap" if not log.gaps else _plural(log.gaps, "gap")
    if longest is not None and log.gaps:
        gaps += f" (the longest: {in_words(longest.size_s or 0)} from {longest.time_s:.6g} s on)"
    return ", ".join([*parts, gaps])


def _jitter(log: ReadLog) -> float | None:
    """Return half the distance between the 16 % and 84 % quantiles of the intervals (s)."""
    record = next((r for r in log.records.values() if "time_s" in r and len(r) > 3), None)
    steps = np.empty(0) if record is None else record.intervals()
    return float(np.diff(np.quantile(steps, [0.16, 0.84]))[0] / 2) if len(steps) else None


# --- columns --------------------------------------------------------------------------------------------------------


def _columns(log: ReadLog) -> list[str]:
    """Return a line for each column used, the first part's where parts are alike, and one for those not used."""
    used = [c for c in log.columns if c.channel]
    parts = list(dict.fromkeys(c.part for c in used if c.part is not None))
    shown = [c for c in used if c.part in (None, *parts[:1])] if len(parts) > 2 else used
    idle = [c for c in log.columns if not c.channel]
    if log.kind is None:
        shown, idle = list(log.columns), []
    rows = [_column(c) for c in shown[:_MAX_COLUMNS]]
    widths = [max(len(r[k]) for r in rows) if rows else 0 for k in range(4)]
    out = [
        _cut("  " + "  ".join(x.ljust(w) for x, w in zip(r[:4], widths, strict=True)) + f"  {r[4]}", _WIDTH).rstrip()
        for r in rows
    ]
    if len(shown) > _MAX_COLUMNS:
        out.append(f"      and {_plural(len(shown) - _MAX_COLUMNS, 'column')} more")
    if len(shown) < len(used):
        out.append(f"      and {len(used) - len(shown)} columns of the same channels for parts {_few(parts[1:])}")
    if idle:
        named = sorted((c for c in idle if c.name), key=lambda c: "nearest" not in c.why)
        listed = ", ".join(f"{c.index} {c.name}{_guess(c)}" for c in named)
        bare = len(idle) - len(named)
        listed += f"{', ' if named and bare else ''}{_plural(bare, 'nameless column')}" if bare else ""
        out += _entry("not used", listed)
    return _entry("columns", "as written -> channel:part [unit as logged], least .. greatest as logged, why") + out


def _column(c: Column) -> tuple[str, str, str, str, str]:
    channel = c.channel if c.part is None else f"{c.channel}:{c.part}"
    unit = f" [{c.unit}]" if c.unit and c.unit != "1" else ""
    target = f"-> {channel}{unit}" if c.channel else "-"
    span = "no number" if c.mean is None else f"{c.min:.5g} .. {c.max:.5g}"
    if "time stamps" in c.why or "time of day" in c.why:
        span = ""
    missing = f"; {c.n_missing} missing" if c.n_missing else ""
    return f"{c.index:>4}", _cut(c.name, 20), target, span, (c.why + missing).removeprefix("; ")


def _guess(c: Column) -> str:
    _, _, guess = c.why.partition("nearest channel: ")
    if guess:
        return f" ({guess}?)"
    reason = c.why.removeprefix("not used").removeprefix(":").strip()
    return f" ({reason})" if reason else ""


def _few(words: Sequence[str | None]) -> str:
    texts = [str(w) for w in words]
    return ", ".join(texts) if len(texts) <= 5 else f"{', '.join(texts[:2])} to {texts[-1]}"


# --- events and rows --------------------------------------------------------------------------------------------------


def _events(log: ReadLog) -> list[str]:
    if not log.events:
        return []
    counts = Counter(e.kind for e in log.events)
    told = [e for e in log.events if e.text and e.kind != "gap"] or [e for e in log.events if e.text]
    out = _entry("events", ", ".join(f"{n} x {kind}" for kind, n in sorted(counts.items())))
    for e in told[:_MAX_EVENTS]:
        at = "" if e.time_s is None else f"at {e.time_s:.6g} s: "
        size = f" ({in_words(abs(e.size_s))})" if e.size_s and e.kind == "gap" else ""
        out += _entry("", f"{at}{e.text}{size}")
    return out


def _first_rows(log: ReadLog, label: str, record: Record) -> list[str]:
    of = f" of part {label}" if label else ""
    others = [k for k in log.records if k != label]
    also = f" (also: {_few(others)})" if others else ""
    head = record.frame(0, _FIRST_ROWS)
    shown = list(head.columns)
    while True:
        body = str(head[shown].to_string(index=False, float_format=lambda x: f"{x:.6g}")).splitlines()
        if len(body[0]) + 2 <= _WIDTH or len(shown) <= 2:
            break
        shown.pop()
    left = len(head.columns) - len(shown)
    more = f", {_plural(left, 'column')} more" if left else ""
    return [*_entry("first", f"rows{of} in canonical units{also}{more}"), *("  " + x for x in body)]
