"""The compiled loop's numbers are those of Python's own ``float``, which rounds correctly (David Gay's algorithm)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchlab.logs.decimals import _fill, _parse, columns_of

digits = st.text("0123456789", max_size=19)
plain = st.one_of(
    st.just(""),
    st.tuples(st.sampled_from(["", "-"]), digits, st.sampled_from(["", "."]), digits).map("".join),
    st.floats(-1e6, 1e6).map(lambda x: f"{x:.4f}"),
    st.floats(-1e6, 1e6).map(repr),
    st.integers(2**53 - 2, 2**53 + 2).map(str),
)


def same(x: float, cell: str) -> bool:
    """Whether a number is that of a cell, sign of zero included."""
    return math.isnan(x) if not cell else x == float(cell) and math.copysign(1, x) == math.copysign(1, float(cell))


def exact(cell: str) -> bool:
    """Whether a cell has few enough digits to be rounded once."""
    bare = cell.removeprefix("-").replace(".", "", 1)
    return not cell or (bare.isdecimal() and len(bare) <= 18 and int(bare) <= 2**53)


@given(st.lists(st.tuples(plain, plain, plain), min_size=1, max_size=20), st.sampled_from([(",", "."), (";", ",")]))
@example([("0.1", "-0", "9007199254740992"), ("123456.789012", "", "-.5")], (",", "."))
def test_numbers_are_rounded_as_pythons_float_rounds(rows: list[tuple[str, str, str]], marks: tuple[str, str]) -> None:
    delimiter, mark = marks
    block = "".join(delimiter.join(cells).replace(".", mark) + "\n" for cells in rows).encode()
    found = columns_of(block, len(rows), 3, delimiter, mark)
    if all(exact(cell) for cells in rows for cell in cells):
        assert found is not None
        assert all(same(found[k, i], cell) for i, cells in enumerate(rows) for k, cell in enumerate(cells))
    else:
        assert found is None


@given(st.binary(max_size=40).map(lambda x: x + b"\n") | st.text("0123456789.,-\ne+ #", max_size=40).map(str.encode))
def test_whatever_stands_in_a_block_it_is_told_or_refused(block: bytes) -> None:
    lines = block.count(b"\n")
    found = columns_of(block, lines, 2, ",", ".")
    if found is not None:
        cells = [line.split(",") for line in block.decode().split("\n")[:-1]]
        assert all(same(found[k, i], cell) for i, line in enumerate(cells) for k, cell in enumerate(line))


REFUSED = (
    "1\n", "1,2,3\n", "1,2\n\n", "a,1\n", "-,1\n", ".,1\n", "-.,1\n", "1,2", "1,2\r\n", "1e3,1\n", "+1,1\n",
    "1.2.3,1\n", "--1,2\n", "1, 2\n", '"1",2\n', "#1,2\n", "1,2\0\n", "NaN,1\n",
    "9007199254740993,1\n", "12345678901234567890,1\n",
)  # fmt: skip


@pytest.mark.parametrize("block", REFUSED)
def test_what_is_not_plainly_two_numbers_is_left_to_another_path(block: str) -> None:
    assert columns_of(block.encode(), 1, 2, ",", ".") is None


def test_the_compiled_loop_does_what_is_written() -> None:
    text = np.frombuffer(b"1,-2.50\n,.25\n-0,7\n", dtype=np.uint8)
    tens = np.array([10.0**k for k in range(19)])
    compiled, written = np.zeros((2, 3)), np.zeros((2, 3))
    with np.errstate(over="ignore"):
        assert _fill(text, np.uint8(44), np.uint8(46), tens, written)
    assert _parse(text, np.uint8(44), np.uint8(46), tens, compiled)
    assert compiled.tobytes() == written.tobytes()
