"""Logs of assorted loggers and instruments (open data, see tests/real_logs/csv_zoo/SOURCE.md) against their truth."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from benchlab.logs.describe import as_json
from benchlab.logs.reader import read_log
from benchlab.logs.screen import as_text
from benchlab.procedure import Procedures

ZOO = Path(__file__).parents[1] / "real_logs" / "csv_zoo"
TRUTH: dict[str, dict[str, Any]] = json.loads((ZOO / "truth.json").read_text(encoding="utf-8"))
# what the truth calls the same thing by a narrower name: all ASCII is UTF-8, and these Latin-1 bytes are cp1252's too
ENCODING = {"ascii": "utf-8", "latin-1": "cp1252"}


@pytest.fixture(scope="module")
def procedures_() -> Procedures:
    from benchlab.procedure import load_procedures

    return load_procedures()


@pytest.mark.parametrize("name", TRUTH)
def test_dialect_rows_and_columns_are_read_right(name: str, procedures_: Procedures) -> None:
    truth = TRUTH[name]
    log = read_log(ZOO / name, name=name, procedures=procedures_)
    found = as_json(log)
    assert found["encoding"] == ENCODING.get(truth["encoding"], truth["encoding"])
    for key in ("bom", "delimiter", "decimal", "header_line", "units_line", "first_data_line"):
        assert found[key] == truth[key], key
    assert (found["rows"], found["rows_rejected"]) == (truth["n_rows"], 0)
    if truth["header_line"] is not None:
        assert [c["name"] for c in found["columns"]][: len(truth["columns"])] == truth["columns"]
    assert as_text(log).startswith(name)


@pytest.mark.parametrize("name", TRUTH)
def test_every_column_holds_the_right_numbers(name: str, procedures_: Procedures) -> None:
    checks = TRUTH[name]["column_check"]
    columns = as_json(read_log(ZOO / name, name=name, procedures=procedures_))["columns"]
    assert len(columns) == len(checks)
    for column, check in zip(columns, checks, strict=True):
        assert (column["n_numeric"], column["n_missing"]) == (check["n_numeric"], check["n_missing"])
        # the truth gives this one column, written 151.303.000 for ms, in s
        scale = 1000 if name.startswith("pressure_hold_dots") and column["index"] == 1 else 1
        for key in ("min", "max", "mean"):
            if check.get(key) is None:
                assert column[key] is None
            else:  # the truth is rounded to 9 decimals
                assert math.isclose(column[key] / scale, check[key], rel_tol=1e-6, abs_tol=1e-8), (column, key)
