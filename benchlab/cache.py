"""What was read from logs, kept between runs: files that may be deleted at any time and are believed only if whole.

A kept file is named after everything that its content depends on but the logs' full checksums, which stand in it and
are compared before it is used. It is one line with the SHA-256 of the rest, then a zip archive of Parquet tables and
one JSON document; it is written beside its place and renamed into it, so that a crash leaves the old file or the new.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import io
import json
import os
import sys
import tempfile
import time
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

_ENDS = 65_536
"""Bytes at either end of a log that its quick mark is made of."""
_MOST_FILES = 400
"""Kept files beyond this number are removed, the longest unused first."""
_ABANDONED_S = 86_400.0
"""Unfinished files older than this were left by a crash."""
_DOCUMENT = "document.json"


def default_folder() -> Path:
    """Where what was read is kept: ``$BENCHLAB_CACHE``, else the system's place for such files."""
    if told := os.environ.get("BENCHLAB_CACHE"):
        return Path(told)
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "benchlab"


def quick_mark(path: Path) -> str:
    """Return a mark of a file that is cheap to make and differs for nearly all others: its size and both its ends.

    Raises
    ------
    OSError
        If it is no file, or cannot be read.
    """
    if not path.is_file():  # a pipe would keep us waiting
        raise FileNotFoundError(path)
    digest = hashlib.sha256()
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        digest.update(str(size).encode())
        for at in (0, max(size - _ENDS, 0)):
            file.seek(at)
            digest.update(file.read(_ENDS))
    return digest.hexdigest()


