"""The whole job against reading its logs: time, memory, what a second run costs, and the cost per row.

Run: ``python tests/benchmarks/run_speed.py [--rows 4000000] [--rounds 5] [--folder DIR] [--most 100000000]``.
Generates four servo logs (1 kHz, 7 columns; 4 million rows are about 150 MB each) and, in turns within one run,

1. reads them with the fastest bare CSV readers (polars, duckdb, pyarrow: whichever is installed),
2. runs ``benchlab run`` on them in a fresh process with nothing kept from before, imports and report included,
3. runs it again with another limit in the register,
4. runs the straightforward pandas script (``run_pandas_script.py``; in one process, as it would be written);

then the first three for logs of 4 n rows, peak memory (sum of the proportional set sizes of the process and its
workers, looked at every 20 ms) for logs of n and of 4 n rows, the demonstration, imports, the cost per row from 1e5
rows on, and whether results are the same to the byte for any number of workers. Times are medians of wall time; only
ratios within one run say something.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv

HERE = Path(__file__).parent
SERVOS, ROWS_A_CYCLE, CYCLES_A_PIECE = 4, 4000, 50
POLARS = "import polars, sys\nfor p in sys.argv[1:]: polars.read_csv(p)"
DUCKDB = "import duckdb, sys\nfor p in sys.argv[1:]: duckdb.sql(f\"select * from read_csv('{p}')\").to_arrow_table()"
PYARROW = "import pyarrow.csv, sys\nfor p in sys.argv[1:]: pyarrow.csv.read_csv(p)"
READERS = {"polars": POLARS, "duckdb": DUCKDB, "pyarrow": PYARROW}
SERVO = '[[servo]]\nid = "S{i}"\ntype = "25 kgf.cm"\nlog = "s{i}.csv"\n{limit}'
LIMIT = 'limits = { travel_deg = { settled = { lower = 20, source = "benchmark" } } }\n'


def write_log(path: Path, rows: int, seed: int) -> None:
    """Write one servo's log: high, neutral, low, neutral, a second each, with run-in, warming and noise."""
    rng = np.random.default_rng(seed)
    at = np.arange(ROWS_A_CYCLE) / 1000
    command = np.repeat([2000, 1500, 1000, 1500], ROWS_A_CYCLE // 4)
    goal, came = np.repeat([30.0, 0, -30, 0], ROWS_A_CYCLE // 4), np.repeat([0.0, 30, 0, -30], ROWS_A_CYCLE // 4)
    since = at % 1
    share = np.clip((since - 0.01) / 0.09, 0, 1)
    course = came + (goal - came) * share
    moves = (share > 0) & (share < 1)
    drawn = 0.05 + moves * (0.5 + 0.8 * np.exp(-since / 0.01))
    with path.open("wb") as file:
        for first in range(0, -(-rows // ROWS_A_CYCLE), CYCLES_A_PIECE):
            n = min(CYCLES_A_PIECE, -(-rows // ROWS_A_CYCLE) - first)
            k = np.repeat(first + np.arange(n), ROWS_A_CYCLE)
            m = len(k)
            current = np.tile(drawn, n) * (1 + 0.3 * np.exp(-k / 120)) + rng.normal(0, 0.01, m)
            position = np.tile(course, n) + 0.1 * np.exp(-k / 200) + rng.normal(0, 0.03, m)
            table = pa.table({
                "time_s": np.round(k * 4 + np.tile(at, n), 3), "command_us": np.tile(command, n),
                "position_deg": np.round(position, 2), "current_a": np.round(current, 3),
                "voltage_v": np.round(7.4 - 0.05 * current + rng.normal(0, 0.005, m), 3),
                "temperature_c": np.round(22 + 12 * (1 - np.exp(-k / 90)) + rng.normal(0, 0.05, m), 2), "cycle": k + 1,
            })  # fmt: skip
            table = table.slice(0, min(m, rows - first * ROWS_A_CYCLE))
            pyarrow.csv.write_csv(table, file, pyarrow.csv.WriteOptions(include_header=first == 0))


def write_airframe(folder: Path, rows: int, servos: int = SERVOS) -> list[Path]:
    """Write an airframe of so many servos, one log each."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"s{i}.csv" for i in range(servos)]
    for seed, path in enumerate(paths):
        if not path.exists():
            write_log(path, rows, seed)
    os.sync()  # writing them to the disk is not to go on while they are read
    register(folder, servos, "")
    return paths


def register(folder: Path, servos: int, limit: str) -> None:
    """Write the register, with the same limit for every servo."""
    text = "".join(SERVO.format(i=i, limit=limit) for i in range(servos))
    (folder / "airframe.toml").write_text('[airframe]\nid = "speed"\n' + text)


def run(folder: Path, out: Path, kept: Path, *options: str) -> list[str]:
    """Command and environment of one run."""
    os.environ["BENCHLAB_CACHE"] = str(kept)
    return [sys.executable, "-m", "benchlab", "run", str(folder), "--out", str(out), "--quiet", *options]


def timed(command: Sequence[str], allowed: tuple[int, ...] = (0, 1)) -> float:
    """Wall time (s) of a process."""
    began = time.perf_counter()
    status = subprocess.run(command, stdout=subprocess.DEVNULL, check=False).returncode
    if status not in allowed:
        raise SystemExit(f"{command} ended with {status}")
    return time.perf_counter() - began


def peak_mb(command: Sequence[str]) -> float:
    """Peak of the proportional set sizes of a process and all below it (MB)."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    peak = 0
    while process.poll() is None:
        peak = max(peak, sum(_pss_kb(pid) for pid in _family(process.pid)))
        time.sleep(0.02)
    return peak / 1024


def _family(pid: int) -> list[int]:
    try:
        below = [int(c) for t in Path(f"/proc/{pid}/task").iterdir() for c in (t / "children").read_text().split()]
    except OSError:
        return []
    return [pid, *(p for c in below for p in _family(c))]


def _pss_kb(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:")), 0)


def main() -> None:
    """Run everything and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=4_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--most", type=int, default=16_000_000, help="largest log of the cost per row")
    given = parser.parse_args()
    top = given.folder or Path(tempfile.mkdtemp(prefix="run-speed-"))
    try:
        _times(top, "four", given.rows, given.rounds, script=True)
        _same_bytes(top, given.rows)
        _times(top, "long", 4 * given.rows, min(given.rounds, 3), script=False)
        _memory(top, given.rows)
        _small(top, given.rounds)
        _per_row(top, given.most)
    finally:
        if given.folder is None:
            shutil.rmtree(top)


def _times(top: Path, name: str, rows: int, rounds: int, *, script: bool) -> None:
    folder, out, kept = top / name, top / "out", top / "kept"
    logs = [str(p) for p in write_airframe(folder, rows)]
    readers = {name: code for name, code in READERS.items() if importlib.util.find_spec(name)}
    times: dict[str, list[float]] = {}

    def note(name: str, seconds: Callable[[], float]) -> None:
        times.setdefault(name, []).append(seconds())

    for _ in range(rounds):
        for reader, code in readers.items():
            note(reader, lambda code=code: timed([sys.executable, "-c", code, *logs]))
        shutil.rmtree(kept, ignore_errors=True)
        register(folder, SERVOS, "")
        note("first run", lambda: timed(run(folder, out, kept)))
        register(folder, SERVOS, LIMIT)
        note("second run", lambda: timed(run(folder, out, kept)))
        if script:
            note("pandas script", lambda: timed([sys.executable, str(HERE / "run_pandas_script.py"), *logs]))
    register(folder, SERVOS, "")
    median = {name: statistics.median(x) for name, x in times.items()}
    print(f"4 logs of {rows} rows, {rounds} rounds")
    for name, seconds in median.items():
        print(f"{name:16s} {seconds:7.2f} s   {min(times[name]):.2f} to {max(times[name]):.2f}", flush=True)
    bare = min(median[name] for name in readers)
    first = median["first run"]
    print(f"first run / fastest bare read      {first / bare:.2f}   (aim 1.5)")
    if script:
        print(f"first run / pandas script          {first / median['pandas script']:.2f}   (aim 0.4)")
    print(f"second run / first run             {median['second run'] / first:.2f}   (aim 0.15)", flush=True)


def _same_bytes(top: Path, rows: int) -> None:
    folder, out = top / "four", top / "out"
    write_airframe(folder, rows)
    same = []
    for jobs in ("1", "2", "4"):
        timed(run(folder, out, top / f"kept{jobs}", "--jobs", jobs))
        same.append([(p.name, p.read_bytes()) for p in sorted((out / "speed").iterdir())])
    print("same bytes with 1, 2 and 4 workers:", all(x == same[0] for x in same), flush=True)


def _memory(top: Path, rows: int) -> None:
    peaks = []
    for name, n in (("four", rows), ("long", 4 * rows)):
        folder = top / name
        write_airframe(folder, n)
        shutil.rmtree(top / "kept", ignore_errors=True)
        peaks.append(peak_mb(run(folder, top / "out", top / "kept")))
        print(f"peak memory, 4 logs of {n} rows: {peaks[-1]:.0f} MB   (aim 700)", flush=True)
    print(f"ratio                              {peaks[1] / peaks[0]:.2f}   (aim 1.2)", flush=True)
    shutil.rmtree(top / "long")


def _small(top: Path, rounds: int) -> None:
    demo = [sys.executable, "-m", "benchlab", "demo", str(top / "demo"), "--out", str(top / "out"), "--quiet"]
    seconds = []
    for _ in range(rounds):
        shutil.rmtree(top / "demo", ignore_errors=True)
        seconds.append(timed(demo))
    print(f"demonstration, shell to report     {statistics.median(seconds):.2f} s   (aim 3)")
    imports = [sys.executable, "-c", "import benchlab.run, benchlab.cli"]
    print(
        f"imports                            {statistics.median(timed(imports) for _ in range(rounds)):.2f} s   (aim 1)"
    )


def _per_row(top: Path, most: int) -> None:
    """Cost of a further row, by the number of rows: one log, one worker; what does not grow with the log is taken off.

    Cycles grow with the rows; the trends over them, at most a few tenths of a second, are in it.
    """
    rows, before = 100_000, (0, 0.0)
    while rows <= most:
        folder = top / f"rows{rows}"
        write_airframe(folder, rows, servos=1)
        seconds = []
        for _ in range(5 if rows < 2_000_000 else 3):
            shutil.rmtree(top / "k", ignore_errors=True)
            seconds.append(timed(run(folder, top / "out", top / "k", "--jobs", "1")))
        shutil.rmtree(folder)
        now = rows, statistics.median(seconds)
        more = f"{1e6 * (now[1] - before[1]) / (now[0] - before[0]):.3f} us a row" if before[0] else ""
        print(f"{rows:11d} rows: {now[1]:7.2f} s   {more}", flush=True)
        rows, before = 4 * rows, now


if __name__ == "__main__":
    main()
