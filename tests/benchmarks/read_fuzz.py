"""Fuzz: damaged logs must end in rows kept + rejected = data rows or in one line, within 2 s per MiB.

Run: ``python tests/benchmarks/read_fuzz.py [--files 100000] [--seed 1]``. Prints every fault and the slowest file
(processor time; the first file that needs a schema pays for the import of its library).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchlab.procedure import load_procedures
from tests.logs.log_mutator import damaged, samples
from tests.logs.test_fuzz import fault_of


def main() -> None:
    """Run and print the faults, then the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    warnings.simplefilter("error")
    procedures, logs = load_procedures(), samples()
    rng = np.random.default_rng(arguments.seed)
    faults, slowest, start = 0, 0.0, time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for i in range(arguments.files):
            content = damaged(logs[i % len(logs)], rng)
            begin = time.process_time()
            try:
                fault = fault_of(content, Path(folder) / "log", procedures)
            except Exception:
                fault = traceback.format_exc(limit=-2)
            if (i + 1) % 5000 == 0:
                print(f"{i + 1} files, {faults} faults, slowest {slowest:.2f} s", flush=True)
            slowest = max(slowest, time.process_time() - begin)
            if fault:
                faults += 1
                print(f"file {i}: {fault}", flush=True)
                if faults <= 20:
                    Path(f"fuzz_fault_{i}.log").write_bytes(content)
    seconds = time.perf_counter() - start
    print(f"{faults} faults in {arguments.files} files, {seconds:.0f} s, slowest file {slowest:.2f} s")


if __name__ == "__main__":
    main()
