"""What a servo's rows cost: processor time and memory of observing them, trends left out.

Run: ``python tests/benchmarks/servo_rows.py [million rows ...]``. One servo at 1 kHz, cycles of 4 s, seven columns in
scratch files as those of a long log are; every size in a process of its own. Own simulation, a million rows over and
over. Memory: how much more the process has held at once (VmHWM, Linux) than before it looked at the rows.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from benchlab.logs.record import Record, Scratch
from benchlab.procedure import load_procedures
from benchlab.servo.observe import observe_rows
from benchlab.servo.samples import join
from benchlab.simulate.servo import Bench, Traits, simulate_servo

PROCEDURE = load_procedures().servo


def rows(millions: int) -> Record:
    """A log of so many million rows."""
    bench = Bench(cycles=250, sampling_hz=1000.0, period_s=4.0)
    frame = simulate_servo(np.random.default_rng(1_600_000), bench, Traits()).frame
    columns = {name: Scratch(frame[name].to_numpy().dtype) for name in frame.columns}
    for i in range(millions):
        for name, column in columns.items():
            column.add(frame[name].to_numpy() + (i * len(frame) / 1000 if name == "time_s" else 0))
    return Record(columns=columns)


def most_held_mb() -> float:
    """Most memory that the process has held at once so far, MB."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return float(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024


def one(millions: int) -> None:
    """Print a line for one size."""
    record = rows(millions)
    small = simulate_servo(np.random.default_rng(1), Bench(cycles=20), Traits()).frame
    observe_rows(join([small], PROCEDURE), 7.4, PROCEDURE)  # what is imported late is imported
    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")  # VmHWM anew
    held, began = most_held_mb(), time.process_time()
    seen = observe_rows(join([record], PROCEDURE), 7.4, PROCEDURE)
    took = time.process_time() - began
    print(
        f"{len(record) / 1e6:5.1f} million rows: {took:.2f} s of processor, {1e9 * took / len(record):.0f} ns a row, "
        f"{most_held_mb() - held:.0f} MB more than before, {len(seen.cycles)} cycles",
        flush=True,
    )


if __name__ == "__main__":
    sizes = [int(a) for a in sys.argv[1:]] or [1, 4, 16]
    if len(sizes) == 1:
        one(sizes[0])
    else:
        for size in sizes:
            subprocess.run([sys.executable, __file__, str(size)], check=True)