@functools.cache
def code_mark() -> str:
    """Return a mark of this package's own code: what another version read is not taken for what this one would."""
    digest = hashlib.sha256()
    root = Path(__file__).parent
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def key_of(what: object) -> str:
    """Return the name of the file in which something is kept that depends on ``what`` (as JSON) and on the code."""
    text = json.dumps([code_mark(), what], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def store(folder: Path, key: str, content: object) -> None:
    """Keep ``content``: dataclasses, numbers, texts, tuples, mappings with text keys, arrays and tables.

    A folder that cannot be written to is no fault: nothing is kept.
    """
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w", zipfile.ZIP_STORED) as archive:
        writer = _Writer(archive)
        document = writer.plain(content)
        writer.finish()
        archive.writestr(_DOCUMENT, json.dumps(document))
    data = body.getvalue()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_old(folder)
        with tempfile.NamedTemporaryFile(prefix=".writing-", dir=folder, delete=False) as file:
            file.write(hashlib.sha256(data).hexdigest().encode() + b"\n" + data)
        Path(file.name).replace(folder / f"{key}.kept")
    except OSError:
        return


def is_kept(folder: Path, key: str) -> bool:
    """Tell whether something lies under a key; whether it is whole, ``fetch`` tells."""
    return (folder / f"{key}.kept").is_file()


def fetch(folder: Path, key: str, types: Sequence[type]) -> Any | None:
    """Return what was kept under a key, None where there is nothing whole; ``types``: the dataclasses it may hold."""
    path = folder / f"{key}.kept"
    try:
        data = path.read_bytes()
        head, _, body = data.partition(b"\n")
        if hashlib.sha256(body).hexdigest().encode() != head:
            path.unlink(missing_ok=True)
            return None
        os.utime(path)
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            return _Reader(archive, {t.__name__: t for t in types}).live(json.loads(archive.read(_DOCUMENT)))
    except (OSError, KeyError, TypeError, ValueError, zipfile.BadZipFile):
        return None


def _remove_old(folder: Path) -> None:
    kept = sorted(folder.glob("*.kept"), key=lambda p: p.stat().st_mtime)
    unfinished = [p for p in folder.glob(".writing-*") if time.time() - p.stat().st_mtime > _ABANDONED_S]
    for path in [*unfinished, *kept[: max(len(kept) - _MOST_FILES, 0)]]:
        path.unlink(missing_ok=True)


class _Writer:
    """Turns values into JSON, arrays and tables into members of the archive."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self._stacks: dict[object, list[pd.DataFrame]] = {}

    def plain(self, x: object) -> object:
        """Return the JSON form of a value."""
        if isinstance(x, np.generic):
            x = x.item()
        if x is None or isinstance(x, bool | int | float | str):
            return x
        if isinstance(x, list):
            return [self.plain(v) for v in x]
        if isinstance(x, tuple):
            return {"tuple": [self.plain(v) for v in x]}
        if isinstance(x, Mapping):
            return {"map": [[self.plain(k), self.plain(v)] for k, v in x.items()]}
        if isinstance(x, np.ndarray):
            return {
                "array": self._place(pd.DataFrame({"0": x.ravel()})),
                "shape": list(x.shape),
                "dtype": str(x.dtype),
            }
        if isinstance(x, pd.DataFrame):
            index = None if isinstance(x.index, pd.RangeIndex) else [x.index.name, self.plain(x.index.to_numpy())]
            bare = x.reset_index(drop=True).set_axis([str(i) for i in range(x.shape[1])], axis=1)
            return {"table": self._place(bare), "columns": [self.plain(c) for c in x.columns], "index": index,
                    "rows": len(x)}  # fmt: skip
        if dataclasses.is_dataclass(x) and not isinstance(x, type):
            fields = {f.name: self.plain(getattr(x, f.name)) for f in dataclasses.fields(x)}
            return {"type": type(x).__name__, "fields": fields}
        msg = f"{type(x).__name__} cannot be kept"
        raise TypeError(msg)

    def _place(self, table: pd.DataFrame) -> list[int]:
        """Put a table below those with the same columns; return the number of their stack and its rows there."""
        like = (tuple(table.columns), tuple(str(t) for t in table.dtypes))
        stack = self._stacks.setdefault(like, [])
        start = sum(len(t) for t in stack)
        stack.append(table)
        return [list(self._stacks).index(like), start, start + len(table)]

    def finish(self) -> None:
        """Write the stacks: few Parquet files instead of many small ones."""
        for i, stack in enumerate(self._stacks.values()):
            out = pa.BufferOutputStream()
            tables = [pa.Table.from_pandas(t, preserve_index=False) for t in stack]
            whole = pa.concat_tables(tables, promote_options="permissive")  # a column may be empty in one of them
            pq.write_table(whole, out, compression="none", use_dictionary=False)
            self._archive.writestr(f"{i}.parquet", out.getvalue())


class _Reader:
    """The way back."""

    def __init__(self, archive: zipfile.ZipFile, types: Mapping[str, type]) -> None:
        self._archive, self._types = archive, types
        self._stacks: dict[int, pa.Table] = {}

    def live(self, x: Any) -> Any:
        """Return the value that a JSON form stands for."""
        if isinstance(x, list):
            return [self.live(v) for v in x]
        if not isinstance(x, dict):
            return x
        if "tuple" in x:
            return tuple(self.live(v) for v in x["tuple"])
        if "map" in x:
            return {self.live(k): self.live(v) for k, v in x["map"]}
        if "array" in x:
            return self._table(x["array"])["0"].to_numpy().astype(x["dtype"]).reshape(x["shape"])
        if "table" in x:
            table = self._table(x["table"])
            table = table.set_axis([self.live(c) for c in x["columns"]], axis=1)
            if x["index"] is not None:
                name, values = x["index"]
                table = table.set_axis(pd.Index(self.live(values), name=name), axis=0)
            elif not len(table.columns):
                table = table.reindex(range(x["rows"]))
            return table
        return self._types[x["type"]](**{k: self.live(v) for k, v in x["fields"].items()})

    def _table(self, place: Sequence[int]) -> pd.DataFrame:
        number, start, stop = place
        if number not in self._stacks:
            file = pa.BufferReader(self._archive.read(f"{number}.parquet"))
            self._stacks[number] = pq.read_table(file, use_threads=False)
        table: pd.DataFrame = self._stacks[number].slice(start, stop - start).to_pandas()
        return table
