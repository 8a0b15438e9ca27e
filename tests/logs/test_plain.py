"""The compiled loop's numbers are those of Python's own ``float``, which rounds correctly (David Gay's algorithm).

Its texts are those of ``str.split``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchlab.logs.compiled import compiled
from benchlab.logs.plain import _fill, _parse, columns_of

digits = st.text("0123456789", max_size=19)
plain = st.one_of(
    st.sampled_from(["", "NaN", "nan"]),
    st.tuples(st.sampled_from(["", "-"]), digits, st.sampled_from(["", "."]), digits).map("".join),
    st.floats(-1e6, 1e6).map(lambda x: f"{x:.4f}"),
    st.floats(-1e6, 1e6).map(repr),
    st.integers(2**53 - 2, 2**53 + 2).map(str),
)


def same(x: float, cell: str) -> bool:
    """Whether a number is that of a cell, sign of zero included."""
    return (
        math.isnan(x)
        if cell.lower() in ("", "nan")
        else x == float(cell) and math.copysign(1, x) == math.copysign(1, float(cell))
    )


def exact(cell: str) -> bool:
    """Whether a cell has few enough digits to be rounded once."""
    bare = cell.removeprefix("-").replace(".", "", 1)
    return cell.lower() in ("", "nan") or (bare.isdecimal() and len(bare) <= 18 and int(bare) <= 2**53)


@settings(deadline=None)  # the first call compiles
@given(st.lists(st.tuples(plain, plain, plain), min_size=1, max_size=20), st.sampled_from([(",", "."), (";", ",")]))
@example([("0.1", "-0", "9007199254740992"), ("123456.789012", "", "-.5")], (",", "."))
def test_numbers_are_rounded_as_pythons_float_rounds(rows: list[tuple[str, str, str]], marks: tuple[str, str]) -> None:
    delimiter, mark = marks
    block = "".join(delimiter.join(cells).replace(".", mark) + "\n" for cells in rows).encode()
    found = columns_of(block, len(rows), [True] * 3, delimiter, mark)
    if all(exact(cell) for cells in rows for cell in cells):
        assert found is not None
        assert all(same(found[k][i], cell) for i, cells in enumerate(rows) for k, cell in enumerate(cells))
    else:
        assert found is None


@settings(deadline=None)
@given(
    st.binary(max_size=40).map(lambda x: x + b"\n") | st.text('0123456789.,-\ne+ #"\t', max_size=40).map(str.encode),
    st.tuples(st.booleans(), st.booleans()).filter(any),
)
def test_whatever_stands_in_a_block_it_is_told_or_refused(block: bytes, numeric: tuple[bool, bool]) -> None:
    lines = block.count(b"\n")
    found = columns_of(block, lines, numeric, ",", ".")
    if found is not None:
        cells = [line.split(",") for line in block.decode("ascii").split("\n")[:-1]]
        assert all(len(line) == 2 for line in cells)
        for k, column in enumerate(found):
            if numeric[k]:
                assert all(same(column[i], line[k]) for i, line in enumerate(cells))
            else:
                assert column.to_pylist() == [line[k] for line in cells]


def test_texts_stand_beside_numbers() -> None:
    block = b"2024-05-16 12:00:00.5,S1,7.4,up\n2024-05-16 12:00:01,S12,,n/a\n"
    stamp, servo, volt, phase = columns_of(block, 2, [False, False, True, False], ",", ".") or []
    assert stamp.to_pylist() == ["2024-05-16 12:00:00.5", "2024-05-16 12:00:01"]
    assert servo.to_pylist() == ["S1", "S12"]
    assert phase.to_pylist() == ["up", "n/a"]
    assert volt[0] == 7.4
    assert math.isnan(volt[1])


@pytest.mark.parametrize(
    "line", [",1\n", 'a b"c,1\n', '"a",1\n', "# a,1\n", "//a,1\n", " #a,1\n", "a\tb,1\n", "\xb5,1\n"]
)
def test_texts_that_another_path_may_understand_otherwise_are_left_to_it(line: str) -> None:
    assert columns_of(line.encode(), 1, [False, True], ",", ".") is None


REFUSED = (
    "1\n", "1,2,3\n", "1,2\n\n", "a,1\n", "-,1\n", ".,1\n", "-.,1\n", "1,2", "1,2\r\n", "1e3,1\n", "+1,1\n",
    "1.2.3,1\n", "--1,2\n", "1, 2\n", '"1",2\n', "#1,2\n", "1,2\0\n", "NaN2,1\n", "-NaN,1\n", "nab,1\n", "1,na\n",
    "9007199254740993,1\n", "12345678901234567890,1\n",
)  # fmt: skip


@pytest.mark.parametrize("block", REFUSED)
def test_what_is_not_plainly_two_numbers_is_left_to_another_path(block: str) -> None:
    assert columns_of(block.encode(), 1, [True, True], ",", ".") is None


def test_the_compiled_loop_does_what_is_written() -> None:
    text = np.frombuffer(b"1,-2.50,a\n,.25,bc\n-0,7,d\n", dtype=np.uint8)
    tens = np.array([10.0**k for k in range(19)])
    ways = []
    for way in (_fill, _parse):
        numbers, letters, stops = np.zeros((2, 3)), np.zeros((1, 4), np.uint8), np.zeros((1, 4), np.int32)
        with np.errstate(over="ignore"):
            assert way(text, np.uint8(44), np.uint8(46), np.array([True, True, False]), tens, numbers, letters, stops)
        ways.append((numbers.tobytes(), letters.tobytes(), stops.tobytes()))
    assert ways[0] == ways[1]


def test_where_machine_code_cannot_be_kept_it_is_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    from numba.core.caching import CacheImpl

    monkeypatch.setattr(CacheImpl, "_locator_classes", [])  # no folder can be written to
    assert compiled(lambda x: x + 1)(2) == 3
