"""Reading a log: from a path to canonical tables, block by block, with everything that was understood."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from benchlab.airframe import LogHelp
from benchlab.errors import LogError
from benchlab.logs.blocks import BlockParser
from benchlab.logs.canonical import Canonical, Tables
from benchlab.logs.columns import Reject, Rows
from benchlab.logs.dialect import Dialect
from benchlab.logs.gather import Gathered, record_of_batch
from benchlab.logs.labelled import find_labels, label_pattern, without_labels
from benchlab.logs.mapping import map_columns
from benchlab.logs.record import Record, keep_freed_memory
from benchlab.logs.scratch import scratch_folder
from benchlab.logs.sniff import find_dialect
from benchlab.logs.source import HEAD, Encoding, Source, find_encoding, find_line_end
from benchlab.logs.table import REJECTED_COLUMNS, Column, ReadLog
from benchlab.logs.tally import ColumnTally
from benchlab.procedure import Kind, Procedures
from benchlab.results import Event

T = TypeVar("T")
Array = np.ndarray[Any, Any]
MAX_REJECTED = 100_000
"""Rejected rows kept with their text; all are counted."""


_HOPELESS = 500_000
"""Rejected rows after which a log that keeps hardly any is given up, so that no file can keep the reader busy."""


class LogReader:
    """One log being read: ``batches`` runs over it once; afterwards the summary is complete."""

    def __init__(
        self, path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None  # noqa: A002
    ) -> None:  # fmt: skip
        self.name = name
        self._help = help or LogHelp()
        self._source = Source(path, name)
        head = self._source.head()
        self.encoding = _encoding(head, self._help, name)
        self._line_end = find_line_end(head)
        lines = _head_lines(head, self.encoding, self._line_end)
        labels = find_labels(lines)
        text_encoding = "utf-8" if self.encoding.wide else self.encoding.name
        self.labels = label_pattern(labels, text_encoding) if labels else None
        if self.labels is not None:
            text = without_labels("\n".join(lines).encode(text_encoding, "replace"), self.labels)
            lines = text.decode(text_encoding, "replace").split("\n")
        self.dialect = self._find_dialect(lines)
        if labels and self.dialect.header_line is None and self.dialect.width == len(labels):
            self.dialect = replace(self.dialect, names=labels)
        self.mapping = map_columns(self.dialect, name, procedures, kind, self._help)
        self._parser = BlockParser(self.dialect, text_encoding, name, self._source.expanded)
        self.canonical = Canonical(self.dialect, self.mapping, procedures, self._help, name)
        timed = [t == "t" for t in self.dialect.types]
        self._tallies = [ColumnTally(decimal=self.dialect.decimal, timed=t) for t in timed]
        self.rows_rejected = 0
        self.rejects: list[Reject] = []

    def _find_dialect(self, lines: list[str]) -> Dialect:
        h = self._help
        found = find_dialect(lines, delimiter=h.delimiter, decimal=h.decimal, header_line=h.header_line)
        if found is not None and found.doubt and h.decimal is None:
            line, do = found.first_data_line, "save it with another delimiter or decimal mark"
            raise LogError(found.doubt, path=self.name, line=line, do=do)
        if found is not None:
            return found
        text = [i for i, x in enumerate(lines, 1) if x.strip()]
        odd = sum(not c.isprintable() and c != "\t" for x in lines[:50] for c in x)
        if odd * 20 > sum(len(x) for x in lines[:50]):
            raise LogError("is a binary file, not a text log", path=self.name, line=1, do="export it as CSV text")
        if len(text) <= 2:
            raise LogError(
                "holds a header but no data",
                path=self.name,
                line=text[0] if text else 1,
                do="log again or leave it out",
            )
        raise LogError("no line holds numbers in columns", path=self.name, line=text[0], do="check that this is a log")

    def batches(self) -> Iterator[Tables]:
        """Yield the settled rows as arrays: part label -> column -> array; memory stays bounded.

        Raises
        ------
        LogError
            If the log turns out unusable on the way.
        """
        for rows in _ahead(self._rows()):
            yield from self._convert(rows)
        yield from self.canonical.finish()
        self._reject(self.canonical.clock_rejects())

    def _rows(self) -> Iterator[Rows]:
        for block, lines in _ahead(self._source.blocks(self.encoding, self._line_end)):
            text = block if self.labels is None else without_labels(block, self.labels)
            yield from self._parser.parse(text, lines)

    def _convert(self, rows: Rows) -> list[Tables]:
        self._reject(rows.rejects)
        tables, rejects, kept = self.canonical.convert(rows)
        self._reject(rejects)
        self._reject(self.canonical.clock_rejects())
        for tally, cells in zip(self._tallies, rows.columns, strict=True):
            tally.add(cells, kept)
        return tables

    def _reject(self, rejects: list[Reject]) -> None:
        self.rows_rejected += len(rejects)
        if self.rows_rejected > _HOPELESS and self.rows_rejected > 9 * self.canonical.rows:
            first = rejects[0]
            raise LogError(
                f"more than {_HOPELESS} rows are rejected and hardly any kept; here: {first.rule}", path=self.name,
                line=first.line, do="check what the file really is",
            )  # fmt: skip
        self.rejects += rejects[: max(MAX_REJECTED - len(self.rejects), 0)]

    # --- what was understood ------------------------------------------------------------------------------------------

    @property
    def compiles(self) -> bool:
        """Whether the log is so long that loops for it are compiled."""
        return self._parser.compiles

    @property
    def compression(self) -> str | None:
        """How the file is packed, None where it is not."""
        return self._source.compression

    @property
    def sha256(self) -> str:
        """Checksum of the file as it lies on disk."""
        return self._source.sha256

    @property
    def final_encoding(self) -> str:
        """Encoding, as known after the whole file was read."""
        return self.encoding.name if self.encoding.wide else self._parser.encoding

    def events(self) -> tuple[Event, ...]:
        """Everything that was repaired or is to be known, in the order of time."""
        found = list(self.canonical.events())
        if self._source.damaged:
            found.append(Event(kind="gap", text=f"the file is incomplete: {self._source.damaged}"))
        return tuple(sorted(found, key=lambda e: (float("inf") if e.time_s is None else e.time_s, e.kind)))

    def columns(self) -> tuple[Column, ...]:
        """Return what every column was taken for, with its statistics as logged."""
        uses = {u.index: u for u in self.mapping.uses}
        clock = self.canonical.timebase
        why = "; ".join(x for x in (self.mapping.time_why, clock.why) if x)
        out = []
        for i, (name, t) in enumerate(zip(self.dialect.names, self._tallies, strict=True)):
            column = Column(
                index=i + 1, name=name, n_numeric=t.n, n_missing=t.missing, min=t.lo if t.n else None,
                max=t.hi if t.n else None, mean=t.mean, unit=self.dialect.units[i] or None,
                why=self.mapping.notes.get(i, ""),
            )  # fmt: skip
            if i in uses:
                u = uses[i]
                column = replace(column, channel=u.channel, part=u.part, unit=u.unit, why=u.why)
            elif i in clock.columns:
                channel = None if self.mapping.kind is None else "time_s"
                column = replace(column, channel=channel, unit=clock.unit, why=why)
            out.append(column)
        return tuple(out)

    def rejected_rows(self) -> pd.DataFrame:
        """Return the rejected rows in the order of the file."""
        rows = sorted((r.line, r.column, r.value, r.rule) for r in self.rejects)
        line, *words = [list(x) for x in zip(*rows, strict=True)] if rows else [[], [], [], []]
        text = [pd.array(x, dtype="str") for x in ([self.name] * len(rows), *words)]
        values = (text[0], np.array(line, dtype=np.int64), *text[1:])
        return pd.DataFrame(dict(zip(REJECTED_COLUMNS, values, strict=True)))


def iter_batches(
    path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None  # noqa: A002
) -> Iterator[dict[str, pd.DataFrame]]:  # fmt: skip
    """Yield a log's canonical tables block by block (part label -> frame); memory does not grow with the log."""
    for tables in LogReader(path, name=name, procedures=procedures, kind=kind, help=help).batches():
        yield {label: record_of_batch(batch).frame() for label, batch in tables.items()}


