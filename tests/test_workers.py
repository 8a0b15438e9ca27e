"""Several logs at once, and what is kept between runs: neither changes a byte of the results."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from benchlab import bundles, workers
from benchlab.airframe import load_airframe
from benchlab.bundles import bundles_of
from benchlab.errors import BenchlabError
from benchlab.run import run_airframe
from benchlab.simulate.servo import Bench, healthy_traits, simulate_servo

REGISTER = """
[airframe]
id = "W1"
[[servo]]
id = "S1"
type = "A"
log = "one.csv"
[[servo]]
id = "S2"
type = "A"
log = "two.csv"
[[servo]]
id = "S3"
type = "A"
log = ["three.csv", "missing.csv"]
[[circuit]]
id = "C1"
log = "circuit.csv"
servos = ["S1", "S2"]
"""


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("airframe")
    (folder / "airframe.toml").write_text(REGISTER)
    rng = np.random.default_rng(5)
    for name in ("one", "two", "three"):
        simulated = simulate_servo(rng, Bench(cycles=40), healthy_traits(rng))
        simulated.frame.drop(columns="segment", errors="ignore").to_csv(folder / f"{name}.csv", index=False)
    rows = "".join(f"{t / 10:.1f},{0.5 + 0.01 * rng.standard_normal():.3f},7.4\n" for t in range(600))
    (folder / "circuit.csv").write_text("time [s],current [A],voltage [V]\n" + rows)
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((folder / "W1").iterdir())}


def run(folder: Path, out: Path, **how) -> dict[str, bytes]:
    run_airframe(folder, out, **how)
    return files(out)


def copy(laid_out: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "airframe"
    folder.mkdir()
    for path in laid_out.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


def test_parts_that_share_a_log_are_one_bundle(tmp_path):
    (tmp_path / "airframe.toml").write_text(
        '[airframe]\nid = "A"\n'
        + "".join(
            f'[[servo]]\nid = "{i}"\nchannel = "{i}"\nlog = {json.dumps(log)}\n'
            for i, log in (("a", ["1.csv"]), ("b", ["2.csv"]), ("c", ["3.csv", "1.csv"]), ("d", ["2.csv"]))
        )
        + '[[tank]]\nid = "t"\n[[pack]]\nid = "p"\n'
    )
    found = [(b.logs, b.parts) for b in bundles_of(load_airframe(tmp_path))]
    assert found == [(("1.csv", "3.csv"), ("a", "c")), (("2.csv",), ("b", "d")), ((), ("t",))]


def test_any_number_of_workers_gives_the_same_bytes(laid_out, tmp_path):
    one = run(laid_out, tmp_path / "1", jobs=1)
    assert run(laid_out, tmp_path / "2", jobs=2) == one
    assert run(laid_out, tmp_path / "7", jobs=7) == one
    assert b"missing.csv" in one["results.json"]
    assert {"report.html", "results.json", "cycles.parquet", "rejected_rows.csv"} == set(one)


@pytest.mark.parametrize("jobs", [1, 2])
def test_the_share_that_is_done_only_grows(laid_out, tmp_path, jobs):
    told = []
    run(laid_out, tmp_path, jobs=jobs, progress=lambda what, share=None: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert shares[-1] < 1.0
    assert any("to go" in what for what, _ in told)


def test_a_second_run_gives_the_same_bytes_without_reading_rows(laid_out, tmp_path, monkeypatch):
    kept = tmp_path / "kept"
    first = run(laid_out, tmp_path / "1", jobs=2, kept=kept)
    assert len(list(kept.iterdir())) == 2  # S3 has a log that is missing: nothing of it is kept

    def refuse(records, part, procedure):
        assert part.id == "S3", "its rows were kept"
        raise AssertionError

    monkeypatch.setattr(bundles, "observe_servo", refuse)
    assert run(laid_out, tmp_path / "2", kept=kept) == first
    assert run(laid_out, tmp_path / "3", jobs=2, kept=kept) == first


def test_a_new_limit_judges_what_was_kept(laid_out, tmp_path):
    folder, kept = copy(laid_out, tmp_path), tmp_path / "kept"
    run(folder, tmp_path / "1", kept=kept)
    before = sorted(p.name for p in kept.iterdir())
    limit = 'limits = { travel_deg = { settled = { lower = 500, source = "x" } } }\n'
    (folder / "airframe.toml").write_text(REGISTER.replace('id = "S1"\n', 'id = "S1"\n' + limit))
    results = json.loads(run(folder, tmp_path / "2", kept=kept)["results.json"])
    assert sorted(p.name for p in kept.iterdir()) == before
    assert {p["id"]: p["verdict"] for p in results["parts"]}["S1"] == "reject"


def test_one_changed_byte_in_the_middle_of_a_log_is_read_anew(laid_out, tmp_path):
    folder, kept = copy(laid_out, tmp_path), tmp_path / "kept"
    first = json.loads(run(folder, tmp_path / "1", kept=kept)["results.json"])
    data = bytearray((folder / "one.csv").read_bytes())
    middle = data.index(b"\n", len(data) // 2) - 1  # the last digit of a row
    data[middle] = ord("7") if data[middle] != ord("7") else ord("8")
    (folder / "one.csv").write_bytes(data)
    second = json.loads(run(folder, tmp_path / "2", kept=kept)["results.json"])
    sums = [[log["sha256"] for log in r["logs"]] for r in (first, second)]
    assert sums[0][0] != sums[1][0]
    assert sums[0][1:] == sums[1][1:]


@pytest.mark.parametrize("damage", ["flip", "cut", "empty"])
def test_a_damaged_kept_file_is_passed_over(laid_out, tmp_path, damage):
    kept = tmp_path / "kept"
    first = run(laid_out, tmp_path / "1", kept=kept)
    for path in kept.iterdir():
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 4
        path.write_bytes({"flip": data, "cut": data[: len(data) // 2], "empty": b""}[damage])
    assert run(laid_out, tmp_path / "2", jobs=2, kept=kept) == first


FORKED = pytest.mark.skipif(sys.platform != "linux", reason="only a forked worker knows what a test replaces")


@FORKED
def test_a_worker_that_is_killed_is_told_in_one_line(laid_out, tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "do_bundle", lambda job, bundle: os._exit(9))
    with pytest.raises(BenchlabError, match="--jobs 1"):
        run_airframe(laid_out, tmp_path / "1", jobs=2)


@FORKED
def test_an_interrupt_ends_the_workers(laid_out, tmp_path, monkeypatch):
    began = time.monotonic()

    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(workers, "do_bundle", lambda job, bundle: time.sleep(60))
    monkeypatch.setattr(workers, "wait", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run_airframe(laid_out, tmp_path / "1", jobs=2)
    assert time.monotonic() - began < 30


HALF_AN_ANSWER = """
import multiprocessing.connection, os, signal, sys, time
from pathlib import Path
from benchlab import workers
from benchlab.airframe import load_airframe
from benchlab.bundles import Done, Job
from benchlab.procedure import load_procedures

def half(self, data, write=os.write):
    write(self._handle, bytes(data)[: len(data) // 2])
    os.kill(os.getppid(), signal.SIGINT)
    time.sleep(60)

def answer(job, bundle):
    multiprocessing.connection.Connection._send = half
    return Done(faults=["x" * 100_000])

workers.do_bundle = answer
airframe = load_airframe(Path(sys.argv[1]))
try:
    workers.do_bundles(Job(airframe=airframe, procedures=load_procedures(), kept=None), 2)
except KeyboardInterrupt:
    print("stopped")
"""


@FORKED
def test_an_interrupt_within_a_workers_answer_leaves_nobody_waiting(laid_out):
    done = subprocess.run(
        [sys.executable, "-c", HALF_AN_ANSWER, str(laid_out)], capture_output=True, text=True, timeout=30, check=False
    )
    assert (done.returncode, done.stdout) == (0, "stopped\n"), done.stderr
