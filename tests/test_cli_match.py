"""``benchlab match`` and ``benchlab run --earlier`` as a user meets them."""

import subprocess
import sys
from pathlib import Path

import pytest

TWINS = """\
[airframe]
id = "A1"
[[tank]]
id = "T1"
position = "left"
volume_ml = 1000
volume_u_ml = 5
log = "t1.csv"
[[tank]]
id = "T2"
position = "right"
volume_ml = 1000
volume_u_ml = 5
log = "t2.csv"
[[group]]
name = "wing tanks"
positions = ["left", "right"]
coupling = "mirrored"
"""


def benchlab(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchlab", *arguments], cwd=cwd, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip


def hold(fall_kpa_per_h: float) -> str:
    """A hold of eight hours, temperature and barometer steady, with the steps of a 1 Pa gauge."""
    rows = (f"{60 * i},{12 - fall_kpa_per_h * i / 60 + 0.002 * (i * 7 % 3 - 1):.3f},20.0,101.3\n" for i in range(480))
    return "time [s],pressure [kPa],temperature [C],barometer [kPa]\n" + "".join(rows)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "airframe.toml").write_text(TWINS)
    (tmp_path / "t1.csv").write_text(hold(0.02))
    (tmp_path / "t2.csv").write_text(hold(0.025))
    return tmp_path


def test_match_tells_every_group_and_writes_nothing(folder):
    done = benchlab("match", ".", cwd=folder)
    assert done.stderr == ""
    assert "wing tanks (mirrored; T1, T2)" in done.stdout
    assert done.returncode == (0 if "\n  accept" in done.stdout else 1)
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert sorted(p.name for p in folder.iterdir()) == ["airframe.toml", "t1.csv", "t2.csv"]


def test_the_report_shows_in_what_twin_tanks_were_compared(folder):
    done = benchlab("run", ".", "--out", "out", cwd=folder)
    assert done.stderr == ""
    page = (folder / "out" / "A1" / "report.html").read_text(encoding="utf-8")
    group = page[page.index('id="group-1"') :]
    for title in ("Retained fraction", "Volume", "Leak rate", "Settling"):
        assert title in group[: group.index("</section>")]


def test_match_asked_for_trim_tables_where_there_are_none_says_so(folder):
    done = benchlab("match", ".", "--csv", "trim.csv", cwd=folder)
    assert done.returncode == 2
    assert "no trim table" in done.stderr
    assert not (folder / "trim.csv").exists()


def test_a_part_is_compared_with_its_earlier_result(folder):
    assert benchlab("run", ".", "--out", "then", cwd=folder).returncode in (0, 1)
    same = benchlab("run", ".", "--earlier", "then/A1", cwd=folder)
    assert "T1  0 of 1 figures changed" in same.stdout
    (folder / "t2.csv").write_text(hold(0.4))
    worse = benchlab("run", ".", "--earlier", "then/A1/results.json", cwd=folder)
    assert "T2  1 of 1 figures changed" in worse.stdout
    assert "T1  0 of 1 figures changed" in worse.stdout


def test_an_earlier_result_that_is_none_is_told_before_the_work(folder):
    (folder / "list.json").write_text("[]")
    for name, says in (("nowhere", "no earlier results"), ("list.json", "no results.json of this program")):
        done = benchlab("run", ".", "--earlier", name, cwd=folder)
        assert done.returncode == 2
        assert says in done.stderr
        assert not (folder / "reports").exists()
