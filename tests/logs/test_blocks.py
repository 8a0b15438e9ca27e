"""What is read does not depend on where the reader happens to cut a log into blocks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlab.logs.blocks import BlockParser
from benchlab.logs.oddlines import bytes_of, odd_lines
from benchlab.logs.reader import LogReader
from benchlab.logs.table import ReadLog
from benchlab.procedure import Procedures

N = 3000


def _text(header: str, rows: list[str]) -> str:
    return header + "\n" + "\n".join(rows) + "\n"


def sound() -> str:
    """A servo log whose clock jitters, with holes and gaps."""
    rng = np.random.default_rng(1)
    time = np.cumsum(rng.uniform(9, 11, N) + 500 * (rng.random(N) < 0.003))
    current = np.where(rng.random(N) < 0.02, np.nan, rng.normal(0.3, 0.1, N))
    return _text(
        "t_ms,command_us,position_deg,current_A",
        [
            f"{t:.3f},{1500 + i % 9},{i % 50 / 7:.3f},{c:.4f}"
            for i, (t, c) in enumerate(zip(time, current, strict=True))
        ],
    )


def damaged() -> str:
    """Late rows, stamps that leap, repeat and start again, bad cells, odd lines."""
    rng = np.random.default_rng(2)
    stamps = np.arange(N)
    for i in range(300, 2900, 97):
        stamps[[i, i + 2]] = stamps[[i + 2, i]]
    stamps[350:2900:211] += 100_000
    stamps[400:2900:301] = stamps[399:2899:301]
    stamps[2000:] -= 1900
    rows = [f"{t / 10:.1f},{rng.normal():.5f},7.4" for t in stamps]
    rows[700], rows[701], rows[1500] = "a line of words", "# a comment", "70.0,x,7.4"
    rows[1501], rows[1502], rows[2500] = "", "t_s,current_A,voltage_V", "1,2"
    return _text("t_s,current_A,voltage_V", rows)


def counter() -> str:
    """Microseconds of a 32-bit counter that wraps twice, in a log that does not begin at zero."""
    stamps = (np.arange(N) * 3_100_007 + 4_000_000_123) % 2**32
    return _text("time_us,current_A", [f"{t},{i % 7}.25" for i, t in enumerate(stamps)])


def coarse() -> str:
    """Whole seconds, seven rows each."""
    return _text("t_s,current_A", [f"{(i + 3) // 7},{i % 9}.5" for i in range(N)])


def stamps() -> str:
    """Local time on the night in which an hour comes twice."""
    at = np.datetime64("2024-10-27T01:30:00") + np.arange(N).astype("timedelta64[s]") * 2
    at = np.where(at >= np.datetime64("2024-10-27T03:00:00"), at - np.timedelta64(3600, "s"), at)
    return _text("Date Time,current_A", [f"{str(t).replace('T', ' ')},{i % 9}.5" for i, t in enumerate(at)])


def by_name() -> str:
    """Rows of three circuits by turns, with words in a column."""
    return _text(
        "t_s,circuit,current_A,note",
        [f"{i / 10},{'abc'[i % 7 % 3]},{i % 11}.5,{'warm' if i % 3 else i}" for i in range(N)],
    )


def unknown() -> str:
    """None of the four kinds."""
    return _text("t_s,height_m,state", [f"{i / 8 + (i % 5) / 100},{i % 13}.5,{'up' if i % 2 else 3}" for i in range(N)])


def mended() -> str:
    """Lines that are no rows, or rows in a guise of their own, among sound ones; blanks between the cells."""
    rows = [f"{i / 10:.1f}   {i % 9}.5 7.4" for i in range(N)]
    for i, odd in enumerate(
        ["# note", "   // note", "", "  ", "1.5 2.5", "1 2 3 4", "x 2 3", "9.9 OL 7.4", "t_s current_A voltage_V"]
    ):
        rows[500 + 150 * i] = odd
    return _text("t_s current_A voltage_V", rows)


def grouped() -> str:
    """Decimal commas, thousands set apart, quotes, words for missing values."""
    rows = [f"{i};{i % 9},5;7,4;ok" for i in range(N)]
    for i, odd in enumerate(
        ['{};"1,5";7,4;ok', "{};1.234,5;7,4;ok", "{};n/a;;?", "{};;;", '{};1,5;7,4;"a;b"', "{};+,5;7,4;no"]
    ):
        rows[700 + 211 * i] = odd.format(700 + 211 * i)
    return _text("t_s;current_A;voltage_V;remark", rows)


def quoted() -> str:
    """Decimal commas in quotes between commas; then cells too many in lines that have none."""
    rows = [f'{i},"{i % 9},5","7,4"' for i in range(N)]
    rows[1000:2600] = [f"{i},1,7,4,5" for i in range(1000, 2600)]
    return _text("t_s,current_A,voltage_V", rows)


def unforeseen() -> str:
    """Cells that look like numbers and are none."""
    return _text("t_s,current_A", [f"{i},{i % 9}.5" if i % 700 else f"{i},1-{i}" for i in range(1, N)])


def failing() -> str:
    """A sensor that fails in a third of the rows, after a sound beginning."""
    rng = np.random.default_rng(3)
    cells = np.where((rng.random(N) < 0.35) & (np.arange(N) > 600), "err7", rng.normal(0, 1, N).round(4).astype(str))
    return _text("t_s,current_A,voltage_V", [f"{i / 10},{c},7.4" for i, c in enumerate(cells)])


LOGS: dict[Callable[[], str], Any] = {
    sound: "servo_cycling", damaged: "current_draw", counter: "current_draw", coarse: "current_draw",
    stamps: "current_draw", by_name: "current_draw", mended: "current_draw", grouped: "current_draw",
    quoted: "current_draw", unforeseen: "current_draw", failing: "current_draw", unknown: None,
}  # fmt: skip


def parts(log: ReadLog) -> Iterator[tuple[str, object]]:
    """Everything that was read, numbers bit by bit."""
    for f in fields(log):
        if f.name not in {"records", "rejected"}:
            yield f.name, getattr(log, f.name)
    yield "rejected", log.rejected.to_csv()
    for label, record in log.records.items():
        for column in record.columns:
            x = record.read(column)
            yield f"{label} {column}", x.tolist() if x.dtype == object else (x.dtype, x.tobytes())


@pytest.mark.parametrize("block", [150, 1013, 20_011])
@pytest.mark.parametrize("make", LOGS)
def test_what_is_read_does_not_depend_on_the_block_size(
    read: Callable[..., ReadLog], monkeypatch: pytest.MonkeyPatch, make: Callable[[], str], block: int
) -> None:
    monkeypatch.setattr("benchlab.logs.clock._LOOK", 256)  # smaller, as these logs are
    monkeypatch.setattr("benchlab.logs.intervals._STRETCH", 500)
    text, kind = make(), LOGS[make]
    whole = dict(parts(read(text, kind)))
    monkeypatch.setattr("benchlab.logs.source.BLOCK", block)
    pieces = dict(parts(read(text, kind)))
    assert list(pieces) == list(whole)
    assert [k for k in whole if pieces[k] != whole[k]] == []


@pytest.mark.parametrize("make", LOGS)
def test_the_fast_path_reads_what_the_exact_path_reads(
    read: Callable[..., ReadLog], monkeypatch: pytest.MonkeyPatch, make: Callable[[], str]
) -> None:
    text, kind = make(), LOGS[make]
    fast = dict(parts(read(text, kind)))
    monkeypatch.setattr("benchlab.logs.blocks.BlockParser._fast", lambda *_: None)
    exact = dict(parts(read(text, kind)))
    assert list(exact) == list(fast)
    assert [k for k in fast if exact[k] != fast[k]] == []


@pytest.mark.parametrize("make", LOGS)
def test_the_compiled_loop_reads_what_the_general_parser_reads(
    read: Callable[..., ReadLog], monkeypatch: pytest.MonkeyPatch, make: Callable[[], str]
) -> None:
    text, kind = make(), LOGS[make]
    general = dict(parts(read(text, kind)))
    taken = []
    parse = BlockParser._plain
    monkeypatch.setattr(BlockParser, "_plain", lambda *a: taken.append(parse(*a)) or taken[-1])
    monkeypatch.setattr("benchlab.logs.blocks._LONG", 0)
    monkeypatch.setattr("benchlab.logs.source.BLOCK", 4001)
    compiled = dict(parts(read(text, kind)))
    assert [k for k in general if compiled[k] != general[k]] == []
    if make in (sound, damaged, counter, coarse, stamps, by_name, unknown):
        assert any(x is not None for x in taken)


def test_one_mark_for_decimals_and_cells_is_left_to_another_path(
    tmp_path: Path, procedures: Procedures, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlab.logs.blocks._LONG", 0)
    log = tmp_path / "log.csv"
    log.write_text(quoted())
    parser = LogReader(log, name="log.csv", procedures=procedures, kind="current_draw")._parser
    assert (parser.dialect.delimiter, parser.dialect.decimal) == (",", ",")
    assert parser._plain(b"1000,1,7,4,5\n", 1) is None


def test_a_log_is_read_where_nothing_can_be_compiled(
    read: Callable[..., ReadLog], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlab.logs.blocks._LONG", 0)
    monkeypatch.setitem(sys.modules, "numba", None)  # as if it were not installed
    monkeypatch.delitem(sys.modules, "benchlab.logs.plain", raising=False)
    assert read(sound(), "servo_cycling").rows == N


def test_odd_lines_are_told_from_plain_rows() -> None:
    told = {
        "1,2.5,up": False, " 1 ,-2e-3,": False, ",2,x": False, "1,2,3": False,
        ",,": True, "": True, "1,2": True, "1,2,x,": True, "a,2,x": True, "1,NaN,x": True, "#1,2,x": True,
        '1,2,"x"': True, "1,2,x\0": True, "/1,2,x": True,
    }  # fmt: skip
    block = "".join(f"{line}\n" for line in told).encode()
    assert odd_lines(bytes_of(block), ",", [True, True, False], ".").tolist() == list(told.values())
    assert odd_lines(bytes_of(b"1.5\n1,5\n\n-2"), "", [True], ",").tolist() == [True, False, True, False]
