"""General libraries against our own detection on logs: delimiter, encoding, header line, and the whole table.

Run: ``python tests/benchmarks/read_sniffers.py`` (needs clevercsv, charset-normalizer, chardet, duckdb and polars; one
that is missing is left out). The logs are those of tests/real_logs/csv_zoo (truth written down by their collector) and
our own nasty ones (truth: the dialect with which the values read agree with what was written, tests/logs/test_nasty.py;
our reader was mended until it read them, so that its own 100 % there says nothing about logs not seen).
Packed logs are unpacked first. An encoding counts as right if it decodes the file to the same text; plain ASCII is not
asked about. A table counts as right if it has the log's rows and columns and the columns of numbers are numeric.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import lzma
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchlab.errors import LogError
from benchlab.logs.reader import LogReader, read_log
from benchlab.logs.table import ReadLog
from benchlab.procedure import load_procedures
from tests.logs.nasty_logs import nasty

ZOO = Path(__file__).parents[1] / "real_logs" / "csv_zoo"
HEAD = 16 << 10
"""Bytes that the sniffers see: clevercsv takes a second for 256 KiB."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A log and its truth."""

    content: bytes
    path: Path
    delimiter: str | None
    """None: the log has one column, or names its values where they stand."""
    encoding: str
    header_line: int | None
    rows: int
    columns: int
    numeric: int

    @property
    def text(self) -> str:
        """The head of the log, rightly decoded."""
        return self.content[:HEAD].decode(self.encoding, "ignore").removeprefix("\ufeff").replace("\r\n", "\n")


