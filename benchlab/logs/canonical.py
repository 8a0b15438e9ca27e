"""Rows of cells to canonical tables: units, calibration, bounds, the clock, and one frame for each part."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from benchlab.airframe import LogHelp
from benchlab.errors import LogError
from benchlab.logs import units
from benchlab.logs.blocks import Cells, Reject, Rows, numeric_column
from benchlab.logs.cells import time_type, to_number
from benchlab.logs.clock import Clock
from benchlab.logs.dialect import Dialect
from benchlab.logs.mapping import ID_CHANNEL, LABELS, Mapping_, Use
from benchlab.logs.stamps import StampForm, find_form, parse_stamps
from benchlab.procedure import Procedures
from benchlab.results import Event

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]


@dataclass
class ColumnStats:
    """Running statistics of one column, as logged."""

    n: int = 0
    missing: int = 0
    lo: float = float("inf")
    hi: float = float("-inf")
    total: float = 0.0

    def add(self, cells: Cells, kept: Bools | None) -> None:
        """Count the cells of the rows that were kept (None: of all)."""
        if cells.numbers is None:
            self._add_text(cells.text, kept)
            return
        x = cells.numbers if kept is None else cells.numbers[kept]
        finite = np.isfinite(x)
        n = int(np.count_nonzero(finite))
        bad = 0 if cells.bad is None else int(np.count_nonzero(cells.bad if kept is None else cells.bad[kept]))
        self.missing += len(x) - n - bad
        self._add_numbers(x if n == len(x) else x[finite])

    def _add_numbers(self, x: Floats) -> None:
        if len(x):
            self.n += len(x)
            self.lo, self.hi = min(self.lo, float(x.min())), max(self.hi, float(x.max()))
            self.total += float(x.sum())

    def _add_text(self, text: pa.Array, kept: Bools | None) -> None:
        if kept is not None:
            text = text.filter(pa.array(kept))
        self.missing += text.null_count
        if text.null_count == len(text):
            return
        # a column of text may hold some numbers; times do not count as such
        unique = pc.value_counts(text.drop_null())
        if len(unique) > 1000 and to_number(unique[0]["values"].as_py(), ".") is None:
            return
        for item in unique:
            value = to_number(item["values"].as_py(), ".")
            if value is not None:
                count = item["counts"].as_py()
                self.n += count
                self.lo, self.hi = min(self.lo, value), max(self.hi, value)
                self.total += value * count


class Canonical:
    """Converts the rows of one log."""

    def __init__(self, dialect: Dialect, mapping: Mapping_, procedures: Procedures, help_: LogHelp, name: str) -> None:
        self._dialect, self._mapping, self._name = dialect, mapping, name
        self._channels = procedures.of(mapping.kind).channels if mapping.kind else {}
        self._gap_factor = procedures.current.gap_factor
        self._id = next((u for u in mapping.uses if u.channel == ID_CHANNEL.get(mapping.kind or "")), None)
        self._uses = [u for u in mapping.uses if u is not self._id]
        self._clocks: dict[str, Clock] = {}
        self._zero: float | None = None
        self._first_ns: int | None = None
        self._offset_s: int | None = None
        self._offset_events: list[Event] = []
        self._span: tuple[float, float] | None = None
        self._start: float | None = None
        self._end: float | None = None
        self.rows = 0
        self._form: StampForm | None = None
        self._clock_only = False
        self._factor = 1.0
        self.time_unit: str | None = None
        self.time_why = ""
        self._settle_clock(help_)

    # --- the clock's columns ------------------------------------------------------------------------------------------

    def _settle_clock(self, help_: LogHelp) -> None:
        m, d = self._mapping, self._dialect
        if not m.time:
            return
        if len(m.time) == 1 and d.types[m.time[0]] in "ne" and not help_.time_format:
            unit = units.convert("time_s", m.time_unit) if m.time_unit else None
            self._factor = unit.factor if unit else 1.0
            self.time_unit = m.time_unit or "s"
            self.time_why = "elapsed time" + ("" if m.time_unit else "; no unit stated: taken as s")
            if m.time_unit is None:
                self._epoch()
            return
        samples = [self._join([r[i] for i in m.time[:2]]) for r in d.sample[:500] if len(r) > max(m.time)]
        names = " ".join(d.names[i] for i in m.time)
        try:
            self._form = find_form(
                samples, name=self._name, column=names, time_format=help_.time_format, order_hint=names
            )
        except LogError:
            if m.kind is not None:
                raise
            self._form = None
        if self._form is None:
            if m.kind is not None:
                raise LogError(
                    f'the time stamps of column "{names}" are of no known form ("{samples[0] if samples else ""}")',
                    path=self._name, line=d.first_data_line, do='say their form with time_format = "%Y-%m-%d ..."',
                )  # fmt: skip
            self._mapping = Mapping_(kind=None, uses=(), time=(), time_unit=None)
            return
        self._clock_only = not self._form.calendar
        self.time_why = "time stamps" if self._form.calendar else "time of day"
        if len(m.time) > 1:
            self.time_why += " from columns " + ", ".join(str(i + 1) for i in m.time)

    def _epoch(self) -> None:
        """A time without a unit whose size is that of seconds, ms or us since 1970 can be nothing else."""
        i = self._mapping.time[0]
        values = [to_number(r[i], self._dialect.decimal) for r in self._dialect.sample[:50] if i < len(r)]
        found = [v for v in values if v is not None]
        if not found:
            return
        for factor, unit in ((1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
            if all(9e8 < v * factor < 4.2e9 for v in found):
                self._factor, self.time_unit = factor, unit
                self.time_why = f"elapsed time; its size is that of {unit} since 1970"

    @staticmethod
    def _join(cells: list[str]) -> str:
        return " ".join(c.strip() for c in cells)

    def _raw_time(self, rows: Rows) -> tuple[Floats, Bools]:
        """Return time in s (from the first stamp, or as logged), and which rows have one."""
        n = len(rows.lines)
        columns = [rows.columns[i] for i in self._mapping.time]
        if self._form is None:
            x = columns[0].numbers
            if x is None:
                x = _numbers(columns[0], self._dialect.decimal)
            x = x * self._factor if self._factor != 1.0 else x
            return x, np.isfinite(x)
        texts = [c.text if c.text is not None else _as_text(c) for c in columns[:2]]
        text = (
            texts[0]
            if len(texts) == 1
            else pc.binary_join_element_wise(*(pc.utf8_trim_whitespace(t) for t in texts), " ")
        )
        stamps = parse_stamps(text, self._form)
        good = stamps.good
        ns = stamps.ns
        if len(columns) == 3:
            ms = _numbers(columns[2], self._dialect.decimal)
            good = good & np.isfinite(ms)
            ns = ns + np.where(np.isfinite(ms), ms * 1e6, 0).astype(np.int64)
        if self._first_ns is None and good.any():
            first = int(np.flatnonzero(good)[0])
            self._first_ns = int(ns[first])
            self._offset_s = None if stamps.offset_s is None else int(stamps.offset_s[first])
        raw = (ns - (self._first_ns or 0)) / 1e9
        if stamps.offset_s is not None and n:
            self._note_offsets(stamps.offset_s, good, raw)
        return raw, good

    def _note_offsets(self, offset: np.ndarray[Any, Any], good: Bools, raw: Floats) -> None:
        used, at = offset[good], raw[good]
        if not len(used):
            return
        before = np.concatenate([[self._last_offset if self._last_offset is not None else used[0]], used[:-1]])
        for i in np.flatnonzero(used != before):
            if len(self._offset_events) < 200:
                change = float(used[i] - before[i])
                text = f"the offset from UTC changed by {change / 3600:+g} h; time runs on"
                self._offset_events.append(Event(kind="offset_change", time_s=float(at[i]), size_s=change, text=text))
        self._last_offset = int(used[-1])

    _last_offset: int | None = None

    # --- rows ---------------------------------------------------------------------------------------------------------

    def convert(self, rows: Rows) -> tuple[dict[str, pd.DataFrame], list[Reject], Bools | None]:
        """Return the settled tables of these rows, the rejected rows, and which rows were kept (None: all)."""
        n = len(rows.lines)
        if not n:
            return {}, [], None
        bad = _Verdicts(rows.lines)
        data: dict[str, Any] = {}
        if self._mapping.time:
            raw, good = self._raw_time(rows)
            if self._mapping.kind is not None:
                i = self._mapping.time[0]
                bad.add(~good, self._column_name(i), rows.columns[i], "time is missing or not understood")
            data["raw"] = raw
        for use in self._uses:
            data[self._key(use)] = self._channel(use, rows.columns[use.index], bad)
        ids = self._labels(rows, bad)
        rejects, keep = bad.result()
        if self._mapping.kind is None:
            self._note_span(data.get("raw"), rows)
            self.rows += n
            return {}, [], None
        data["line"] = rows.lines
        frame = pd.DataFrame(data)
        if keep is not None:
            frame = frame[keep].reset_index(drop=True)
            ids = None if ids is None else ids[keep]
        return self._tables(frame, ids, last=False), rejects, keep

    def _note_span(self, raw: Floats | None, rows: Rows) -> None:
        if raw is None:
            return
        good = np.flatnonzero(np.isfinite(raw))
        if len(good):
            self._start = float(raw[good[0]]) if self._start is None else self._start
            self._end = float(raw[good[-1]])
            step = np.diff(raw[good])
            step = step[step > 0]
            if len(step):
                self._steps.append(float(np.median(step)))

    @property
    def _steps(self) -> list[float]:
        if not hasattr(self, "_step_list"):
            self._step_list: list[float] = []
        return self._step_list

    def _key(self, use: Use) -> str:
        return use.channel if use.part is None else f"{use.channel}:{use.part}"

    def _column_name(self, i: int) -> str:
        return self._dialect.names[i] or str(i + 1)

    def _channel(self, use: Use, cells: Cells, bad: _Verdicts) -> Any:
        if use.channel in LABELS:
            text = cells.text if cells.text is not None and cells.numbers is None else _as_text(cells)
            return pd.array(pc.utf8_trim_whitespace(pc.fill_null(text, "")).to_pylist(), dtype="str")
        source = cells if cells.numbers is not None else numeric_column(cells.text, self._dialect.decimal)
        if source.bad is not None:
            bad.add(source.bad, self._column_name(use.index), source, "not a number")
        x = source.numbers
        assert x is not None
        if use.factor != 1.0 or use.offset:
            x = x * use.factor + use.offset
        bounds = self._channels[use.channel].bounds
        if bounds is not None and len(x):
            lo, hi = bounds
            with np.errstate(invalid="ignore"):
                outside = (x < lo) | (x > hi)
            if outside.any():
                rule = f"{use.channel} outside {lo:g} to {hi:g}"
                bad.add(outside, self._column_name(use.index), source, rule)
        return x

    def _labels(self, rows: Rows, bad: _Verdicts) -> np.ndarray[Any, Any] | None:
        if self._id is None:
            return None
        cells = rows.columns[self._id.index]
        text = pc.utf8_trim_whitespace(pc.fill_null(_as_text(cells) if cells.numbers is not None else cells.text, ""))
        labels = np.asarray(text.to_pylist(), dtype=object)
        bad.add(labels == "", self._column_name(self._id.index), cells, f"no {self._id.channel} named")
        return labels

    def _tables(self, frame: pd.DataFrame, ids: np.ndarray[Any, Any] | None, *, last: bool) -> dict[str, pd.DataFrame]:
        if self._mapping.kind == "paired_dimensions":
            self.rows += len(frame)
            return {"": frame.drop(columns="line")}
        if self._zero is None and len(frame):
            self._zero = float(frame["raw"].iat[0])
        if ids is None:
            groups = {"": frame}
        else:
            codes, names = pd.factorize(ids)
            groups = {str(name): frame[codes == k] for k, name in enumerate(names)}
        out: dict[str, pd.DataFrame] = {}
        for label, group in groups.items():
            out |= self._split(label, self._clock(label).feed(group, last=last))
        return out

    def _clock(self, label: str) -> Clock:
        if label not in self._clocks:
            form = self._form
            self._clocks[label] = Clock(
                self._name, calendar=form is not None and form.calendar, clock_only=self._clock_only,
                aware=self._offset_s is not None, zero=self._zero or 0.0,
            )  # fmt: skip
        return self._clocks[label]

    def finish(self) -> dict[str, pd.DataFrame]:
        """Return what the clocks still held back."""
        out: dict[str, pd.DataFrame] = {}
        for label, clock in self._clocks.items():
            held = clock._held
            if held is not None and len(held):
                out |= self._split(label, clock.feed(held.iloc[:0], last=True))
        return out

    def _split(self, label: str, frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
        """Give every part its own frame, with the channels it shares."""
        if not len(frame):
            return {}
        self.rows += len(frame)
        parts = self._mapping.parts
        shared = [c for c in frame.columns if ":" not in c and c not in {"line"}]
        shared = ["time_s", "segment", *[c for c in shared if c not in {"time_s", "segment"}]]
        if not parts:
            return {label: frame[shared]}
        out = {}
        for part in parts:
            own = {
                c: c.split(":", 1)[0] for c in frame.columns if c.endswith(f":{part}") and c.split(":", 1)[1] == part
            }
            name = f"{label}:{part}" if label else part
            keep = [c for c in shared if c not in own.values()]
            out[name] = frame[[*keep, *own]].rename(columns=own)
        return out

    def clock_rejects(self) -> list[Reject]:
        """Hand over the rows that the clock repair rejected since the last call."""
        column = self._column_name(self._mapping.time[0]) if self._mapping.time else ""
        out = []
        for clock in self._clocks.values():
            out += [Reject(line=line, column=column, value=value, rule=rule) for line, value, rule in clock.rejects]
            clock.rejects.clear()
        return out

    # --- summary ------------------------------------------------------------------------------------------------------

    n_gaps = 0

    def events(self) -> Iterator[Event]:
        """Clock repairs and gaps of all parts."""
        yield from self._offset_events
        seen = set()
        self.n_gaps = 0
        for clock in self._clocks.values():
            yield from clock.events
            gaps = clock.intervals.gaps(self._gap_factor)
            for start, size in gaps:
                if (start, size) not in seen:
                    seen.add((start, size))
                    self.n_gaps += 1
                    if self.n_gaps <= 200:
                        yield Event(kind="gap", time_s=start, size_s=size, text="no rows")

    def clock_summary(self, tables: Mapping[str, pd.DataFrame]) -> tuple[str | None, str | None, float | None]:
        """Return first and last time as text and the median interval (s)."""
        list(self.events())
        if self._mapping.kind is None or not self._clocks:
            step = float(np.median(self._steps)) if self._steps else None
            return self._moment(self._start), self._moment(self._end), step
        times = [t["time_s"].to_numpy() for t in tables.values() if len(t)]
        first, last = min(float(t[0]) for t in times), max(float(t[-1]) for t in times)
        frame = next(t for t in tables.values() if len(t))
        steps = np.diff(frame["time_s"].to_numpy())[np.diff(frame["segment"].to_numpy()) == 0]
        zero = self._zero or 0.0
        sampling = float(np.median(steps)) if len(steps) else None
        return self._moment(first + zero), self._moment(last + zero), sampling

    def _moment(self, seconds: float | None) -> str | None:
        if seconds is None:
            return None
        ns = self._first_ns
        if self._form is None and self.time_unit and self.time_unit != "s" and "1970" in self.time_why:
            ns, seconds = 0, seconds
        elif self._form is None:
            return f"{seconds:.10g}"
        if ns is None:
            return None
        moment = dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=ns // 1000 + round(seconds * 1e6))
        if self._clock_only:
            return moment.time().isoformat()
        if self._offset_s is None:
            return moment.isoformat()
        zone = dt.timezone(dt.timedelta(seconds=self._offset_s))
        return moment.replace(tzinfo=dt.UTC).astimezone(zone).isoformat()


class _Verdicts:
    """Which rows of a block are rejected, each by the first rule it broke."""

    def __init__(self, lines: np.ndarray[Any, Any]) -> None:
        self._lines = lines
        self._bad: Bools | None = None
        self._rejects: list[Reject] = []

    def add(self, bad: Bools, column: str, cells: Cells, rule: str) -> None:
        fresh = bad if self._bad is None else bad & ~self._bad
        if not fresh.any():
            return
        self._rejects += [
            Reject(line=int(self._lines[i]), column=column, value=_cell(cells, int(i)), rule=rule)
            for i in np.flatnonzero(fresh)
        ]
        self._bad = fresh.copy() if self._bad is None else self._bad | fresh

    def result(self) -> tuple[list[Reject], Bools | None]:
        return self._rejects, None if self._bad is None else ~self._bad


def _cell(cells: Cells, i: int) -> str:
    if cells.text is not None:
        value = cells.text[i].as_py()
        return "" if value is None else str(value)[:80]
    assert cells.numbers is not None
    x = float(cells.numbers[i])
    return "" if np.isnan(x) else f"{x:.12g}"


def _as_text(cells: Cells) -> pa.Array:
    if cells.text is not None:
        return cells.text
    assert cells.numbers is not None
    return pa.array([None if np.isnan(x) else f"{x:.12g}" for x in cells.numbers], pa.string())


def _numbers(cells: Cells, decimal: str) -> Floats:
    if cells.numbers is not None:
        return cells.numbers
    found = numeric_column(cells.text, decimal).numbers
    assert found is not None
    return found


__all__ = ["Canonical", "ColumnStats", "time_type"]