def read_log(
    path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None  # noqa: A002
) -> ReadLog:  # fmt: skip
    """Read a whole log.

    Parameters
    ----------
    path
        The file, compressed or not.
    name
        The path as it is to be reported.
    procedures
        Accepted names and physical bounds of the channels.
    kind
        Kind of log; None: found out, and a log that is none of ours is still described.
    help
        What the register says about this log.

    Raises
    ------
    LogError
        If the log cannot be read as a whole: what, where, and what to do.
    """
    keep_freed_memory()
    return read_whole(LogReader(path, name=name, procedures=procedures, kind=kind, help=help))


def read_whole(reader: LogReader) -> ReadLog:
    """Run a reader over its log and return all of it."""
    records = _gather(reader)
    _refuse_empty(reader, bool(records))
    _refuse_nothing_measured(reader, records)
    c, d = reader.canonical, reader.dialect
    start, end, sampling = _span(reader, records)
    return ReadLog(
        path=reader.name, sha256=reader.sha256, kind=reader.mapping.kind,
        why_no_kind=reader.mapping.why_no_kind, compression=reader.compression, encoding=reader.final_encoding,
        bom=reader.encoding.bom, delimiter=d.delimiter, decimal=d.decimal, header_line=d.header_line,
        units_line=d.units_line, first_data_line=d.first_data_line, columns=reader.columns(), rows=c.rows,
        rows_rejected=reader.rows_rejected, time_start=start, time_end=end, sampling_s=sampling, gaps=len(c.gaps()),
        events=reader.events(), metadata=d.metadata, rejected=reader.rejected_rows(), records=records,
    )  # fmt: skip


