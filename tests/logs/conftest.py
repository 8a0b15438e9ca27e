from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchlab.airframe import LogHelp
from benchlab.logs.reader import read_log
from benchlab.logs.table import ReadLog
from benchlab.procedure import Procedures, load_procedures


@pytest.fixture(scope="session")
def procedures() -> Procedures:
    return load_procedures()


@pytest.fixture
def read(tmp_path: Path, procedures: Procedures) -> Callable[..., ReadLog]:
    """Write a log and read it: ``read(text_or_bytes, kind=None, **help)``."""

    def write_and_read(content: str | bytes, kind: Any = None, **help_: Any) -> ReadLog:
        path = tmp_path / "log.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_log(path, name="log.csv", procedures=procedures, kind=kind, help=LogHelp(**help_))

    return write_and_read
