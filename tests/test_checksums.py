"""Checksums made ahead are those of the bytes that are read, or none."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path

import pytest

from benchlab import checksums
from benchlab.checksums import Ahead, known, mark_of, sha256_of
from benchlab.errors import LogError
from benchlab.logs.reader import LogReader, read_log
from benchlab.procedure import load_procedures

LOG = "t_s,current_A\n" + "".join(f"{i / 10},{i % 7}.5\n" for i in range(5000))


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(checksums, "_known", {})
    path = tmp_path / "log.csv"
    path.write_text(LOG)
    return path


def made(*paths: Path) -> None:
    ahead = Ahead(paths)
    ahead._thread.join(60)
    ahead.end()


def test_a_checksum_made_ahead_is_that_of_the_bytes(log: Path, tmp_path: Path) -> None:
    made(tmp_path / "missing.csv", log)
    true = hashlib.sha256(LOG.encode()).hexdigest()
    assert known(log, mark_of(log)) == sha256_of(log) == true
    assert read_log(log, name="log.csv", procedures=load_procedures()).sha256 == true


def test_it_is_taken_instead_of_making_it_again(log: Path) -> None:
    checksums._known[str(log), mark_of(log)] = "made ahead"
    assert sha256_of(log) == "made ahead"
    assert read_log(log, name="log.csv", procedures=load_procedures()).sha256 == "made ahead"


def test_a_file_changed_since_gets_its_own(log: Path) -> None:
    made(log)
    log.write_text(LOG.replace("6.5", "6.4"))
    true = hashlib.sha256(log.read_bytes()).hexdigest()
    assert sha256_of(log) == true
    assert read_log(log, name="log.csv", procedures=load_procedures()).sha256 == true


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
    assert known(log, mark_of(log)) is not None


def test_making_them_can_be_given_up(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(1 << 40)  # takes no room, and many minutes
    ahead, began = Ahead([large]), time.monotonic()
    ahead.end()
    assert time.monotonic() - began < 10
    assert known(large, mark_of(large)) is None
