"""Logs of our own that are hard to read, each against what must be read from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchlab.procedure import Procedures
from tests.logs.nasty_logs import fault, nasty
from tests.logs.nasty_tools import Nasty


@pytest.mark.parametrize("log", nasty(), ids=lambda x: x.name)
def test_a_nasty_log_is_read_right(tmp_path: Path, procedures: Procedures, log: Nasty) -> None:
    (tmp_path / "log.csv").write_bytes(log.content)
    assert fault(log, tmp_path / "log.csv", procedures) is None
