"""Logs that cannot be read end in one line that says what, where and what to do."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest

from benchlab.errors import LogError
from benchlab.logs.reader import iter_batches, read_log
from benchlab.procedure import Procedures

GOOD = "t_s,current_A\n" + "".join(f"{i / 10:.1f},{i % 9}.5\n" for i in range(100))


def lines(cell: str, n: int = 50) -> str:
    return "t_s,current_A\n" + "".join(f"{i},{cell}\n" for i in range(n))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "log.csv: is empty"),
        (b"\n\n\n", "log.csv:1: holds a header but no data"),
        (b"\0" * 5000, "log.csv: holds nothing but NUL bytes"),
        (np.random.default_rng(1).bytes(5000), "log.csv:1: is a binary file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), "log.csv: is a picture"),
        (b"PK\x03\x04" + bytes(500), "log.csv: is a zip archive or a spreadsheet"),
        (b"\x1f\x8b" + bytes(100), "log.csv: is damaged: it cannot be unpacked as gzip"),
        (gzip.compress(b""), "log.csv: is empty once unpacked"),
        (b"t_s,current_A\n", "log.csv:1: holds a header but no data"),
        (b"this is prose\nwithout any numbers,\nor columns.\n", "log.csv:1: no line holds numbers in columns"),
        (lines("x").encode(), r'log.csv:2: all 50 rows are rejected; the first: not a number in column "current_A"'),
        (lines("5000").encode(), "log.csv:2: all 50 rows are rejected; the first: current_a outside -1000 to 1000"),
        (lines("nan").encode(), r'log.csv:2: column 2 \("current_A", current_a\) holds no number at all'),
        (b"foo,bar\n1,2\n3,4\n5,6\n", "log.csv:1: no column for time_s"),
        (b"t_s,current_A\n0,1\n" + b"1" * (3 << 20) + b"\n2,2\n", "log.csv:3: this line is longer than 1 MiB"),
        (b"1" * (3 << 20), "log.csv:1: this line is longer than 256 KiB"),
    ],
)
def test_unreadable_logs_are_refused_in_one_line(read, content: bytes, message: str) -> None:
    with pytest.raises(LogError, match=message) as caught:
        read(content, "current_draw")
    assert "\n" not in str(caught.value)
    assert caught.value.do


def test_a_missing_file_and_a_folder(tmp_path: Path, procedures: Procedures) -> None:
    with pytest.raises(LogError, match="there is no such file"):
        read_log(tmp_path / "none.csv", name="none.csv", procedures=procedures)
    with pytest.raises(LogError, match="is a folder"):
        read_log(tmp_path, name="x", procedures=procedures)


def test_a_log_of_the_wrong_kind_says_what_is_missing(read) -> None:
    with pytest.raises(LogError, match=r"no column for pressure_kpa or pressure_abs_kpa: not a tank_pressure log"):
        read(GOOD, "tank_pressure")


def test_a_second_header_with_other_columns_is_never_read_on(read) -> None:
    other = "".join(f"{i},{i}.5,7.4\n" for i in range(30))
    with pytest.raises(LogError, match=r"log\.csv:32: a second header with other columns"):
        read(f"t_s,current_A,voltage_V\n{other}t_s,voltage_V,current_A\n{other}", "current_draw")


def test_a_bomb_is_refused_before_it_fills_the_memory(
    tmp_path: Path, procedures: Procedures, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlab.logs.source._BOMB_BYTES", 4 << 20)  # the limit of 256 MiB, smaller for a fast test
    monkeypatch.setattr("benchlab.logs.source._BOMB_RATIO", 100)
    path = tmp_path / "bomb.gz"
    # rows that go forward in time are followed by a file's worth of NULs, as after a power loss
    path.write_bytes(gzip.compress(GOOD.encode() + bytes(16 << 20)))
    with pytest.raises(LogError, match="unpacks to more than 100 times its size"):
        list(iter_batches(path, name="bomb.gz", procedures=procedures, kind="current_draw"))


def test_a_packed_log_cut_short_gives_what_is_there_and_says_so(read) -> None:
    content = "t_s,current_A\n" + "".join(f"{i},{i * 7919 % 1000 / 10}\n" for i in range(3000))
    log = read(gzip.compress(content.encode())[:-300], "current_draw")
    assert 1000 < log.rows < 3000
    assert "the file is incomplete" in str(log.events[-1].text)


def test_one_row_is_a_log(read) -> None:
    log = read("t_s,current_A\n0,1\n", "current_draw")
    assert (log.rows, log.sampling_s) == (1, None)


def test_a_channel_without_numbers_that_is_not_required_is_absent(read) -> None:
    log = read("t_s,current_A,voltage_V\n" + "".join(f"{i},1,nan\n" for i in range(30)), "current_draw")
    assert list(log.tables[""]) == ["time_s", "segment", "current_a"]


def test_overrides_that_name_nothing_are_refused(read) -> None:
    with pytest.raises(LogError, match='no column "xx"'):
        read(GOOD, "current_draw", columns={"xx": "current_a"})
    with pytest.raises(LogError, match='"amperage" names no channel'):
        read(GOOD, "current_draw", columns={"2": "amperage"})
    with pytest.raises(LogError, match='its unit "kPa" cannot be converted to A'):
        read(GOOD, "current_draw", columns={"2": "current_a [kPa]"})
    with pytest.raises(LogError, match='"foo" is no encoding'):
        read(GOOD, "current_draw", encoding="foo")
