"""Reading a log: from a path to canonical tables, block by block, with everything that was understood."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchlab.airframe import LogHelp
from benchlab.errors import LogError
from benchlab.logs.blocks import BlockParser, Reject, Rows
from benchlab.logs.canonical import Canonical, ColumnStats
from benchlab.logs.dialect import Dialect, find_dialect
from benchlab.logs.mapping import map_columns
from benchlab.logs.source import Encoding, Source, find_encoding, find_line_end
from benchlab.logs.table import REJECTED_COLUMNS, Column, ReadLog
from benchlab.procedure import Kind, Procedures
from benchlab.results import Event

MAX_REJECTED = 100_000
"""Rejected rows kept with their text; all are counted."""


class LogReader:
    """One log being read: ``batches`` runs over it once; afterwards the summary fields are complete."""

    def __init__(
        self, path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None
    ) -> None:
        self.name = name
        self._help = help or LogHelp()
        self._procedures = procedures
        self._source = Source(path, name)
        head = self._source.head()
        self.encoding = self._encoding(head)
        self.line_end = find_line_end(head)
        lines = _head_lines(head, self.encoding, self.line_end)
        self.dialect = self._find_dialect(lines)
        self.mapping = map_columns(self.dialect, name, procedures, kind, self._help)
        self._parser = BlockParser(self.dialect, self.encoding.name if not self.encoding.wide else "utf-8", name)
        self.canonical = Canonical(self.dialect, self.mapping, procedures, self._help, name)
        self.stats = [ColumnStats() for _ in range(self.dialect.width)]
        self.rows_rejected = 0
        self.rejects: list[Reject] = []

    def _encoding(self, head: bytes) -> Encoding:
        found = find_encoding(head)
        told = self._help.encoding
        if told is None:
            return found
        try:
            head[:4096].decode(told, "replace")
        except LookupError:
            raise LogError(f'"{told}" is no encoding', path=self.name, do='use "utf-8", "utf-16" or "cp1252"') from None
        told = told.lower().replace("_", "-")
        return found if told in {"utf-16", "utf-8-sig"} or found.bom else Encoding(name=told, bom=False)

    def _find_dialect(self, lines: list[str]) -> Dialect:
        h = self._help
        found = find_dialect(lines, delimiter=h.delimiter, decimal=h.decimal, header_line=h.header_line)
        if found is not None:
            return found
        text = [i for i, x in enumerate(lines, 1) if x.strip()]
        odd = sum(not c.isprintable() and c not in "\t\0" for x in lines[:50] for c in x)
        if odd * 20 > sum(len(x) for x in lines[:50]):
            raise LogError("is a binary file, not a text log", path=self.name, line=1, do="export it as CSV text")
        if len(text) <= 1:
            raise LogError("holds a header but no data", path=self.name, line=text[0] if text else 1, do="log again")
        raise LogError("no line holds numbers in columns", path=self.name, line=text[0], do="check that this is a log")

    def batches(self) -> Iterator[dict[str, pd.DataFrame]]:
        """Yield the canonical tables of one block after the other, by part label; memory stays bounded.

        Raises
        ------
        LogError
            If the log turns out unusable on the way.
        """
        for block in self._source.blocks(self.encoding, self.line_end):
            for rows in self._parser.parse(block):
                yield self._one(rows)
        rest = self.canonical.finish()
        self._take_clock_rejects()
        if rest:
            yield rest

    def _one(self, rows: Rows) -> dict[str, pd.DataFrame]:
        self._reject(rows.rejects)
        tables, rejects, kept = self.canonical.convert(rows)
        self._reject(rejects)
        self._take_clock_rejects()
        for stat, cells in zip(self.stats, rows.columns, strict=True):
            stat.add(cells, kept)
        return tables

    def _take_clock_rejects(self) -> None:
        self._reject(self.canonical.clock_rejects())

    def _reject(self, rejects: list[Reject]) -> None:
        self.rows_rejected += len(rejects)
        if len(self.rejects) < MAX_REJECTED:
            self.rejects += rejects[: MAX_REJECTED - len(self.rejects)]

    # --- what was understood ------------------------------------------------------------------------------------------

    def events(self) -> tuple[Event, ...]:
        """Everything that was repaired or is to be known, in the order of time."""
        found = list(self.canonical.events())
        if self._source.damaged:
            found.append(Event(kind="gap", text=f"the file is incomplete: {self._source.damaged}"))
        return tuple(sorted(found, key=lambda e: (e.time_s if e.time_s is not None else float("inf"), e.kind)))

    @property
    def sha256(self) -> str:
        """Checksum of the file."""
        return self._source.sha256

    @property
    def final_encoding(self) -> str:
        """Encoding, as known after the whole file was read."""
        return self.encoding.name if self.encoding.wide else self._parser.encoding

    def columns(self) -> tuple[Column, ...]:
        """Return what every column was taken for, with its statistics as logged."""
        uses = {u.index: u for u in self.mapping.uses}
        out = []
        for i, (name, stat) in enumerate(zip(self.dialect.names, self.stats, strict=True)):
            base = Column(
                index=i + 1, name=name, n_numeric=stat.n, n_missing=stat.missing,
                min=stat.lo if stat.n else None, max=stat.hi if stat.n else None,
                mean=stat.total / stat.n if stat.n else None, unit=self.dialect.units[i] or None,
                why=self.mapping.notes.get(i, ""),
            )  # fmt: skip
            if i in uses:
                u = uses[i]
                base = replace(base, channel=u.channel, part=u.part, unit=u.unit, why=u.why)
            elif i in self.mapping.time and self.mapping.kind is not None:
                base = replace(base, channel="time_s", unit=self.canonical.time_unit, why=self.canonical.time_why)
            out.append(base)
        return tuple(out)


def iter_batches(
    path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None
) -> Iterator[dict[str, pd.DataFrame]]:
    """Yield a log's canonical tables block by block (part label -> frame); memory does not grow with the log."""
    yield from LogReader(path, name=name, procedures=procedures, kind=kind, help=help).batches()


