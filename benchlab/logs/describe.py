"""What was understood of a log: as JSON, and as Parquet that carries its provenance."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from benchlab import __version__
from benchlab.errors import BenchlabError
from benchlab.logs.table import ReadLog
from benchlab.results import to_json

if TYPE_CHECKING:
    import pandas as pd

_ROWS = 1_000_000
"""Rows written to Parquet at a time."""


def as_json(log: ReadLog) -> dict[str, Any]:
    """Return what ``benchlab read --json`` prints (DESIGN section 11)."""
    columns = [
        {
            "index": c.index, "name": c.name, "channel": c.channel, "part": c.part, "unit": c.unit,
            "n_numeric": c.n_numeric, "n_missing": c.n_missing, "min": c.min, "max": c.max, "mean": c.mean,
        }
        for c in log.columns
    ]  # fmt: skip
    return {
        "path": log.path, "sha256": log.sha256, "kind": log.kind, "encoding": log.encoding, "bom": log.bom,
        "delimiter": log.delimiter, "decimal": log.decimal, "header_line": log.header_line,
        "units_line": log.units_line, "first_data_line": log.first_data_line, "columns": columns, "rows": log.rows,
        "rows_rejected": log.rows_rejected, "time_start": log.time_start, "time_end": log.time_end,
        "sampling_s": log.sampling_s, "gaps": log.gaps, "events": [to_json(e) for e in log.events],
    }  # fmt: skip


def write_parquet(log: ReadLog, path: Path) -> None:
    """Write the canonical rows as one Parquet file (a column ``part`` where the log holds several).

    Everything that ``as_json`` says, the preamble's metadata and benchlab's version stand in the file's metadata
    under ``benchlab``.

    Raises
    ------
    BenchlabError
        If the log has no canonical table or the file cannot be written.
    """
    if not log.records:
        raise BenchlabError("is none of the four kinds of log: nothing to save", path=log.path, do="say its kind")
    pieces = _pieces(log)
    first = pa.Table.from_pandas(next(pieces), preserve_index=False)
    provenance = {"software": f"benchlab {__version__}", "log": as_json(log), "preamble": dict(log.metadata)}
    meta = {**(first.schema.metadata or {}), b"benchlab": json.dumps(provenance, ensure_ascii=False).encode()}
    schema = first.schema.with_metadata(meta)
    handle = None
    try:
        handle, staging = tempfile.mkstemp(dir=path.parent, suffix=".part")
        os.close(handle)
        with pq.ParquetWriter(staging, schema) as writer:
            writer.write_table(first.cast(schema))
            for frame in pieces:
                writer.write_table(pa.Table.from_pandas(frame, schema, preserve_index=False))
        Path(staging).replace(path)
    except OSError as error:
        if handle is not None:
            Path(staging).unlink(missing_ok=True)
        raise BenchlabError(
            f"cannot be written ({error.strerror})", path=str(path), do="name another file with --write"
        ) from None


def _pieces(log: ReadLog) -> Iterator[pd.DataFrame]:
    """Yield the rows of all parts as tables of the same columns."""
    columns = list(dict.fromkeys(c for r in log.records.values() for c in r.columns))
    for label, record in log.records.items():
        for start in range(0, len(record), _ROWS):
            frame = record.frame(start, start + _ROWS).reindex(columns=columns)
            yield frame.assign(part=label) if len(log.records) > 1 else frame
