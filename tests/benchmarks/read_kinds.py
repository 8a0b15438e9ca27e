"""Processor time of reading logs of many kinds, over that of the parser alone on plain numbers of as many bytes.

Run: ``python tests/benchmarks/read_kinds.py [--rows 500000]``. The parser alone is ``pyarrow.csv`` on one thread, with
the types of the columns given. Best of three rounds, parser and reader by turns. Where odd lines are named, one line in
a thousand is odd.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from benchlab.logs.reader import read_log
from benchlab.procedure import load_procedures

EVERY = 997


def logs(n: int) -> Iterator[tuple[str, str]]:
    """Yield what is special about a log, and its text."""
    rng = np.random.default_rng(3)
    time_s = np.round(np.arange(n) / 100, 2)
    current = np.round(0.3 + rng.normal(0, 0.02, n), 4)
    rest = {
        "command_us": np.where(time_s % 4 < 2, 1900, 1100), "position_deg": np.round(30 * np.sin(time_s), 3),
        "current_A": current, "voltage_V": np.round(7.4 + rng.normal(0, 0.01, n), 3),
    }  # fmt: skip
    holes = np.where(rng.random(n) < 0.05, np.nan, current)
    stamps = np.datetime64("2024-05-16T11:59:50.000") + (np.arange(n) * 10).astype("timedelta64[ms]")
    iso = np.datetime_as_string(stamps, unit="ms")

    def text(columns: dict[str, object], **written: object) -> str:
        return str(pd.DataFrame(columns).to_csv(index=False, **written))  # type: ignore[call-overload]

    plain = text({"t_s": time_s, **rest})
    yield "plain numbers", plain
    yield "a clock that jitters", text({"t_s": np.round(np.cumsum(rng.uniform(0.009, 0.011, n)), 6), **rest})
    yield "milliseconds from a start", text({"t_ms": np.arange(n) * 10 + 123456, **rest})
    yield "seconds since 1970", text({"time": np.round(1.7e9 + time_s, 2), **rest})
    yield "stamps, local", text({"Date Time": np.char.replace(iso, "T", " "), **rest})
    yield "stamps with offset", text({"Timestamp": np.char.add(iso, "+02:00"), **rest})
    yield "day first", text({"Date Time": pd.Series(stamps).dt.strftime("%d.%m.%Y %H:%M:%S.%f"), **rest})
    yield "times of day", text({"Time": [x[11:] for x in iso], **rest})
    yield "whole seconds, many rows each", text({"t_s": np.floor(time_s), **rest})
    yield "holes", text({"t_s": time_s, **rest, "current_A": holes})
    yield "words for holes", text({"t_s": time_s, **rest, "current_A": holes}, na_rep="NaN")
    yield "decimal comma", text({"t_s": time_s, **rest}, sep=";", decimal=",")
    yield "blanks between", text({"t_s": time_s, **rest}, sep=" ")
    yield "CR LF", text({"t_s": time_s, **rest}, lineterminator="\r\n")
    yield (
        "columns of words",
        text({"t_s": time_s, **rest, "phase": np.where(time_s % 4 < 2, "up", "down"), "note": "ok"}),
    )
    yield "two servos by turns", text({"t_s": time_s, "servo": np.array(["S1", "S2"])[np.arange(n) % 2], **rest})
    odd: dict[str, Callable[[str], str]] = {
        "a cell too many": lambda line: line + ",9", "comments": lambda _: "# note",
        "a cell that is no number": lambda line: line.replace(".", ".x", 1),
        "a value out of bounds": lambda line: line.rpartition(",")[0] + ",99999",
    }  # fmt: skip
    for what, spoil in odd.items():
        lines = plain.splitlines()
        lines[EVERY::EVERY] = [spoil(line) for line in lines[EVERY::EVERY]]
        yield f"odd lines: {what}", "\n".join(lines) + "\n"


def processor_s(work: Callable[[], object]) -> float:
    """Return the processor time that something takes."""
    before = time.process_time()
    work()
    return time.process_time() - before


def main() -> None:
    """Run and print a line for each kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=500_000)
    rows = parser.parse_args().rows
    procedures = load_procedures()
    with tempfile.TemporaryDirectory() as folder:
        plain, path = Path(folder) / "plain.csv", Path(folder) / "log.csv"
        plain.write_text(next(logs(rows))[1])
        names = plain.open().readline().strip().split(",")
        convert = pyarrow.csv.ConvertOptions(column_types=dict.fromkeys(names, pa.float64()))
        one_thread = pyarrow.csv.ReadOptions(use_threads=False)
        read_log(plain, name="log", procedures=procedures, kind="servo_cycling")  # imports what is imported late
        for what, text in logs(rows):
            path.write_bytes(text.encode())
            times = [
                (
                    processor_s(lambda: pyarrow.csv.read_csv(plain, one_thread, convert_options=convert)),
                    processor_s(lambda: read_log(path, name="log", procedures=procedures, kind="servo_cycling")),
                )
                for _ in range(3)
            ]
            bare, own = (min(t) for t in zip(*times, strict=True))
            ratio = own / bare * plain.stat().st_size / path.stat().st_size
            print(f"{what:<40} {own / rows * 1e6:6.2f} us a row, {ratio:5.2f} times the parser alone", flush=True)


if __name__ == "__main__":
    main()
