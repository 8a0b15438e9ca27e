"""The command line as a user meets it: exit status, one-line reasons, nothing half-written, never a traceback."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

HEAD = '[airframe]\nid = "A1"\n'
CIRCUIT = '[[circuit]]\nid = "good"\nlog = "good.csv"\n'
TANK = '[[tank]]\nid = "T1"\nvolume_ml = 1000\nlog = "bad.csv"\n'


def benchlab(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchlab", *arguments],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An airframe of one circuit whose log is good, and room for a tank whose log is not."""
    rng = np.random.default_rng(1)
    rows = "".join(f"{t / 10:.1f},{0.5 + 0.01 * rng.standard_normal():.3f},7.4\n" for t in range(600))
    (tmp_path / "good.csv").write_text("time [s],current [A],voltage [V]\n" + rows)
    (tmp_path / "airframe.toml").write_text(HEAD + CIRCUIT + TANK)
    return tmp_path


TANK_ROWS = [f"{60 * i},{12 - 0.001 * i:.3f},20.0,101.3" for i in range(240)]
TANK_HEAD = "time [s],pressure [kPa],temperature [C],barometer [kPa]"


def tank_log(rows: list[str]) -> bytes:
    return ("\n".join([TANK_HEAD, *rows]) + "\n").encode()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "bad.csv"),
        (b"", "empty"),
        (bytes(range(256)) * 40, "bad.csv"),
        ((TANK_HEAD + "\n").encode(), "no "),
        (b"apples,pears\n1,2\n3,4\n", "bad.csv"),
        (tank_log([r.replace(",", ",x", 1) for r in TANK_ROWS]), "bad.csv"),
        (tank_log([r.replace(r.split(",")[1], "NaN", 1) for r in TANK_ROWS]), "pressure"),
    ],
    ids=["missing", "empty", "binary", "header only", "unknown columns", "all rows invalid", "only missing values"],
)
def test_a_log_that_fails_is_told_in_a_line_and_the_rest_is_still_analysed(folder, content, says):
    if content is not None:
        (folder / "bad.csv").write_bytes(content)
    done = benchlab("run", ".", cwd=folder)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "bad.csv" in done.stderr
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    results = json.loads((folder / "reports" / "A1" / "results.json").read_text())
    assert results["verdict"] != "accept"
    assert {p["id"]: p["verdict"] for p in results["parts"]} == {"T1": "retest", "good": "accept"}
    assert (folder / "reports" / "A1" / "report.html").stat().st_size > 10_000


def tank_of(folder: Path, rows: list[str]) -> dict:
    (folder / "bad.csv").write_bytes(tank_log(rows))
    done = benchlab("run", ".", cwd=folder)
    assert done.stderr == ""
    results = json.loads((folder / "reports" / "A1" / "results.json").read_text())
    assert done.returncode == {"accept": 0, "retest": 1, "reject": 1}[results["verdict"]]
    return next(p for p in results["parts"] if p["id"] == "T1")


def test_one_row_is_a_retest_that_says_why(folder):
    tank = tank_of(folder, TANK_ROWS[:1])
    assert tank["verdict"] == "retest"
    assert tank["quantities"] == {}


def test_a_gauge_that_never_moves_is_judged_with_the_uncertainty_of_its_resolution(folder):
    still = [f"{60 * i},12.000,20.0,101.3" for i in range(240)]
    retained = tank_of(folder, still)["quantities"]["retained_fraction"]
    assert retained["u"] > 0
    assert retained["lo"] <= 1.0 <= retained["hi"]


def test_register_faults_end_the_run_with_one_line_each_and_write_nothing(folder):
    (folder / "airframe.toml").write_text(HEAD + '[[tank]]\nid = "T"\nvolum_ml = 3\n[[tank]]\nid = "T"\n')
    done = benchlab("run", ".", cwd=folder)
    assert done.returncode == 2
    assert "did you mean 'volume_ml'?" in done.stderr
    assert "already taken" in done.stderr
    assert not (folder / "reports").exists()


def test_an_unwritable_output_folder_is_told_before_the_work_begins(folder):
    (folder / "file").write_text("in the way")
    done = benchlab("run", ".", "--out", "file/below", cwd=folder)
    assert done.returncode == 2
    assert "--out" in done.stderr
    assert "Traceback" not in done.stderr