def _gather(reader: LogReader) -> dict[str, Record]:
    gathered = Gathered(packs=reader.compiles)
    for tables in reader.batches():
        try:
            gathered.add(tables)
        except OSError as error:
            raise _no_room(reader, error) from None
    try:
        return gathered.records()
    except OSError as error:
        raise _no_room(reader, error) from None


def _no_room(reader: LogReader, error: OSError) -> LogError:
    return LogError(
        f"its rows cannot be kept in {scratch_folder()} while they are analysed ({error.strerror or error})",
        path=reader.name, do="free space there, or name another folder with TMPDIR",
    )  # fmt: skip


def _ahead(items: Iterator[T]) -> Iterator[T]:
    """Yield the items while the next one is made in another thread."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = pool.submit(next, items, None)
            yield item


def _encoding(head: bytes, help_: LogHelp, name: str) -> Encoding:
    found = find_encoding(head)
    told = help_.encoding
    if told is None:
        return found
    try:
        head[:4096].decode(told, "replace")
    except LookupError:
        raise LogError(f'"{told}" is no encoding', path=name, do='use "utf-8", "utf-16" or "cp1252"') from None
    told = told.lower().replace("_", "-")
    return found if found.bom or told in {"utf-16", "utf-8-sig"} else Encoding(name=told, bom=False)


def _head_lines(head: bytes, encoding: Encoding, line_end: bytes) -> list[str]:
    text = head.decode(encoding.name, "replace").removeprefix("\ufeff").replace("\0", "")
    lines = text.replace("\r\n", "\n").replace("\r", "\n" if line_end == b"\r" else " ").split("\n")
    if len(head) >= HEAD and len(lines) > 1:  # the last one is cut by the sample's end, not by the log's
        lines.pop()
    return lines


def _refuse_empty(reader: LogReader, has_rows: bool) -> None:
    if has_rows or reader.mapping.kind is None:
        return
    if not reader.rejects:
        line = reader.dialect.header_line or 1
        raise LogError("holds a header but no data", path=reader.name, line=line, do="log again or leave it out")
    first = min(reader.rejects, key=lambda r: r.line)
    where = f' in column "{first.column}"' if first.column else ""
    raise LogError(
        f'all {reader.rows_rejected} rows are rejected; the first: {first.rule}{where} ("{first.value}")',
        path=reader.name, line=first.line, do="check units and columns with: benchlab read",
    )  # fmt: skip


def _refuse_nothing_measured(reader: LogReader, records: Mapping[str, Record]) -> None:
    """Refuse a log whose required channels hold no number in any part."""
    for group in reader.mapping.required:
        if group == ("time_s",) or any(c in r for r in records.values() for c in group) or not records:
            continue
        use = next(u for u in reader.mapping.uses if u.channel in group)
        raise LogError(
            f'column {use.index + 1} ("{reader.dialect.names[use.index]}", {use.channel}) holds no number at all',
            path=reader.name, line=reader.dialect.first_data_line, do="check the sensor and the logger",
        )  # fmt: skip


def _span(reader: LogReader, records: Mapping[str, Record]) -> tuple[str | None, str | None, float | None]:
    """Return first and last time as text and the median interval (s)."""
    c = reader.canonical
    if c.zero is None:
        return None, None, None
    if reader.mapping.kind is None:
        return c.timebase.moment(c.zero), c.timebase.moment(c.last), _median(c.steps)
    first = min(float(r.read("time_s", 0, 1)[0]) for r in records.values())
    last = max(float(r.read("time_s", -1)[0]) for r in records.values())
    sampling = _median(next(iter(records.values())).intervals())
    return c.timebase.moment(first + c.zero), c.timebase.moment(last + c.zero), sampling


def _median(steps: Array) -> float | None:
    # differences of decimal times carry binary noise in their last digits
    return float(f"{np.median(steps):.9g}") if len(steps) else None