def main() -> None:
    """Run and print the table."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        cases = [*_zoo(Path(folder)), *_nasty(Path(folder))]
        print(f"{len(cases)} logs; right answers of each kind, and the time for all")
        for kind, answers in (("delimiter", _delimiters()), ("encoding", _encodings()), ("header line", _headers()),
                              ("whole table", _tables())):  # fmt: skip
            print(f"\n{kind}")
            for name, (ask, right) in answers.items():
                _report(name, cases, ask, right)


def _report(
    name: str, cases: list[Case], ask: Callable[[Case], Any], right: Callable[[Case, Any], bool | None]
) -> None:
    good = asked = 0
    seconds = 0.0
    for case in cases:
        if right(case, None) is None:
            continue
        asked += 1
        start = time.process_time()
        try:
            answer = ask(case)
        except Exception:  # any failure of a library is a wrong answer here
            answer = LogError
        seconds += time.process_time() - start
        good += answer is not LogError and bool(right(case, answer))
    print(f"  {name:<32} {good:>4} of {asked}  ({100 * good / asked:.0f} %)  {1000 * seconds / asked:7.1f} ms each")


# --- the logs ---------------------------------------------------------------------------------------------------------


def _zoo(folder: Path) -> list[Case]:
    truth = json.loads((ZOO / "truth.json").read_text(encoding="utf-8"))
    out = []
    for name, t in truth.items():
        content = (ZOO / name).read_bytes()
        content = lzma.decompress(content) if name.endswith(".xz") else content
        path = folder / name.removesuffix(".xz")
        path.write_bytes(content)
        checks = t["column_check"]
        numeric = sum(c["n_numeric"] > 0 for c in checks)
        case = Case(
            content=content, path=path, delimiter=t["delimiter"], encoding=t["encoding"],
            header_line=t["header_line"], rows=t["n_rows"], columns=len(checks), numeric=numeric,
        )  # fmt: skip
        out.append(case)
    return out


def _nasty(folder: Path) -> list[Case]:
    procedures, out = load_procedures(), []
    for i, log in enumerate(nasty()):
        content = gzip.decompress(log.content) if log.content.startswith(b"\x1f\x8b") else log.content
        path = folder / f"{i}.csv"
        path.write_bytes(content)
        found = read_log(path, name="log", procedures=procedures)
        labelled = LogReader(path, name="log", procedures=procedures).labels is not None
        delimiter = None if labelled or found.delimiter == "" else found.delimiter
        numeric = sum(c.n_numeric > 0 for c in found.columns)
        out.append(Case(content=content, path=path, delimiter=delimiter, encoding=found.encoding,
                        header_line=found.header_line, rows=found.rows + found.rows_rejected,
                        columns=len(found.columns), numeric=numeric))  # fmt: skip
    return out


# --- who is asked -----------------------------------------------------------------------------------------------------


def _own() -> Callable[[Case], ReadLog]:
    procedures = load_procedures()
    return lambda case: read_log(case.path, name="log", procedures=procedures)


def _delimiters() -> dict[str, Any]:
    def right(case: Case, answer: Any) -> bool | None:
        return None if case.delimiter is None else answer == case.delimiter

    out: dict[str, Any] = {"benchlab (reads the whole log)": (lambda c: _OWN(c).delimiter, right)}
    out["csv.Sniffer"] = (lambda c: csv.Sniffer().sniff(c.text).delimiter, right)
    out["csv.Sniffer, told the candidates"] = (lambda c: csv.Sniffer().sniff(c.text, ",;\t| ").delimiter, right)
    try:
        import clevercsv

        out["clevercsv"] = (lambda c: clevercsv.Detector().detect(c.text).delimiter, right)
    except ImportError:
        pass
    try:
        import duckdb

        out["duckdb sniff_csv"] = (lambda c: _duckdb(duckdb, c)[0], right)
    except ImportError:
        pass
    return out


def _duckdb(duckdb: Any, case: Case) -> tuple[Any, ...]:
    row = (
        duckdb.connect().execute("select Delimiter, HasHeader, SkipRows from sniff_csv(?)", [str(case.path)]).fetchall()
    )
    return tuple(row[0])


def _encodings() -> dict[str, Any]:
    def right(case: Case, answer: Any) -> bool | None:
        if case.content.isascii() and b"\0" not in case.content[:64]:
            return None
        try:
            found = case.content.decode(answer).removeprefix("\ufeff")
        except (UnicodeDecodeError, LookupError, TypeError):
            return False
        return found == case.content.decode(case.encoding).removeprefix("\ufeff")

    out: dict[str, Any] = {"benchlab (reads the whole log)": (lambda c: _OWN(c).encoding, right)}
    try:
        import charset_normalizer

        out["charset-normalizer"] = (
            lambda c: charset_normalizer.from_bytes(c.content[: 256 << 10]).best().encoding,
            right,
        )
    except ImportError:
        pass
    try:
        import chardet

        out["chardet"] = (lambda c: chardet.detect(c.content[: 256 << 10])["encoding"], right)
    except ImportError:
        pass
    return out


def _headers() -> dict[str, Any]:
    def right(case: Case, answer: Any) -> bool:
        return answer == case.header_line

    out: dict[str, Any] = {"benchlab (reads the whole log)": (lambda c: _OWN(c).header_line, right)}
    out["csv.Sniffer"] = (lambda c: 1 if csv.Sniffer().has_header(c.text) else None, right)
    try:
        import clevercsv

        out["clevercsv"] = (lambda c: 1 if clevercsv.Detector().has_header(c.text) else None, right)
    except ImportError:
        pass
    try:
        import duckdb

        out["duckdb sniff_csv"] = (lambda c: (lambda r: r[2] + 1 if r[1] else None)(_duckdb(duckdb, c)), right)
    except ImportError:
        pass
    return out


def _tables() -> dict[str, Any]:
    import pandas as pd

    def right(case: Case, answer: Any) -> bool:
        return answer is not None and (case.rows, case.columns, case.numeric) == answer

    def shape(frame: pd.DataFrame) -> tuple[int, int, int]:
        filled = [c for c in frame.columns if frame[c].notna().any()]
        numeric = sum(pd.api.types.is_numeric_dtype(frame[c]) and frame[c].dtype != bool for c in filled)
        return len(frame), len(frame.columns), numeric

    def own(case: Case) -> tuple[int, int, int]:
        log = _OWN(case)
        return log.rows + log.rows_rejected, len(log.columns), sum(c.n_numeric > 0 for c in log.columns)

    def polars_shape(frame: Any) -> tuple[int, int, int]:
        numeric = sum(t.is_numeric() and not frame[:, i].is_null().all() for i, t in enumerate(frame.dtypes))
        return frame.height, frame.width, numeric

    out: dict[str, Any] = {
        "benchlab": (own, right),
        "pandas, defaults": (lambda c: shape(pd.read_csv(c.path)), right),
        "pandas, sep=None": (lambda c: shape(pd.read_csv(c.path, sep=None, engine="python")), right),
        "pandas, told all but the footer": (lambda c: shape(_told(pd, c)), right),
    }
    try:
        import polars

        out["polars, defaults"] = (lambda c: polars_shape(polars.read_csv(c.path)), right)
    except ImportError:
        pass
    return out


def _told(pd: Any, case: Case) -> Any:
    """Read with pandas, told encoding, delimiter and header line: what is left is the rows themselves."""
    separator = r"\s+" if case.delimiter == " " else case.delimiter or ","
    header = None if case.header_line is None else 0
    text = case.content.decode(case.encoding, "replace")
    lines = io.StringIO("\n".join(text.splitlines()[(case.header_line or 1) - 1 :]))
    return pd.read_csv(lines, sep=separator, header=header)


_OWN = _own()

if __name__ == "__main__":
    main()
