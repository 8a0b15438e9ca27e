"""Reading time against the fastest bare CSV read of the same file; processor time and peak memory by size of the log.

Run: ``python tests/benchmarks/read_size.py [--rows 840000]`` (150 MB). The log is of 8 servos (27 columns). Times are
the best of five rounds in this run, the readers taking turns, so that only their ratio counts: by the clock on the
wall, and by the processor (all threads), which other work on the machine disturbs less. Processor time per row and peak
memory are those of fresh processes that read a log of n and of 10 n rows whole (``read_log``) and in a stream
(``iter_batches``).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv

from benchlab.logs.reader import read_log
from benchlab.procedure import load_procedures

WHOLE = "log = read_log(path, name='log', procedures=procedures, kind='servo_cycling'); n = log.rows"
STREAM = """
for tables in iter_batches(path, name="log", procedures=procedures, kind="servo_cycling"):
    n += len(tables["1"])
"""
FRESH = """
import re, sys, time
from pathlib import Path
from benchlab.logs.reader import iter_batches, read_log
from benchlab.procedure import load_procedures
path, procedures, n = Path(sys.argv[1]), load_procedures(), 0
before = time.process_time()
{read}
took = time.process_time() - before
status = Path("/proc/self/status").read_text()  # getrusage would count what the parent held before exec
peak = int(re.search(r"VmHWM:\\s*(\\d+)", status)[1]) // 1024
print(f"{{n}} rows: {{took / n * 1e6:.2f}} us of processor time a row, peak {{peak}} MiB")
"""


def write_log(path: Path, rows: int) -> None:
    """Write a log of 8 servos at 100 Hz."""
    rng = np.random.default_rng(1)
    with path.open("w") as file:
        for start in range(0, rows, 100_000):
            n = min(100_000, rows - start)
            k = start + np.arange(n)
            columns = {"t_s": np.round(k * 0.01, 2), "command_us": np.where(k // 100 % 2, 1900, 1100)}
            columns["voltage_V"] = np.round(7.4 + rng.normal(0, 0.01, n), 3)
            for s in range(1, 9):
                columns[f"pos{s}_deg"] = np.round(30 * np.sin(k * 0.01 + s), 3)
                columns[f"current{s}_A"] = np.round(0.3 + rng.normal(0, 0.02, n), 4)
                columns[f"temp{s}_C"] = np.round(30 + rng.normal(0, 0.1, n), 2)
            pd.DataFrame(columns).to_csv(file, index=False, header=start == 0)


def best_of_five(readers: dict[str, Callable[[], object]]) -> dict[str, tuple[float, float]]:
    """Return the shortest times in s of each reader: on the wall, and of the processor."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in readers}
    for _ in range(5):
        for name, read in readers.items():
            wall, processor = time.perf_counter(), time.process_time()
            read()
            times[name].append((time.perf_counter() - wall, time.process_time() - processor))
    return {name: (min(t[0] for t in found), min(t[1] for t in found)) for name, found in times.items()}


def print_times(log: Path) -> None:
    """Print what each reader takes, and the ratio to the fastest bare one."""
    procedures = load_procedures()
    readers: dict[str, Callable[[], object]] = {
        "benchlab": lambda: read_log(log, name="log", procedures=procedures, kind="servo_cycling"),
        "pandas": lambda: pd.read_csv(log),
        "pyarrow": lambda: pyarrow.csv.read_csv(log),
    }
    try:
        import duckdb
        import polars

        readers["polars"] = lambda: polars.read_csv(log)
        readers["duckdb"] = lambda: duckdb.read_csv(str(log)).fetchnumpy()
    except ImportError:
        pass
    times = best_of_five(readers)
    print(f"{log.stat().st_size / 1e6:.0f} MB, s on the wall / of the processor:")
    print(", ".join(f"{k} {wall:.2f} / {processor:.2f}" for k, (wall, processor) in times.items()))
    for i, what in enumerate(("wall", "processor")):
        fastest = min(t[i] for k, t in times.items() if k != "benchlab")
        print(f"ratio to the fastest bare read, {what}: {times['benchlab'][i] / fastest:.2f}")


def main() -> None:
    """Run and print times, ratio and peak memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=840_000)
    parser.add_argument("--memory-only", action="store_true")
    arguments = parser.parse_args()
    rows = arguments.rows
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        if not arguments.memory_only:
            write_log(log, rows)
            print_times(log)
        for n in (rows // 4, rows // 4 * 10):
            write_log(log, n)
            for what, read in (("whole", WHOLE), ("streamed", STREAM)):
                command = [sys.executable, "-c", FRESH.format(read=read), str(log)]
                out = subprocess.run(command, capture_output=True, text=True, check=True)
                print(f"{what}, {log.stat().st_size / 1e6:.0f} MB, {out.stdout.strip()}")


if __name__ == "__main__":
    main()
