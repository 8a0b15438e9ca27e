"""Checksums made ahead are those of the bytes that are read, or none."""

from __future__ import annotations

import gzip
import hashlib
import os
import time
from pathlib import Path

import pytest

from benchlab import checksums
from benchlab.checksums import Ahead, begun, mark_of, sha256_of
from benchlab.errors import LogError
from benchlab.logs.reader import LogReader, read_log
from benchlab.procedure import load_procedures

LOG = "t_s,current_A\n" + "".join(f"{i / 10},{i % 7}.5\n" for i in range(5000))


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(checksums, "_begun", {})
    path = tmp_path / "log.csv"
    path.write_text(LOG)
    return path


def made(*paths: Path) -> None:
    ahead = Ahead(paths)
    ahead._thread.join(60)
    ahead.end()


def read_sha256(log: Path) -> str | None:
    return read_log(log, name=log.name, procedures=load_procedures()).sha256


def test_a_checksum_made_ahead_is_that_of_the_bytes(log: Path, tmp_path: Path) -> None:
    made(tmp_path / "missing.csv", log)
    true = hashlib.sha256(LOG.encode()).hexdigest()
    digest, done = begun(log, mark_of(log))
    assert (digest.hexdigest(), done) == (true, len(LOG))
    assert sha256_of(log) == read_sha256(log) == true


@pytest.mark.parametrize("done", [1, 4096, 5000, len(LOG) - 1, len(LOG)])
@pytest.mark.parametrize("block", [4096, 1 << 22])
def test_what_was_begun_is_gone_on_with(log: Path, monkeypatch: pytest.MonkeyPatch, done: int, block: int) -> None:
    monkeypatch.setattr("benchlab.logs.source.BLOCK", block)
    # a wrong beginning shows that it is taken, and that nothing else is wrong
    checksums._begun[str(log), mark_of(log)] = hashlib.sha256(b"another beginning"), done
    expected = hashlib.sha256(b"another beginning" + LOG[done:].encode()).hexdigest()
    assert sha256_of(log) == read_sha256(log) == expected


def test_of_a_packed_log_the_packed_bytes_count(log: Path) -> None:
    packed = log.with_name("log.csv.gz")
    packed.write_bytes(gzip.compress(LOG.encode()) + b"and something behind")
    content = packed.read_bytes()
    for done in (0, 100, len(content) - 5, len(content)):
        checksums._begun[str(packed), mark_of(packed)] = hashlib.sha256(content[:done]), done
        assert read_sha256(packed) == hashlib.sha256(content).hexdigest()


def test_a_file_changed_since_gets_its_own(log: Path) -> None:
    made(log)
    log.write_text(LOG.replace("6.5", "6.4"))
    true = hashlib.sha256(log.read_bytes()).hexdigest()
    assert sha256_of(log) == read_sha256(log) == true


def test_a_log_written_to_while_it_is_read_is_refused(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made(log)
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 4096)
    batches = LogReader(log, name="log.csv", procedures=load_procedures()).batches()
    next(batches)
    os.utime(log, ns=(0, 0))
    with pytest.raises(LogError, match="was written to while it was read"):
        list(batches)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_a_pipe_is_passed_over(log: Path) -> None:
    pipe = log.with_name("pipe.csv")
    os.mkfifo(pipe)
    made(pipe, log)
    assert begun(log, mark_of(log))[1] == len(LOG)


def test_it_can_be_ended_at_any_time(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(1 << 40)  # takes no room, and many minutes
    ahead, began = Ahead([large]), time.monotonic()
    ahead.end()
    assert time.monotonic() - began < 10
    assert begun(large, mark_of(large))[1] < 1 << 40
