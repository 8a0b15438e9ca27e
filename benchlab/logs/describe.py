"""What was understood of a log: as one screen of text, as JSON, and as Parquet that carries its provenance."""

from __future__ import annotations

import json
import os
import tempfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from benchlab import __version__
from benchlab.errors import BenchlabError
from benchlab.logs.table import Column, ReadLog
from benchlab.results import to_json

if TYPE_CHECKING:
    import pandas as pd

_DELIMITER = {"\t": "tab", " ": "blanks", "": "none (one column)", ",": "comma", ";": "semicolon", "|": "bar"}
_MAX_COLUMNS, _MAX_EVENTS = 24, 8


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


def _channel(column: Column) -> str | None:
    if column.channel is None or column.part is None:
        return column.channel
    return f"{column.channel}:{column.part}"


def as_text(log: ReadLog) -> str:
    """Return what was understood, on about one screen."""
    bom = " with byte order mark" if log.bom else ""
    lines = [
        f"{log.path}: {log.kind or 'none of the four kinds of log'}",
        f"  text      {log.encoding}{bom}, delimiter {_DELIMITER.get(log.delimiter, log.delimiter)}, decimal mark "
        f"'{log.decimal}'",
        f"  lines     header {_or_none(log.header_line)}, units {_or_none(log.units_line)}, data from "
        f"{_or_none(log.first_data_line)}",
        f"  rows      {log.rows} kept, {log.rows_rejected} rejected",
        f"  clock     {_clock(log)}",
    ]
    if log.metadata:
        shown = [f"{k} = {v}" for k, v in list(log.metadata.items())[:6]]
        lines.append(f"  notes     {_cut('; '.join(shown), 110)}")
    lines += ["  columns", *_columns(log)]
    if log.events:
        lines += ["  events", *_events(log)]
    if log.rows_rejected:
        lines += ["  rejected", *_rejected(log)]
    for label, table in log.tables.items():
        lines += _first_rows(label, table)
        break
    if len(log.tables) > 1:
        lines.append(f"  parts     {', '.join(repr(k) for k in log.tables)}")
    return "\n".join(lines)


def _or_none(line: int | None) -> str:
    return "none" if line is None else f"line {line}"


def _cut(text: str, size: int) -> str:
    return text if len(text) <= size else text[: size - 3] + "..."


def _clock(log: ReadLog) -> str:
    if log.time_start is None:
        return "none found"
    out = f"{log.time_start} to {log.time_end}"
    if log.sampling_s:
        out += f", every {log.sampling_s:.6g} s"
        if log.sampling_s < 1:
            out += f" ({1 / log.sampling_s:.4g} Hz)"
    jitter = _jitter(log)
    out += f", jitter {jitter:.2g} s" if jitter is not None else ""
    return out + f", {log.gaps} gap{'' if log.gaps == 1 else 's'}"


def _jitter(log: ReadLog) -> float | None:
    """Return half the distance between the 16 % and 84 % quantiles of the intervals (s)."""
    for table in log.tables.values():
        if "time_s" in table and len(table) > 3:
            steps = table["time_s"].diff()[table["segment"].diff() == 0]
            return float((steps.quantile(0.84) - steps.quantile(0.16)) / 2) if len(steps) else None
    return None


def _columns(log: ReadLog) -> list[str]:
    out = []
    width = min(max([len(c.name) for c in log.columns] + [4]), 26)
    for c in log.columns[:_MAX_COLUMNS]:
        target = f"{_channel(c)} [{c.unit or '1'}]" if c.channel else "-"
        span = "no number" if c.mean is None else f"{c.min:.6g} .. {c.max:.6g}"
        missing = f", {c.n_missing} missing" if c.n_missing else ""
        out.append(
            _cut(f"    {c.index:>3} {c.name:<{width}.{width}} {target:<24} {span}{missing}  {c.why}".rstrip(), 150)
        )
    if len(log.columns) > _MAX_COLUMNS:
        out.append(f"    ... and {len(log.columns) - _MAX_COLUMNS} more columns")
    return out


def _events(log: ReadLog) -> list[str]:
    counts = Counter(e.kind for e in log.events)
    out = [f"    {', '.join(f'{n} x {kind}' for kind, n in sorted(counts.items()))}"]
    for e in log.events[:_MAX_EVENTS]:
        at = "" if e.time_s is None else f" at {e.time_s:.6g} s"
        size = "" if e.size_s is None else f", {e.size_s:.6g} s"
        out.append(f"    {e.kind}{at}{size}{': ' + e.text if e.text else ''}")
    return out


def _rejected(log: ReadLog) -> list[str]:
    rules = Counter(str(r) for r in log.rejected["rule"])
    out = [f"    {n} x {rule}" for rule, n in rules.most_common(4)]
    for line, column, value, rule in log.rejected[["line", "column", "value", "rule"]].head(3).to_numpy():
        where = f' "{column}"' if column else ""
        out.append(_cut(f"    line {line}{where}: {value!r}: {rule}", 150))
    return out


def _first_rows(label: str, table: pd.DataFrame) -> list[str]:
    head = table.head(3)
    of = f" of part {label!r}" if label else ""
    body = head.to_string(index=False, float_format=lambda x: f"{x:.6g}", max_cols=12)
    return [f"  first rows{of} in canonical units", *("    " + x for x in str(body).splitlines())]


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
