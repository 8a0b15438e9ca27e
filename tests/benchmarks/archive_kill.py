"""Kill -9 the sealing of an archive at random moments: afterwards there is no bag under its name, or a whole one.

    python tests/benchmarks/archive_kill.py DIR [--times 200] [--real]

``DIR`` is an airframe's folder. Half of the moments are drawn over the time of the work, half over its calls of the
operating system, so that copying, flushing, signing and renaming are hit as well. Without ``--real`` a stand-in for the
run is used, which takes milliseconds; with ``--real`` the whole job is run.
"""

import argparse
import collections
import functools
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchlab.evidence.bag import STAGING_PREFIX
from benchlab.evidence.check import check_bag
from benchlab.evidence.package import archive_airframe
from benchlab.run import run_airframe
from tests.evidence.killing import count_calls, kill_at
from tests.evidence.toy import run as toy_run


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--real", action="store_true")
    options = parser.parse_args()
    run, rng = run_airframe if options.real else toy_run, np.random.default_rng(200)
    found: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as temporary:
        work = Path(temporary)
        key = work / "key"
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
        start = time.perf_counter()
        archive_airframe(options.folder, work / "timed", run=run, sign=key)
        whole_s = time.perf_counter() - start
        calls = count_calls(lambda: archive_airframe(options.folder, work / "counted", run=run, sign=key))
        for number in range(options.times):
            out = work / f"out{number}"
            seal = functools.partial(archive_airframe, options.folder, out, run=run, sign=key)
            if number % 2:
                kill_at(int(rng.integers(calls)), seal)
            else:
                kill_after(float(rng.uniform(0, 1.05 * whole_s)), seal)
            found[state(out)] += 1
            subprocess.run(["rm", "-r", "-f", str(out)], check=True)
    print(f"{options.times} kills within {whole_s:.2f} s or {calls} places: {dict(found)}")
    assert not found["BROKEN"]


def kill_after(seconds: float, work: Callable[[], object]) -> None:
    child = os.fork()
    if child == 0:
        work()
        os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def state(out: Path) -> str:
    """Say what lies under the name of the archive."""
    bags = [p for p in out.iterdir() if not p.name.startswith(STAGING_PREFIX)] if out.exists() else []
    if not bags:
        return "no bag, unfinished folder" if out.exists() and any(out.iterdir()) else "no bag"
    whole = check_bag(bags[0]).valid and (bags[0] / "tagmanifest-sha512.txt.sig").is_file()
    return "whole bag" if whole else "BROKEN"


if __name__ == "__main__":
    main()
