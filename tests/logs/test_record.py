"""Rows in memory and rows in a scratch file are the same rows."""

from __future__ import annotations

import resource
import signal

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from benchlab.errors import LogError
from benchlab.logs.describe import write_parquet
from benchlab.logs.record import record_of
from benchlab.logs.scratch import Scratch, ScratchFile, ScratchWords

SERVOS = "t_ms,cmd_us,pos1,pos2\n" + "".join(
    f"{20 * i + 9000 * (i > 2000)},{1500 + i % 7},{i % 50}.5,{i % 40 if i > 1000 else ''}\n" for i in range(5000)
)
HOLDS = "Time (s),pressure_kpa,phase\n" + "".join(
    f"{i},{700 - i / 100:.2f},{'hold' if i > 50 else 'fill'}\n" for i in range(3000)
)


@pytest.fixture
def little_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlab.logs.gather.IN_MEMORY", 5000)
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 4000)


@pytest.mark.parametrize(("text", "kind"), [(SERVOS, "servo_cycling"), (HOLDS, "tank_pressure")])
@pytest.mark.parametrize("packed", [False, True])
def test_a_scratch_file_gives_back_what_memory_holds(
    read, request, monkeypatch, text: str, kind: str, packed: bool
) -> None:
    whole = read(text, kind)
    if packed:
        monkeypatch.setattr("benchlab.logs.blocks._LONG", 0)
    request.getfixturevalue("little_memory")
    spilled = read(text, kind)
    assert list(spilled.records) == list(whole.records)
    for label, record in whole.records.items():
        other = spilled.records[label]
        assert {type(x) for x in record.columns.values()} == {np.ndarray}
        assert {type(x) for x in other.columns.values()} <= {Scratch, ScratchWords}
        assert len(other) == len(record)
        pd.testing.assert_frame_equal(other.frame(), record.frame())
        for start, stop in ((0, 1), (17, 2500), (-3, None), (4990, 9000), (40, 40), (50, 40)):
            for column in record.columns:
                assert other.read(column, start, stop).tolist() == pytest.approx(
                    record.read(column, start, stop).tolist(), rel=0, abs=0, nan_ok=True
                )
    assert (spilled.sampling_s, spilled.time_end, spilled.gaps) == (whole.sampling_s, whole.time_end, whole.gaps)


def test_columns_that_parts_share_lie_in_the_file_once(read, little_memory) -> None:
    records = read(SERVOS, "servo_cycling").records
    assert records["1"].columns["command_us"] is records["2"].columns["command_us"]


def test_rows_in_memory_are_not_copied(read) -> None:
    record = read(SERVOS, "servo_cycling").records["1"]
    assert np.shares_memory(record.read("position_deg", 10, 20), record.read("position_deg"))
    table = pd.DataFrame({"time_s": np.arange(9.0)})
    assert np.shares_memory(record_of(table).read("time_s"), table["time_s"].to_numpy())
    assert np.shares_memory(record.frame()["position_deg"].to_numpy(), record.read("position_deg"))


def test_a_stretch_of_one_value_takes_no_room() -> None:
    file = ScratchFile()
    column = Scratch(np.dtype(np.int64), file)
    column.add(np.broadcast_to(np.int64(3), 1000))
    column.add(np.arange(4))
    column.add(np.broadcast_to(np.int64(7), 2))
    assert file.size == 4 * 8
    assert column.read(998, 1006).tolist() == [3, 3, 0, 1, 2, 3, 7, 7]


def test_a_full_disk_is_told_and_is_no_fault_of_the_program(read, little_memory) -> None:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    read("t_s,current_A\n0,1\n1,2\n", "current_draw")  # what follows may write no file longer than 50 kB
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, before[1]))
        with pytest.raises(
            LogError, match=r"log\.csv: its rows cannot be kept in .* while they are analysed"
        ) as caught:
            read(SERVOS[:49_000], "servo_cycling")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert "TMPDIR" in str(caught.value)


def test_parquet_of_many_rows_is_written_in_pieces(tmp_path, read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlab.logs.describe._ROWS", 700)
    log = read(SERVOS, "servo_cycling")
    write_parquet(log, tmp_path / "out.parquet")
    assert pq.ParquetFile(tmp_path / "out.parquet").num_row_groups > 10
    found = pd.read_parquet(tmp_path / "out.parquet")
    expected = pd.concat([t.assign(part=k) for k, t in log.tables.items()], ignore_index=True)
    pd.testing.assert_frame_equal(found, expected)
