"""A canonical table written in any dialect reads back to the written precision (500 more in tests/benchmarks)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings

from benchlab.logs.reader import read_log
from benchlab.procedure import Procedures
from tests.logs.log_writer import Written, logs


def difference(written: Written, procedures: Procedures) -> str | None:
    """Read a written log back; return what is not as it was written, None if all is."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log"
        path.write_bytes(written.content)
        log = read_log(path, name="log", procedures=procedures, kind=written.kind)
    if log.rows_rejected or log.rows != len(written.table):
        return f"rows {log.rows} + {log.rows_rejected} instead of {len(written.table)}"
    table = log.tables[""]
    for channel, tolerance in written.tolerance.items():
        found, true = table[channel].to_numpy(), written.table[channel].to_numpy()
        if not np.allclose(found, true, rtol=1e-12, atol=tolerance, equal_nan=True):
            return f"{channel}: {found[:3]} instead of {true[:3]}"
    if log.events or (table["segment"] != 0).any():
        return f"events {[e.kind for e in log.events]}"
    return None


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(written=logs())
def test_a_table_written_in_any_dialect_reads_back(procedures: Procedures, written: Written) -> None:
    assert difference(written, procedures) is None, written.dialect
