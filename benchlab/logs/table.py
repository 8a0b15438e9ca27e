"""What reading a log yields: how it was understood, and its rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchlab.logs.record import Record
from benchlab.procedure import Kind
from benchlab.results import Event

if TYPE_CHECKING:
    import pandas as pd

REJECTED_COLUMNS = ("file", "line", "column", "value", "rule")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a log and what it was taken for."""

    index: int
    """From 1, as written in the file."""
    name: str
    channel: str | None = None
    """Canonical channel, None where the column is not used."""
    part: str | None = None
    """The part the column belongs to ("1"), None where all parts share it."""
    unit: str | None = None
    """Unit as logged."""
    why: str = ""
    """Why it was mapped so, or the nearest guess if it was not."""
    n_numeric: int = 0
    n_missing: int = 0
    min: float | None = None
    max: float | None = None
    mean: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLog:
    """A log as it was understood.

    ``records`` maps a part's label (the number or name in its headers or id column; "" where the log names none) to
    its rows in canonical form: the columns ``time_s`` (seconds from the log's first row that was read, strictly
    increasing within a segment), ``segment`` (int, counts up where the clock was split), the kind's channels as
    float64 (labels such as ``phase`` as str), in SI-like units that the names carry, NaN where missing. A channel that
    no header named is absent, not NaN.
    """

    path: str
    sha256: str
    kind: Kind | None
    why_no_kind: str = ""
    """Which channels each kind would need, where the log is none of the kinds."""
    compression: str | None = None
    encoding: str
    bom: bool
    delimiter: str
    decimal: str
    header_line: int | None
    units_line: int | None
    first_data_line: int | None
    columns: tuple[Column, ...]
    rows: int
    """Rows kept."""
    rows_rejected: int
    time_start: str | None
    """First time as ISO 8601 where the log has a calendar, else seconds as text."""
    time_end: str | None
    sampling_s: float | None
    """Median interval."""
    gaps: int
    events: tuple[Event, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    rejected: pd.DataFrame
    """Rejected rows: columns REJECTED_COLUMNS."""
    records: Mapping[str, Record]

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All rows of every part as tables, made anew: a long log's take much memory."""
        return {label: record.frame() for label, record in self.records.items()}
