"""What was understood of a log: as JSON, and as Parquet that carries its provenance."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from benchlab import __version__
from benchlab.errors import BenchlabError
from benchlab.logs.table import ReadLog
from benchlab.results import to_json


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
    """Write the canonical tables as one Parquet file (a column ``part`` where the log holds several).

    Everything that ``as_json`` says, the preamble's metadata and benchlab's version stand in the file's metadata
    under ``benchlab``.

    Raises
    ------
    BenchlabError
        If the log has no canonical table or the file cannot be written.
    """
    import pandas as pd

    if not log.tables:
        raise BenchlabError("is none of the four kinds of log: nothing to save", path=log.path, do="say its kind")
    frames = [t.assign(part=label) if len(log.tables) > 1 else t for label, t in log.tables.items()]
    table = pa.Table.from_pandas(pd.concat(frames, ignore_index=True), preserve_index=False)
    provenance = {"software": f"benchlab {__version__}", "log": as_json(log), "preamble": dict(log.metadata)}
    meta = {**(table.schema.metadata or {}), b"benchlab": json.dumps(provenance, ensure_ascii=False).encode()}
    handle = None
    try:
        handle, staging = tempfile.mkstemp(dir=path.parent, suffix=".part")
        os.close(handle)
        pq.write_table(table.replace_schema_metadata(meta), staging)
        Path(staging).replace(path)
    except OSError as error:
        if handle is not None:
            Path(staging).unlink(missing_ok=True)
        raise BenchlabError(
            f"cannot be written ({error.strerror})", path=str(path), do="name another file with --write"
        ) from None
