"""Names that another system cannot hold, or that attack, are exchanged; all others are kept."""

from pathlib import PurePosixPath

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.evidence.names import portable, stored_names
from benchlab.evidence.tagfiles import path_fault

GOOD = ["logs/a.csv", "a b.csv", "Höhenruder.csv", ".hidden.csv", "a/b/c/d.csv.gz", "-rf.csv", "console.csv", "C"]
BAD = [
    "",
    "../x",
    "a/../b",
    "/etc/hosts",
    "C:\\x",
    "C:x",
    "a\\b",
    "con",
    "CON.csv",
    "logs/NUL",
    "nul.tar.gz",
    "COM1",
    "lpt9.csv",
    "COM¹.csv",
    "conin$",
    "a\nb",
    "a\rb",
    "a\tb",
    "a\x00b",
    "x\u202egpj.csv",
    "a\u200bb",
    "\u0041\u030a.csv",
    "<script>.csv",
    "a|b",
    "what?",
    "a*b",
    'say"x"',
    "50%0Aoff.csv",
    "~/x",
    "~root",
    " lead",
    "trail ",
    "dot.",
    "x" * 300,
    "d/" * 100 + "x",
    "\udcff.csv",
]


@pytest.mark.parametrize("name", GOOD)
def test_a_harmless_name_is_kept(name):
    assert portable(name)
    assert stored_names([name], []) == {name: name}


@pytest.mark.parametrize("name", BAD)
def test_a_harmful_name_is_exchanged(name):
    assert not portable(name)
    stored = stored_names([name], [])[name]
    assert portable(stored)
    assert stored.startswith("logs/001_")
    assert stored.isascii()


def test_the_suffix_survives_and_with_it_what_the_file_is():
    name = "../" + "long " * 60 + "name.csv.xz"
    assert stored_names([name], [])[name].endswith("name.csv.xz")


def test_names_that_fall_together_are_told_apart():
    names = ["logs/a.csv", "logs/A.csv", "../a.csv", "../../a.csv", "./logs/a.csv", "airframe.toml"]
    assert stored_names(names, ["airframe.toml"]) == {
        "logs/a.csv": "logs/a.csv",
        "logs/A.csv": "logs/001_A.csv",
        "../a.csv": "logs/002_a.csv",
        "../../a.csv": "logs/003_a.csv",
        "./logs/a.csv": "logs/a.csv",
        "airframe.toml": "logs/001_airframe.toml",
    }


@settings(deadline=None)
@given(st.lists(st.text(min_size=1), unique=True, max_size=6))
def test_whatever_the_names_the_stored_ones_are_safe_and_differ(names):
    stored = stored_names(names, ["airframe.toml"])
    assert all(portable(s) and path_fault(s) is None for s in stored.values())
    plain = {PurePosixPath(n) for n in names}
    assert len({s.casefold() for s in stored.values()}) == len(plain)
