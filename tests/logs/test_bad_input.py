"""Logs that cannot be read end in one line that says what, where and what to do."""

from __future__ import annotations

import bz2
import gzip
import lzma
import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import zstandard

from benchlab.airframe import load_airframe
from benchlab.errors import LogError, RegisterError
from benchlab.logs.reader import LogReader, iter_batches, read_log
from benchlab.procedure import Procedures

BACKWARDS = b"t_s,current_A\n" + b"".join(b"%d,1.5\n" % i for i in range(50, 0, -1))
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
        (gzip.compress(gzip.compress(GOOD.encode())), r"log.csv: is packed twice \(gzip in gzip\)"),
        (gzip.compress(bytes(257) + b"ustar" + bytes(500)), r"log.csv: is packed twice \(tar in gzip\)"),
        (b"SQLite format 3\0" + bytes(500), "log.csv: is a database"),
        (
            b"t_ms,I_mA\n" + b"".join(b"%d,1,2\n" % i for i in range(20)),
            "log.csv:2: rows of 3 fields stand below 2 names",
        ),
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


def _all_imported(folder: Path, procedures: Procedures) -> None:
    """Read a sound log, so that what is measured afterwards is not the import of libraries."""
    (folder / "good.csv").write_text(GOOD)
    read_log(folder / "good.csv", name="good.csv", procedures=procedures)


@pytest.mark.parametrize("compress", [gzip.compress, lzma.compress, bz2.compress, zstandard.compress])
def test_bombs_of_every_packing_are_refused_in_bounded_memory(
    tmp_path: Path, procedures: Procedures, monkeypatch: pytest.MonkeyPatch, compress: Callable[[bytes], bytes]
) -> None:
    monkeypatch.setattr("benchlab.logs.source._BOMB_BYTES", 4 << 20)
    monkeypatch.setattr("benchlab.logs.source._BOMB_RATIO", 100)
    path = tmp_path / "bomb"
    path.write_bytes(compress(GOOD.encode() + bytes(12 << 20)))
    _all_imported(tmp_path, procedures)
    tracemalloc.start()
    with pytest.raises(LogError, match="unpacks to more than 100 times its size"):
        list(iter_batches(path, name="bomb", procedures=procedures, kind="current_draw"))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64 << 20  # some blocks of 4 MiB and their copies, far less than a bomb unpacks to


def test_a_log_of_nothing_but_bad_rows_is_given_up(read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlab.logs.reader._HOPELESS", 1000)
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 10_000)
    with pytest.raises(LogError, match="more than 1000 rows are rejected and hardly any kept; here: not a number"):
        read(GOOD + "10,x\n" * 5000, "current_draw")


def test_a_line_without_end_is_refused_without_being_held(tmp_path: Path, procedures: Procedures) -> None:
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.write(b"t_s,current_A\n0,1\n1,2\n" + b"1" * (2 << 20))
        file.truncate(2 << 30)  # 2 GiB, without taking that much disk
    _all_imported(tmp_path, procedures)
    tracemalloc.start()
    with pytest.raises(LogError, match=r"long\.csv:4: this line is longer than 1 MiB"):
        read_log(path, name="long.csv", procedures=procedures)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64 << 20  # as above


def test_a_pipe_is_not_waited_for(tmp_path: Path, procedures: Procedures) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(LogError, match="is a pipe or a device, not a file; save the log to a file first"):
        read_log(tmp_path / "pipe", name="pipe", procedures=procedures)


def test_a_log_that_may_not_be_read(tmp_path: Path, procedures: Procedures, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.csv"
    path.write_text(GOOD)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # a mode of 0 does not stop the superuser
    with pytest.raises(LogError, match="may not be read"):
        read_log(path, name="log.csv", procedures=procedures)


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_a_log_that_vanishes_while_it_is_read(
    tmp_path: Path, procedures: Procedures, pack: Callable[[bytes], bytes]
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(pack(GOOD.encode()))
    reader = LogReader(path, name="log.csv", procedures=procedures)
    path.unlink()
    with pytest.raises(LogError, match=r"log\.csv: can no longer be read \(No such file or directory\)"):
        list(reader.batches())


def test_a_unit_that_does_not_fit_the_channel_is_asked_about(read) -> None:
    with pytest.raises(LogError, match=r'"Pressure \(A\)".*cannot be converted to kPa; say what it is with columns = '):
        read("t_s,Pressure (A)\n" + "".join(f"{i},{i}\n" for i in range(20)), "tank_pressure")


def test_a_register_may_not_lead_out_of_its_folder(tmp_path: Path) -> None:
    (tmp_path / "outside.csv").write_text(GOOD)
    folder = tmp_path / "plane"
    folder.mkdir()
    (folder / "link.csv").symlink_to(tmp_path / "outside.csv")
    for path in ("../outside.csv", str(tmp_path / "outside.csv"), "link.csv"):
        (folder / "airframe.toml").write_text(
            f'[airframe]\nid = "X"\n[[circuit]]\nid = "A"\nlog = {path!r}\n', encoding="utf-8"
        )
        with pytest.raises(RegisterError) as caught:
            load_airframe(folder)
        assert "airframe.toml" in str(caught.value)
        assert "outside" in str(caught.value) or "leads" in str(caught.value)


def test_the_command_ends_bad_input_with_one_line_and_status_2(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from benchlab.cli import app

    for name, content in {
        "empty.csv": b"",
        "picture.csv": b"\x89PNG\r\n\x1a\n" + bytes(99),
        "back.csv": BACKWARDS,
    }.items():
        (tmp_path / name).write_bytes(content)
        result = CliRunner().invoke(app, ["read", str(tmp_path / name)])
        assert result.exit_code == 2
        assert result.stdout == ""
        assert len(result.stderr.splitlines()) == 1
        assert name in result.stderr
