"""Which columns make a log's clock, what they say in seconds, and how a moment is written out."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchlab.airframe import LogHelp
from benchlab.errors import LogError
from benchlab.logs import units
from benchlab.logs.cells import to_number, to_quantity
from benchlab.logs.clock import ClockKind
from benchlab.logs.columns import Cells, Rows, as_text, numbers_of
from benchlab.logs.dialect import Dialect
from benchlab.logs.mapping import ColumnMap
from benchlab.logs.stamps import StampForm, Stamps, find_form, from_numbers, parse_stamps
from benchlab.logs.timecolumns import is_packed_stamp
from benchlab.results import Event

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]

_EPOCH = dt.datetime(1970, 1, 1)
_MAX_EVENTS = 200


class TimeBase:
    """Turns the clock's columns into seconds (from the first stamp, or as an elapsed counter says)."""

    def __init__(self, dialect: Dialect, columns: ColumnMap, help_: LogHelp, name: str) -> None:
        self._name, self._decimal = name, dialect.decimal
        self.columns = columns.time
        self.unit: str | None = None
        self.why = ""
        self.events: list[Event] = []
        self._form: StampForm | None = None
        self._fields: tuple[str, ...] = ()
        self._factor = 1.0
        self._counts = False
        self._since_1970 = False
        self._origin = 0.0
        self._has_ms = "ms" in columns.calendar.values()
        self._first_ns: int | None = None
        self._offset_s: int | None = None
        self._last_offset: int | None = None
        if not self.columns:
            return
        stamps = help_.time_format is not None or any(dialect.types[i] in "ts" for i in self.columns)
        if not stamps and columns.calendar:
            self._settle_fields(tuple(columns.calendar.values()))
        elif stamps:
            self._settle_form(dialect, columns, help_)
        else:
            self._settle_unit(dialect, columns)

    def _settle_unit(self, dialect: Dialect, columns: ColumnMap) -> None:
        stated = units.convert("time_s", columns.time_unit) if columns.time_unit else None
        words = [c.strip() for c in (r[self.columns[0]] for r in dialect.sample[:50]) if c.strip()]
        days = [to_number(c, self._decimal) or 0.0 for c in words]
        dated = re.search("dat|stamp", dialect.names[self.columns[0]].lower()) and stated is None
        if is_packed_stamp(words):
            return self._settle_fields(("ymdhms" if len(words[0]) == 14 else "ymdhm",))
        if dated and days and all(25_569 < x < 80_000 for x in days) and any(x % 1 for x in days):
            return self._settle_fields(("days",))
        self.unit = columns.time_unit or "s"
        self.why = "elapsed time" + ("" if columns.time_unit else "; unit assumed")
        self._factor = stated.factor if stated else 1.0
        self._counts = self._factor < 1 and all(c.isdecimal() for c in words)
        cells = [r[self.columns[0]] for r in dialect.sample[:50]]
        values = [
            v for v in (to_quantity(c, self._decimal, dialect.units[self.columns[0]]) for c in cells) if v is not None
        ]
        for factor, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
            fits = values and all(9e8 < v * factor < 4.2e9 for v in values)  # the years 1998 to 2103
            if fits and (stated is None or stated.factor == factor) and (unit != "s" or values[0] > 1e9):
                self._factor, self.unit, self._since_1970 = factor, unit, True
                self.why = f"its size is that of {unit} since 1970"
        return None

    def _settle_fields(self, fields: tuple[str, ...]) -> None:
        self._fields = fields
        self.why = "days as spreadsheets count them" if fields == ("days",) else "date and time in plain numbers"
        if len(self.columns) > 1:
            self.why += " from columns " + ", ".join(str(i + 1) for i in self.columns)

    def _settle_form(self, dialect: Dialect, columns: ColumnMap, help_: LogHelp) -> None:
        words = self.columns[: len(self.columns) - self._has_ms]
        samples = [" ".join(r[i].strip() for i in words) for r in dialect.sample[:500]]
        header = " ".join(dialect.names[i] for i in self.columns)
        try:
            self._form = find_form(
                samples, name=self._name, column=header, time_format=help_.time_format, order_hint=header
            )
        except LogError:
            if columns.kind is not None:
                raise
        if self._form is None and columns.kind is not None:
            first = next((s for s in samples if s.strip()), "")
            raise LogError(
                f'the time stamps of column "{header}" are of no known form ("{first}")', path=self._name,
                line=dialect.first_data_line, do='say their form with time_format = "%Y-%m-%d ..."',
            )  # fmt: skip
        if self._form is None:
            self.columns = ()
            return
        self.why = "time stamps" if self._form.calendar else "time of day"
        if len(self.columns) > 1:
            self.why += " from columns " + ", ".join(str(i + 1) for i in self.columns)

    # --- rows ---------------------------------------------------------------------------------------------------------

    def seconds(self, rows: Rows) -> tuple[Floats, Bools]:
        """Return time in s and which rows have one."""
        cells = [rows.columns[i] for i in self.columns]
        if self._form is None and not self._fields:
            x = numbers_of(cells[0], self._decimal)
            good = np.isfinite(x)
            if self._since_1970:  # seconds since then leave a float no digits for microseconds: count from the first
                if self._first_ns is None and good.any():
                    self._origin = float(x[good][0])
                    self._first_ns = round(self._origin * self._factor * 1e9)
                x = x - self._origin
            return (x * self._factor if self._factor != 1.0 else x), good
        stamps = self._stamps(cells, self._form) if self._form is not None else self._from_numbers(cells)
        good = stamps.good
        if self._first_ns is None and good.any():
            first = int(np.flatnonzero(good)[0])
            self._first_ns = int(stamps.ns[first])
            self._offset_s = None if stamps.offset_s is None else int(stamps.offset_s[first])
        seconds = (stamps.ns - (self._first_ns or 0)) / 1e9
        if stamps.offset_s is not None:
            self._note_offsets(stamps.offset_s[good], seconds[good])
        return seconds, good

    def _stamps(self, cells: list[Cells], form: StampForm) -> Stamps:
        texts = [pc.utf8_trim_whitespace(as_text(c)) for c in cells[: len(cells) - self._has_ms]]
        text: pa.Array = texts[0] if len(texts) == 1 else pc.binary_join_element_wise(*texts, " ")
        stamps = parse_stamps(text, form)
        if not self._has_ms:
            return stamps
        ms = numbers_of(cells[-1], self._decimal)
        has = np.abs(np.nan_to_num(ms, nan=np.inf)) < 1e6
        ns = stamps.ns + np.where(has, ms * 1e6, 0).astype(np.int64)
        return Stamps(ns=ns, good=stamps.good & has, offset_s=stamps.offset_s)

    def _from_numbers(self, cells: list[Cells]) -> Stamps:
        numbers = [numbers_of(c, self._decimal) for c in cells]
        return from_numbers(dict(zip(self._fields, numbers, strict=True)))

    def _note_offsets(self, offset: np.ndarray[Any, Any], at: Floats) -> None:
        if not len(offset):
            return
        before = np.concatenate([[offset[0] if self._last_offset is None else self._last_offset], offset[:-1]])
        for i in np.flatnonzero(offset != before)[: max(_MAX_EVENTS - len(self.events), 0)]:
            change = float(offset[i] - before[i])
            text = f"the offset from UTC changed by {change / 3600:+g} h; time itself runs on"
            self.events.append(Event(kind="offset_change", time_s=float(at[i]), size_s=change, text=text))
        self._last_offset = int(offset[-1])

    @property
    def kind(self) -> ClockKind:
        """What the clock repair must know; complete after the first rows."""
        if self._form is None and not self._fields:
            return ClockKind(aware=True, calendar=self._since_1970, tick_s=self._factor if self._counts else None)
        calendar = self._form is None or self._form.calendar
        return ClockKind(
            calendar=calendar, clock_only=not calendar, aware=self._offset_s is not None,
            epoch_s=(self._first_ns or 0) / 1e9,
        )  # fmt: skip

    def moment(self, seconds: float | None) -> str | None:
        """Write a time out: ISO 8601 where the log has a calendar, else seconds."""
        if seconds is None:
            return None
        if self._form is None and not self._fields and not self._since_1970:
            return f"{seconds:.10g}"
        ns = self._first_ns or 0
        try:
            moment = _EPOCH + dt.timedelta(microseconds=ns // 1000 + round(seconds * 1e6))
        except OverflowError:
            return None
        if self._form is not None and not self._form.calendar:
            return moment.time().isoformat()
        if self._since_1970:
            return moment.isoformat() + "Z"
        if self._offset_s is None:
            return moment.isoformat()
        zone = dt.timezone(dt.timedelta(seconds=self._offset_s))
        return moment.replace(tzinfo=dt.UTC).astimezone(zone).isoformat()
