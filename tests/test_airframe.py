"""The register: what it accepts, and that every fault is told at once with its line and what would be right."""

from pathlib import Path

import pytest

from benchlab.airframe import load_airframe
from benchlab.errors import RegisterError

HEAD = '[airframe]\nid = "K03-021"\n'


def write(folder: Path, text: str) -> Path:
    (folder / "airframe.toml").write_text(text, encoding="utf-8")
    return folder


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(RegisterError) as caught:
        load_airframe(write(folder, text))
    return caught.value.faults


def test_a_register_lists_its_logs_once_with_their_kind(tmp_path):
    text = (
        HEAD + '[[servo]]\nid = "S1"\nlog = "a.csv"\nchannel = 1\n'
        '[[servo]]\nid = "S2"\nlog = ["a.csv", "b.csv"]\nchannel = "2"\n'
    )
    airframe = load_airframe(write(tmp_path, text + '[[tank]]\nid = "T1"\nlog = "t.csv"\n'))
    assert {name: kind for name, (_, kind) in airframe.log_paths().items()} == {
        "a.csv": "servo_cycling",
        "b.csv": "servo_cycling",
        "t.csv": "tank_pressure",
    }
    assert airframe.register.servo[0].label == "1"


def test_logs_of_left_and_right_measurements_are_named_at_the_airframe(tmp_path):
    text = HEAD + 'dimension_log = ["d1.csv", "d2.csv"]\n[logs."d1.csv"]\ndecimal = ","\n'
    paths = load_airframe(write(tmp_path, text)).log_paths()
    assert {name: kind for name, (_, kind) in paths.items()} == dict.fromkeys(["d1.csv", "d2.csv"], "paired_dimensions")
    (fault,) = faults(tmp_path, HEAD + 'dimension_log = "../d.csv"\n')
    assert 'airframe.toml:3: [airframe]: dimension_log "../d.csv" leaves the airframe\'s folder' in fault


def test_all_faults_are_reported_together_each_with_its_line(tmp_path):
    text = (
        HEAD + '[[servo]]\nid = "S1"\nchanel = "1"\nposition = "left"\n'
        '[[servo]]\nid = "S1"\nsupply_v = "7"\nposition = "left"\n'
        '[[group]]\nname = "g"\npositions = ["left", "right"]\ncoupling = "gangd"\n'
    )
    found = faults(tmp_path, text)
    assert [f.split("airframe.toml:")[1].split(":")[0] for f in found] == ["5", "9", "14", "8", "10"]
    assert "did you mean 'channel'?" in found[0]
    assert "'supply_v' = '7'" in found[1]
    assert "'ganged' or 'mirrored'" in found[2]
    assert "the id is already taken" in found[3]
    assert 'already holds "S1"' in found[4]


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        ('[[group]]\nname = "g"\npositions = ["p", "q"]\ncoupling = "mirrored"\n'
         '[[servo]]\nid = "S"\nposition = "p"\n[[tank]]\nid = "T"\nposition = "q"\n', "mixes servos and tanks"),
        ('[[circuit]]\nid = "C"\npacks = ["P1"]\n[[pack]]\nid = "P2"\n', "the packs are: P2"),
        ('[[circuit]]\nid = "C"\npacks = [{ id = "P", share = 0.7 }]\n[[pack]]\nid = "P"\n', "add up to 0.7"),
        ('[[servo]]\nid = "S"\nlimits = { centre_deg = { drift = { uper = 1 } } }\n', "did you mean 'upper'?"),
        ('[[servo]]\nid = "S"\nlimits = { centre_deg = { drift = { lower = 1, upper = 0 } } }\n', "is above 'upper'"),
        ('[[servo]]\nid = "S"\nlog = "x.csv"\n[[servo]]\nid = "R"\nlog = "x.csv"\n', "its own channel"),
        ('[logs."typo.csv"]\ndecimal = ","\n', "no part names this log"),
        ('[[pack]]\nid = "P"\nusable_fraction = 1.4\n', "less than or equal to 1"),
        ('[[pack]]\nid = "P"\nusable_fraction = -0.2\n', "greater than 0"),
        ('[[flight]]\nphase = "cruise"\nminutes = 0\n', "greater than 0"),
        ('[[circuit]]\nid = "C"\nservos = ["S9"]\n[[servo]]\nid = "S1"\n', "the servos are: S1"),
        ('[[circuit]]\nid = "C"\nservos = ["S1", "S1"]\n[[servo]]\nid = "S1"\n', "listed twice"),
        ('[[servo]]\nid = "S"\nlog = "../x.csv"\n', "leaves the airframe's folder"),
        ('[[servo]]\nid = "S"\nlog = "/etc/hosts"\n', "leaves the airframe's folder"),
        ('[[servo]]\nid = "S"\nlog = "C:\\\\x.csv"\n', "leaves the airframe's folder"),
    ],
)  # fmt: skip
def test_each_kind_of_fault_says_what_would_be_right(tmp_path, extra, says):
    assert any(says in fault for fault in faults(tmp_path, HEAD + extra))


def test_a_link_that_leads_out_of_the_folder_is_refused_unless_allowed(tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text("t\n")
    folder = tmp_path / "airframe"
    folder.mkdir()
    (folder / "log.csv").symlink_to(outside)
    text = HEAD + '[[servo]]\nid = "S"\nlog = "log.csv"\n'
    assert "leaves the airframe's folder" in faults(folder, text)[0]
    assert load_airframe(folder, allow_outside=True).id == "K03-021"


@pytest.mark.parametrize("bad_id", ["", "a/b", "..", "x" * 65, "a b", "<b>"])
def test_an_airframe_id_is_a_safe_folder_name(tmp_path, bad_id):
    assert "id" in faults(tmp_path, f"[airframe]\nid = {bad_id!r}\n".replace("'", '"'))[0]


def test_broken_toml_and_a_missing_register_are_one_line_each(tmp_path):
    assert "there is no such file" in load_missing(tmp_path)
    assert "line 1" in faults(tmp_path, "[airframe\n")[0]


def load_missing(folder: Path) -> str:
    with pytest.raises(RegisterError) as caught:
        load_airframe(folder)
    return str(caught.value)
