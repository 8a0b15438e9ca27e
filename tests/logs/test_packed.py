"""Packed numbers come back bit for bit, or are not packed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchlab.logs.packed import pack, unpack
from benchlab.logs.scratch import Scratch, ScratchFile

decimals = st.integers(-(10**9), 10**9).flatmap(lambda n: st.integers(0, 7).map(lambda k: float(f"{n}e-{k}")))


@settings(deadline=None)  # the first call compiles
@given(st.lists(decimals | st.floats(), min_size=1, max_size=50), st.integers(0, 6))
@example([0.07, 0.29, -1.005], 0)
@example([32767.0, -32768.0], 0)
@example([2147483647.0, -2147483647.0], 0)
@example([0.1 + 0.2], 0)
def test_numbers_come_back_bit_for_bit_or_are_not_packed(numbers: list[float], places: int) -> None:
    x = np.array(numbers)
    packed = pack(x, places)
    if packed is not None:
        whole, k = packed
        out = np.empty(len(x))
        unpack(whole, k, out)
        assert out.tobytes() == x.tobytes()
        assert whole.dtype == (np.int16 if abs(whole).max() < 2**15 else np.int32)


def test_decimals_of_a_log_are_packed() -> None:
    x = np.round(np.linspace(-30, 30, 1000), 2) + 0.0  # no zero with a sign
    whole, places = pack(x, 0) or (None, None)
    assert places == 2
    assert whole.dtype == np.int16
    assert pack(np.arange(100_000.0), 0)[0].dtype == np.int32


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf, -0.0, 1e10, 1 / 3, 5e-324])
def test_what_would_not_come_back_is_not_packed(odd: float) -> None:
    assert pack(np.array([1.5, odd, 2.5]), 0) is None


def test_a_column_is_packed_where_that_is_possible() -> None:
    rng = np.random.default_rng(5)
    pieces = [rng.normal(size=500).round(3), rng.normal(size=400), np.arange(300.0), np.array([0.5, np.nan])]
    packed, plain = ScratchFile(packs=True), ScratchFile()
    columns = [Scratch(np.dtype(float), file) for file in (packed, plain)]
    for column in columns:
        for piece in pieces:
            column.add(piece)
    assert packed.size == 2 * 500 + 8 * 400 + 4 * 300 + 8 * 2 < plain.size == 8 * 1202
    for start, stop in ((0, 1202), (3, 5), (499, 501), (700, 1201), (950, 1100)):
        ways = [column.read(start, stop).tobytes() for column in columns]
        assert ways == [np.concatenate(pieces)[start:stop].tobytes()] * 2


def test_a_column_that_cannot_be_packed_is_soon_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = []
    monkeypatch.setattr("benchlab.logs.packed.pack", lambda x, _: tried.append(len(x)))
    column = Scratch(np.dtype(float), ScratchFile(packs=True))
    for _ in range(10):
        column.add(np.array([1 / 3, 2 / 3]))
    assert len(tried) == 3
    assert column.read(17, 20).tolist() == [2 / 3, 1 / 3, 2 / 3]
