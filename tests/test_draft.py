"""``benchlab new``: a first register from a folder of logs, which loads and runs as it is and is never overwritten."""

from pathlib import Path

import pytest

from benchlab.airframe import load_airframe
from benchlab.draft import draft, log_files, write_draft
from benchlab.errors import BenchlabError
from benchlab.procedure import load_procedures
from benchlab.resources import shipped
from benchlab.run import run_airframe

SERVO = "t_ms,command_us,pos1 [deg],pos2 [deg],current1 [mA],current2 [mA]\n" + "".join(
    f"{20 * i},{1100 if i // 50 % 2 else 1900},{40 if i // 50 % 2 else -40},{39 if i // 50 % 2 else -39},{100 + i % 7},"
    f"{90 + i % 5}\n"
    for i in range(1000)
)
TANK = "time [s],pressure [kPa]\n" + "".join(f"{60 * i},{12 - 0.001 * i:.3f}\n" for i in range(240))
LOAD = "time [s],current [A],voltage [V]\n" + "".join(f"{i},{0.5 + i % 3 / 10},7.4\n" for i in range(100))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    logs = tmp_path / "my wing!" / "logs"
    logs.mkdir(parents=True)
    (logs / "elevons.csv").write_text(SERVO)
    (logs / "saddle tank.txt").write_text(TANK)
    (logs / "receiver_a.csv").write_text(LOAD)
    (logs / "throws.csv").write_text("item,side,value,unit\nthrow,left,23.4,mm\nthrow,right,23.9,mm\n")
    (logs / "apples.csv").write_text("apples,pears\n1,2\n3,4\n")
    (logs / "broken.csv").write_bytes(b"")
    (logs / "photo.jpg").write_bytes(b"\xff\xd8")
    return logs.parent


def test_the_draft_names_every_part_of_every_log_and_loads(folder):
    found = write_draft(folder)
    register = load_airframe(folder).register
    assert register.airframe.id == "my-wing"
    assert [(s.id, s.log, s.channel) for s in register.servo] == [
        ("S01", "logs/elevons.csv", "1"),
        ("S02", "logs/elevons.csv", "2"),
    ]
    assert [(t.id, t.log) for t in register.tank] == [("T1", "logs/saddle tank.txt")]
    assert [(c.id, c.log) for c in register.circuit] == [("receiver a", "logs/receiver_a.csv")]
    assert register.airframe.dimension_logs == ("logs/throws.csv",)
    assert found.parts == {"servo": 2, "tank": 1, "circuit": 1}


def test_what_is_no_log_of_a_part_is_told_with_the_reason_and_the_columns(folder):
    found = write_draft(folder)
    assert found.unclear == ("logs/apples.csv", "logs/broken.csv")
    assert "1 'apples'" in found.text
    assert "logs/broken.csv: empty" in found.text or "empty" in found.text
    assert '[logs."logs/apples.csv"]' in found.text
    assert "photo" not in found.text


def test_a_draft_can_be_run_as_it_is(folder, tmp_path):
    write_draft(folder)
    outcome = run_airframe(folder, tmp_path / "out")
    assert outcome.faults == ()
    assert [p.kind for p in outcome.result.parts] == ["servo", "servo", "tank", "circuit", "dimension"]


def test_every_commented_line_is_right_once_its_mark_is_taken_away(folder):
    """The hints must be keys that the register knows: with all of them taken in it still loads."""
    write_draft(folder)
    path = folder / "airframe.toml"
    lines = path.read_text().splitlines()
    end = next(i for i, line in enumerate(lines) if "not assigned to a part" in line)
    explained = ("# Drafted", "# limits, delete", "# Not to be seen")
    taken = [s[2:] if s.startswith("# ") and not s.startswith(explained) else s for s in lines[:end]]
    # the group of the example needs its second position, too
    second = [s.replace('channel = "2"', 'channel = "2"\nposition = "left elevon outer"') for s in taken]
    path.write_text("\n".join(second))
    with_hints = load_airframe(folder).register
    assert with_hints.pack[0].id == "P1"
    assert with_hints.tank[0].volume_ml == 1900
    assert with_hints.dimension[0].tolerance == 1.0


def test_a_register_is_never_overwritten(folder):
    (folder / "airframe.toml").write_text("# mine\n")
    with pytest.raises(BenchlabError, match="never overwritten"):
        write_draft(folder)
    assert (folder / "airframe.toml").read_text() == "# mine\n"


def test_a_folder_without_logs_is_told_and_gets_no_file(tmp_path):
    with pytest.raises(BenchlabError, match="no logs here"):
        write_draft(tmp_path)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(BenchlabError, match="no such folder"):
        write_draft(tmp_path / "none")


def test_one_servo_in_two_logs_by_name_is_one_part_with_two_logs(tmp_path):
    for n in (1, 2):
        rows = "".join(f"{20 * i},{40 if i // 50 % 2 else -40},S12\n" for i in range(1000))
        (tmp_path / f"day{n}.csv").write_text("t_ms,position [deg],servo\n" + rows)
    write_draft(tmp_path)
    (servo,) = load_airframe(tmp_path).register.servo
    assert (servo.id, servo.log) == ("S12", ["day1.csv", "day2.csv"])


def test_reports_archives_links_and_hidden_files_are_no_logs(tmp_path):
    for name in ("a.csv", ".hidden.csv", "reports/x/rejected_rows.csv", "out/results.json", "out/cycles.csv",
                 "sealed/bagit.txt", "sealed/data/log.csv", "b.csv.gz", "pipelines/notes.txt"):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    (tmp_path / "link.csv").symlink_to(tmp_path / "a.csv")
    assert [p.name for p in log_files(tmp_path)] == ["a.csv", "b.csv.gz"]


def test_the_logs_of_the_demonstration_are_all_assigned():
    found = draft(shipped("data_demo"), load_procedures())
    assert found.unclear == ()
    assert found.parts["servo"] == 7
    assert found.parts["tank"] == 3
