"""Round trip of canonical tables through random dialects: 500 of 500 must read back to the written precision.

Run: ``python tests/benchmarks/read_roundtrip.py [--logs 500] [--seed 1]``. Encoding, delimiter, decimal mark, clock,
units, preamble, missing words, line ends, quoting, thousands marks and compression are drawn at random.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
import warnings
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchlab.errors import LogError
from benchlab.procedure import load_procedures
from tests.logs.log_writer import Written, logs
from tests.logs.test_roundtrip import difference


def main() -> None:
    """Run and print the failures, then how many read back right."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    warnings.simplefilter("ignore")
    random.seed(arguments.seed)
    procedures = load_procedures()
    done: list[str | None] = []

    @seed(arguments.seed)
    @settings(
        max_examples=arguments.logs, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(written=logs())
    def run(written: Written) -> None:
        try:
            wrong = difference(written, procedures)
        except LogError as error:
            wrong = str(error)
        done.append(wrong)
        if wrong:
            print(wrong, written.kind, written.dialect, sep="\n  ")

    start = time.perf_counter()
    run()
    right = sum(x is None for x in done)
    print(f"{right} of {len(done)} read back right in {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
