"""What was read and is kept: whole or not at all, and never believed when damaged."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab import cache


@dataclass(frozen=True)
class Thing:
    name: str
    values: object
    table: pd.DataFrame | None = None


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.floats(allow_nan=False) | st.text(),
    lambda x: st.lists(x, max_size=4) | st.lists(x, max_size=4).map(tuple) | st.dictionaries(st.text(), x, max_size=4),
    max_leaves=12,
)


@given(PLAIN)
@settings(max_examples=60, deadline=None)
def test_values_come_back_as_they_were(tmp_path_factory, content):
    folder = tmp_path_factory.mktemp("kept")
    cache.store(folder, "k", Thing("a", content))
    assert cache.fetch(folder, "k", [Thing]) == Thing("a", content)


def test_arrays_and_tables_come_back_to_the_last_bit(tmp_path):
    rng = np.random.default_rng(1)
    array = rng.standard_normal((3, 4))
    flags = np.array([True, False])
    table = pd.DataFrame({"cycle": [1, 2, 3], "x": [0.1, np.nan, 1 / 3], "word": ["a", "b", None]})
    grid = pd.DataFrame(rng.standard_normal((2, 3)), index=pd.Index([5, 15], name="cycle"), columns=[0.1, 0.2, 0.3])
    cache.store(tmp_path, "k", {"array": array, "flags": flags, "table": table, "grid": grid, "none": pd.DataFrame()})
    back = cache.fetch(tmp_path, "k", [])
    np.testing.assert_array_equal(back["array"], array)
    assert back["flags"].dtype == bool
    pd.testing.assert_frame_equal(back["table"], table)
    pd.testing.assert_frame_equal(back["grid"], grid)
    assert back["none"].shape == (0, 0)


def test_tables_alike_come_back_each_by_itself(tmp_path):
    tables = [pd.DataFrame({"x": np.arange(n, dtype=float), "why": [None] * n}) for n in (3, 0, 2)]
    tables.append(pd.DataFrame({"x": [7.0], "why": pd.array(["gap"], dtype=object)}))
    cache.store(tmp_path, "k", tables)
    for table, back in zip(tables, cache.fetch(tmp_path, "k", []), strict=True):
        assert back["x"].tolist() == table["x"].tolist()
        assert [w if isinstance(w, str) else None for w in back["why"]] == table["why"].tolist()


@pytest.mark.parametrize("place", [0, 10, 70, 200, -1])
def test_a_damaged_file_is_not_believed(tmp_path, place):
    cache.store(tmp_path, "k", Thing("a", (1.5, "b")))
    (path,) = tmp_path.glob("*.kept")
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)
    assert cache.fetch(tmp_path, "k", [Thing]) is None


def test_a_cut_or_foreign_file_is_not_believed(tmp_path):
    cache.store(tmp_path, "k", Thing("a", 1))
    (path,) = tmp_path.glob("*.kept")
    path.write_bytes(path.read_bytes()[:100])
    assert cache.fetch(tmp_path, "k", [Thing]) is None
    path.write_bytes(b"")
    assert cache.fetch(tmp_path, "k", [Thing]) is None


def test_only_the_named_types_are_made(tmp_path):
    cache.store(tmp_path, "k", Thing("a", 1))
    assert cache.fetch(tmp_path, "k", []) is None


def test_a_folder_that_cannot_be_written_to_is_no_fault(tmp_path):
    (tmp_path / "file").write_text("")
    cache.store(tmp_path / "file" / "below", "k", 1)
    assert cache.fetch(tmp_path / "file" / "below", "k", []) is None


def test_the_longest_unused_files_go_and_so_does_what_a_crash_left(tmp_path, monkeypatch):
    monkeypatch.setattr(cache, "_MOST_FILES", 3)
    stale, young = tmp_path / ".writing-old", tmp_path / ".writing-new"
    for path, age in ((stale, 200_000), (young, 10)):
        path.write_text("half")
        os.utime(path, (time.time() - age,) * 2)
    for i in range(5):
        cache.store(tmp_path, f"k{i}", i)
        os.utime(tmp_path / f"k{i}.kept", (1000 + i,) * 2)
    cache.store(tmp_path, "last", 0)
    assert sorted(p.stem for p in tmp_path.glob("*.kept")) == ["k2", "k3", "k4", "last"]
    assert young.exists()
    assert not stale.exists()


def test_a_killed_run_leaves_the_old_file_or_the_new(tmp_path):
    code = (
        "import sys, itertools, pathlib; from benchlab import cache\n"
        "for i in itertools.count():\n"
        "    cache.store(pathlib.Path(sys.argv[1]), 'k', (i, 'x' * 300_000, i))\n"
        "    print(i, flush=True)\n"
    )
    for wait in (0.0, 0.003, 0.011):
        worker = subprocess.Popen([sys.executable, "-c", code, tmp_path], stdout=subprocess.PIPE)
        worker.stdout.readline()
        time.sleep(wait)
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        worker.stdout.close()
        first, _, last = cache.fetch(tmp_path, "k", [])
        assert first == last


def test_a_quick_mark_tells_size_and_both_ends(tmp_path):
    a, b = tmp_path / "a", tmp_path / "b"
    body = b"x" * 300_000
    a.write_bytes(body)
    for other in (body + b"x", b"y" + body[1:], body[:-1] + b"y"):
        b.write_bytes(other)
        assert cache.quick_mark(a) != cache.quick_mark(b)
    b.write_bytes(body)
    assert cache.quick_mark(a) == cache.quick_mark(b)