def read_log(
    path: Path, *, name: str, procedures: Procedures, kind: Kind | None = None, help: LogHelp | None = None
) -> ReadLog:
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
    reader = LogReader(path, name=name, procedures=procedures, kind=kind, help=help)
    pieces: dict[str, list[pd.DataFrame]] = {}
    for batch in reader.batches():
        for label, frame in batch.items():
            pieces.setdefault(label, []).append(frame)
    tables = {label: _joined(frames) for label, frames in pieces.items()}
    tables = dict(sorted(tables.items(), key=lambda x: _natural(x[0])))
    _refuse_empty(reader, tables)
    tables = {label: _without_empty(frame, reader) for label, frame in tables.items()}
    start, end, sampling = reader.canonical.clock_summary(tables)
    return ReadLog(
        path=name, sha256=reader.sha256, kind=reader.mapping.kind, encoding=reader.final_encoding,
        bom=reader.encoding.bom, delimiter=reader.dialect.delimiter, decimal=reader.dialect.decimal,
        header_line=reader.dialect.header_line, units_line=reader.dialect.units_line,
        first_data_line=reader.dialect.first_data_line, columns=reader.columns(), rows=reader.canonical.rows,
        rows_rejected=reader.rows_rejected, time_start=start, time_end=end, sampling_s=sampling,
        gaps=reader.canonical.n_gaps, events=reader.events(), metadata=reader.dialect.metadata,
        rejected=_rejected(reader), tables=tables,
    )  # fmt: skip


def _head_lines(head: bytes, encoding: Encoding, line_end: bytes) -> list[str]:
    text = head.decode(encoding.name, "replace").removeprefix("\ufeff").replace("\0", "")
    text = text.replace("\r\n", "\n").replace("\r", "\n" if line_end == b"\r" else " ")
    lines = text.split("\n")
    whole = len(head) < 256 << 10
    if not whole and len(lines) > 1:
        lines.pop()
    return lines


def _joined(frames: list[pd.DataFrame]) -> pd.DataFrame:
    frames = [f for f in frames if len(f)] or frames[:1]
    return pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0].reset_index(drop=True)


def _natural(label: str) -> tuple[int, float, str]:
    return (0, float(label), "") if label.replace(".", "", 1).isdigit() else (1, 0.0, label)


def _refuse_empty(reader: LogReader, tables: Mapping[str, pd.DataFrame]) -> None:
    if reader.mapping.kind is None or any(len(t) for t in tables.values()):
        return
    first = min(reader.rejects, key=lambda r: r.line, default=None)
    if first is None:
        raise LogError(
            "holds a header but no data", path=reader.name, line=reader.dialect.header_line or 1, do="log again"
        )
    where = f' in column "{first.column}"' if first.column else ""
    raise LogError(
        f'all {reader.rows_rejected} rows are rejected; the first: {first.rule}{where} ("{first.value}")',
        path=reader.name, line=first.line, do="check units and columns with: benchlab read",
    )  # fmt: skip


def _without_empty(frame: pd.DataFrame, reader: LogReader) -> pd.DataFrame:
    empty = [c for c in frame.columns if c not in {"time_s", "segment"} and frame[c].isna().all()]
    return frame.drop(columns=empty) if empty else frame


def _rejected(reader: LogReader) -> pd.DataFrame:
    rows: list[tuple[Any, ...]] = sorted((r.line, r.column, r.value, r.rule) for r in reader.rejects)
    data = {
        "file": [reader.name] * len(rows),
        "line": np.array([r[0] for r in rows], dtype=np.int64),
        "column": [r[1] for r in rows],
        "value": [r[2] for r in rows],
        "rule": [r[3] for r in rows],
    }
    frame = pd.DataFrame(data, columns=list(REJECTED_COLUMNS))
    return frame.astype({"file": "str", "column": "str", "value": "str", "rule": "str"})
