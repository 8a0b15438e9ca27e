"""What a person at a terminal meets: progress, plain text when piped, NO_COLOR, quick help, completion."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")

HEAVY = ("pandas", "numpy", "scipy", "pyarrow", "pandera", "pydantic", "plotly", "jinja2", "rich.console")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An airframe of one circuit, in a log whose name would be markup to a terminal library."""
    tmp_path = tmp_path_factory.mktemp("airframe")
    rows = "".join(f"{t / 10:.1f},{0.5 + 0.01 * (t % 7):.3f},7.4\n" for t in range(600))
    (tmp_path / "[red]a.csv").write_text("time [s],current [A],voltage [V]\n" + rows)
    (tmp_path / "airframe.toml").write_text('[airframe]\nid = "A1"\n[[circuit]]\nid = "c"\nlog = "[red]a.csv"\n')
    return tmp_path


def on_a_terminal(folder: Path, **env: str) -> tuple[str, str]:
    """Run with standard error on a terminal; return what was written to it and to standard output."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "benchlab", "run", "."], cwd=folder, stdout=subprocess.PIPE, stderr=theirs,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", **env},
    ) as process:  # fmt: skip
        os.close(theirs)
        seen = b""
        while True:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # Linux says so when the other end is closed
                break
            if not piece:
                break
            seen += piece
        out = process.stdout.read()
    os.close(ours)
    return seen.decode(), out.decode()


@pytest.fixture(scope="module")
def terminal(folder: Path) -> tuple[str, str]:
    """What one run wrote to a terminal, and to standard output."""
    return on_a_terminal(folder)


def test_a_terminal_sees_what_is_being_done(terminal):
    seen, out = terminal
    assert "reading and analysing [red]a.csv" in seen
    assert "writing the report" in seen
    assert out.startswith("A1: accept\n")
    assert "\x1b" not in out


def test_no_color_is_respected(folder, terminal):
    colours = re.compile(r"\x1b\[[0-9;]*(?:3[0-79]|38;5;\d+|9[0-7])m")
    assert colours.search(terminal[0])  # the spinner has one
    assert not colours.search(on_a_terminal(folder, NO_COLOR="1")[0])


def test_piped_there_is_no_progress_and_no_control_character(folder):
    done = subprocess.run(
        [sys.executable, "-m", "benchlab", "run", "."], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert "\x1b" not in done.stdout
    assert "\r" not in done.stdout


def test_help_loads_nothing_heavy():
    code = f"import sys, benchlab.cli; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_shell_can_be_taught_to_complete_commands():
    done = subprocess.run(
        [sys.executable, "-m", "benchlab"], capture_output=True, text=True, check=False,
        env={**os.environ, "_BENCHLAB_COMPLETE": "complete_bash", "COMP_WORDS": "benchlab ex", "COMP_CWORD": "1"},
    )  # fmt: skip
    assert "explain" in done.stdout.split()


def test_a_terminal_without_the_signs_shows_question_marks_and_no_traceback():
    done = subprocess.run(
        [sys.executable, "-m", "benchlab", "explain", "hysteresis_deg"], capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.returncode == 0
    assert b"settled value: ? 1 ?" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (("explain", "histeresis"), 2, "benchlab: no quantity goes by the name 'histeresis'; did you mean "),
        (("run", "no_such_folder"), 2, "benchlab: no_such_folder"),
        (("read", "no_such.csv"), 2, "benchlab: no_such.csv"),
    ],
)  # fmt: skip
def test_errors_speak_in_one_voice(tmp_path, arguments, status, says):
    done = subprocess.run(
        [sys.executable, "-m", "benchlab", *arguments], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == status
    assert done.stderr.startswith(says)
    assert len(done.stderr.strip().splitlines()) == 1