def test_ctrl_c_leaves_nothing_half_written(folder):
    (folder / "bad.csv").write_bytes(tank_log([f"{i},{12 - 1e-6 * i:.6f},20.0,101.3" for i in range(400_000)]))
    process = subprocess.Popen(
        [sys.executable, "-m", "benchlab", "run", "."], cwd=folder, stderr=subprocess.PIPE, text=True
    )
    while not (folder / "reports").exists() and process.poll() is None:
        time.sleep(0.01)
    time.sleep(0.05)
    os.kill(process.pid, signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert errors.strip() == "benchlab: stopped; nothing half-written was left behind"
    assert list((folder / "reports").iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_a_pipe_in_place_of_a_log_keeps_nobody_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "airframe.toml").write_text('[airframe]\nid = "A1"\n[[servo]]\nid = "S1"\nlog = "pipe.csv"\n')
    done = benchlab("run", ".", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.startswith("benchlab: pipe.csv: is a pipe or a device")


@pytest.mark.skipif(sys.platform == "win32", reason="no groups of processes")
def test_ctrl_c_at_any_moment_stops_it_and_shows_no_traceback(folder):
    (folder / "bad.csv").write_bytes(tank_log([f"{i},{12 - 1e-6 * i:.6f},20.0,101.3" for i in range(100_000)]))
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import benchlab.cli"], cwd=folder, check=True)
    # until then Python itself answers; twice that, as a machine may be busy with something else
    loaded_ms = round(2000 * (time.perf_counter() - began))
    stopped = 0
    for delay_ms in range(loaded_ms, loaded_ms + 1000, 50):
        with subprocess.Popen(
            [sys.executable, "-m", "benchlab", "run", ".", "--jobs", "2"], cwd=folder, stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL, text=True, start_new_session=True,
        ) as process:  # fmt: skip
            time.sleep(delay_ms / 1000)
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers too
            _, errors = process.communicate(timeout=60)
        if process.returncode in (0, -signal.SIGINT):  # all was written, and it or Python itself was about to end
            assert errors == ""  # an interrupt that is lost is told there
            assert (folder / "reports/A1/report.html").exists()
            break
        stopped += 1
        assert (process.returncode, errors) in [
            (130, "benchlab: stopped; nothing half-written was left behind\n"),
            (130, ""),  # the command line was still being put together
        ]
        assert not list((folder / "reports").glob("*"))
    assert stopped > 3


def test_results_are_the_same_bytes_every_time_and_json_prints_them(folder):
    (folder / "bad.csv").write_bytes(tank_log(TANK_ROWS))
    first = benchlab("run", ".", "--json", cwd=folder)
    second = benchlab("run", ".", "--json", "--out", "again", cwd=folder)
    assert first.stdout == second.stdout == (folder / "again" / "A1" / "results.json").read_text()
    assert (folder / "again" / "A1" / "report.html").read_bytes() == (folder / "reports/A1/report.html").read_bytes()


def test_quiet_prints_nothing_but_errors(folder):
    (folder / "bad.csv").write_bytes(tank_log(TANK_ROWS))
    done = benchlab("run", ".", "--quiet", cwd=folder)
    assert done.stdout == ""
    assert done.stderr == ""


def test_read_shows_a_log_and_refuses_a_missing_one(folder):
    assert "current_a" in benchlab("read", "good.csv", cwd=folder).stdout
    described = json.loads(benchlab("read", "good.csv", "--json", cwd=folder).stdout)
    assert (described["kind"], described["rows"]) == ("current_draw", 600)
    missing = benchlab("read", "no.csv", cwd=folder)
    assert missing.returncode == 2
    assert missing.stderr.startswith("benchlab: no.csv")


def test_the_command_line_starts_without_the_heavy_libraries():
    code = "import sys, benchlab.cli; print(sorted({'pandas', 'scipy', 'pandera', 'plotly'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_run_starts_without_what_only_some_parts_need():
    # together they take as long to load as all that is always needed; matching and the report load theirs when their
    # turn comes
    late = {
        "scipy.signal", "scipy.stats", "scipy.optimize", "scipy.interpolate", "pandera", "plotly", "jinja2",
        "benchlab.simulate.servo",
    }  # fmt: skip
    code = f"import sys, benchlab.run, benchlab.simulate.demo; print(sorted({late!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
