"""Rows of cells to canonical batches: units, calibration, bounds, the clock, and one table for each part."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.compute as pc

from benchlab.airframe import LogHelp
from benchlab.logs.channels import ID_CHANNEL
from benchlab.logs.clock import Batch, Clock
from benchlab.logs.columns import Cells, Reject, Rows, as_text, numeric_column
from benchlab.logs.dialect import Dialect
from benchlab.logs.mapping import ColumnMap, Use
from benchlab.logs.schemas import LABELS, channel_of, out_of_bounds
from benchlab.logs.tally import RowVerdicts
from benchlab.logs.timebase import TimeBase
from benchlab.procedure import Procedures
from benchlab.results import Event

Bools = np.ndarray[Any, np.dtype[np.bool_]]
Floats = np.ndarray[Any, np.dtype[np.float64]]
Ints = np.ndarray[Any, np.dtype[np.int64]]
Words = np.ndarray[Any, np.dtype[np.object_]]
Tables = dict[str, Batch]
"""Part label -> columns of some rows."""

_MAX_GAPS = 200
_STEPS = 100_000


class Canonical:
    """Converts the rows of one log, block by block."""

    def __init__(self, dialect: Dialect, columns: ColumnMap, procedures: Procedures, help_: LogHelp, name: str) -> None:
        self._dialect, self._columns, self._name = dialect, columns, name
        self._channels = procedures.of(columns.kind).channels if columns.kind else {}
        self._gap_factor = procedures.current.gap_factor
        self._id = next((u for u in columns.uses if u.channel == ID_CHANNEL.get(columns.kind or "")), None)
        self._uses = [u for u in columns.uses if u is not self._id]
        self._clocks: dict[str, Clock] = {}
        self.timebase = TimeBase(dialect, columns, help_, name)
        self.zero: float | None = None
        """Clock reading (s) of the first row read."""
        self.last: float | None = None
        self.rows = 0
        self.steps: Floats = np.empty(0)
        """First intervals (s), where the log is none of ours and its clock is left alone."""

    def convert(self, rows: Rows) -> tuple[list[Tables], list[Reject], Bools | None]:
        """Return the settled tables of these rows, the rejected rows, and which rows were kept (None: all)."""
        if not len(rows.lines):
            return [], [], None
        verdicts = RowVerdicts(lines=rows.lines)
        batch: Batch = {}
        if self.timebase.columns:
            first = self.timebase.columns[0]
            batch["raw"], good = self.timebase.seconds(rows)
            if self._columns.kind is None:
                self._note_span(batch["raw"][good])
            else:
                verdicts.add(~good, self.column_name(first), rows.columns[first], "time is missing or not understood")
        if self._columns.kind is None:
            self.rows += len(rows.lines)
            return [], [], None
        ids = self._labels(rows, verdicts)
        for use in self._uses:
            batch[_key(use)] = self._channel(use, rows, verdicts)
        self._check_bounds(batch, rows, verdicts)
        batch["line"] = rows.lines
        keep = verdicts.keep
        if keep is not None:
            batch = {k: v[keep] for k, v in batch.items()}
            ids = None if ids is None else (ids[0][keep], ids[1])
        return self._feed(batch, ids), verdicts.rejects, keep

    def column_name(self, i: int) -> str:
        """Return a column's name, or its number from 1 where it has none."""
        return self._dialect.names[i] or str(i + 1)

    def _channel(self, use: Use, rows: Rows, verdicts: RowVerdicts) -> np.ndarray[Any, Any]:
        cells = rows.columns[use.index]
        if use.channel in LABELS:
            codes, words = _words(cells)
            return words[codes]
        if cells.numbers is None:
            cells = numeric_column(cells.text, self._dialect.decimal)
        if cells.bad is not None:
            verdicts.add(cells.bad, self.column_name(use.index), cells, "not a number")
        x = cells.numbers
        assert x is not None
        return x * use.factor + use.offset if use.factor != 1.0 or use.offset else x

    def _check_bounds(self, batch: Batch, rows: Rows, verdicts: RowVerdicts) -> None:
        keys = {_key(u): u for u in self._uses}
        spans = {}
        for key, u in keys.items():
            cells = rows.columns[u.index]
            spans[key] = (cells.lo * u.factor + u.offset, cells.hi * u.factor + u.offset)
        found = out_of_bounds({k: batch[k] for k in keys}, self._channels, spans)
        for key, outside in found.items():
            bounds = self._channels[channel_of(key)].bounds
            assert bounds is not None
            rule = f"{channel_of(key)} outside {bounds[0]:g} to {bounds[1]:g}"
            index = keys[key].index
            verdicts.add(outside, self.column_name(index), rows.columns[index], rule)

    def _labels(self, rows: Rows, verdicts: RowVerdicts) -> tuple[Ints, Words] | None:
        """Return for each row the number of its part's label, and the labels."""
        if self._id is None:
            return None
        cells = rows.columns[self._id.index]
        codes, words = _words(cells)
        verdicts.add((words == "")[codes], self.column_name(self._id.index), cells, f"no {self._id.channel} is named")
        return codes, words

    # --- the clocks ---------------------------------------------------------------------------------------------------

    def _feed(self, batch: Batch, ids: tuple[Ints, Words] | None) -> list[Tables]:
        n = len(batch["line"])
        if not n:
            return []
        if not self.timebase.columns:  # paired dimensions have no clock; their lines tell which reading is meant
            self.rows += n
            return [{"": batch}]
        if self.zero is None:
            self.zero = float(batch["raw"][0])
        if ids is None:
            return [t for b in self._clock("").feed(batch) for t in self._split("", b)]
        codes, words = ids
        out: list[Tables] = []
        for k in pd.unique(codes):  # in the order in which they come
            label, at = str(words[k]), np.flatnonzero(codes == k)
            for b in self._clock(label).feed({c: v[at] for c, v in batch.items()}):
                out += self._split(label, b)
        return out

    def finish(self) -> list[Tables]:
        """Return what the clocks still held back."""
        return [t for label, c in self._clocks.items() for b in c.feed(None, last=True) for t in self._split(label, b)]

    def _clock(self, label: str) -> Clock:
        if label not in self._clocks:
            self._clocks[label] = Clock(self._name, self.timebase.kind, self.zero or 0.0)
        return self._clocks[label]

    def _split(self, label: str, batch: Batch) -> list[Tables]:
        """Give every part its own table, with the channels that all share; arrays are not copied."""
        n = len(batch["time_s"])
        if not n:
            return []
        self.rows += n
        self.last = float(batch["time_s"][-1])
        shared = {k: v for k, v in batch.items() if ":" not in k and k != "line"}
        parts = self._columns.parts
        if not parts:
            return [{label: shared}]
        tables: Tables = {}
        for part in parts:
            own = {channel_of(k): v for k, v in batch.items() if k.endswith(f":{part}")}
            tables[f"{label}:{part}" if label else part] = shared | own
        return [tables]

    def clock_rejects(self) -> list[Reject]:
        """Hand over the rows that the clock repair rejected since the last call."""
        out: list[Reject] = []
        for clock in self._clocks.values():
            column = self.column_name(self.timebase.columns[0])
            out += [Reject(line=line, column=column, value=value, rule=rule) for line, value, rule in clock.rejects]
            clock.rejects.clear()
        return out

    def _note_span(self, raw: Floats) -> None:
        if len(raw):
            if len(self.steps) < _STEPS:
                steps = np.diff(raw[:_STEPS], prepend=raw[0] if self.last is None else self.last)
                self.steps = np.concatenate([self.steps, steps[steps > 0]])[:_STEPS]
            self.zero = float(raw[0]) if self.zero is None else self.zero
            self.last = float(raw[-1])

    # --- afterwards ---------------------------------------------------------------------------------------------------

    def gaps(self) -> list[tuple[float, float]]:
        """Return (start, size) in s of every gap; one that several parts share counts once."""
        found = {g for clock in self._clocks.values() for g in clock.intervals.gaps(self._gap_factor)}
        return sorted(found)

    def events(self) -> Iterator[Event]:
        """Yield clock repairs and gaps of all parts."""
        yield from self.timebase.events
        for clock in self._clocks.values():
            yield from clock.events
        for start, size in self.gaps()[:_MAX_GAPS]:
            yield Event(kind="gap", time_s=start, size_s=size, text="no rows")


def _words(cells: Cells) -> tuple[Ints, Words]:
    """Return for each row the number of its word, and the words ("" where there is none)."""
    if (
        cells.numbers is not None and cells.text is None and not cells.told
    ):  # numbers that stand for words: each is written out once
        numbers, each = pd.factorize(cells.numbers, use_na_sentinel=False)
        codes, words = _words(Cells(text=as_text(Cells(numbers=each))))
        return codes[numbers], words
    coded = pc.utf8_trim_whitespace(pc.fill_null(as_text(cells), "")).dictionary_encode()
    return np.asarray(coded.indices, dtype=np.int64), np.array(coded.dictionary.to_pylist(), dtype=object)


def _key(use: Use) -> str:
    return use.channel if use.part is None else f"{use.channel}:{use.part}"
