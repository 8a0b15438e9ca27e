"""What is sealed: the inputs byte for byte, the results, and nothing that depends on the moment of sealing."""

import datetime
import errno
import os
import shutil
import subprocess
from pathlib import Path

import bagit
import numpy as np
import pandas as pd
import pytest

from benchlab.errors import BenchlabError, RegisterError
from benchlab.evidence import bag as bag_module
from benchlab.evidence import inputs, package
from benchlab.evidence.bag import MANIFEST, TAG_MANIFEST
from benchlab.evidence.check import check_bag
from benchlab.evidence.package import archive_airframe, bag_name
from tests.evidence.bags import write
from tests.evidence.killing import count_calls, kill_at
from tests.evidence.toy import LOGS, REGISTER, airframe, run


def sealed(tmp_path: Path, register: str = REGISTER, **options: object) -> Path:
    return archive_airframe(airframe(tmp_path / "in", register), tmp_path / "out", run=run, **options)


def test_the_bag_holds_the_inputs_byte_for_byte_and_the_results(tmp_path):
    bag = sealed(tmp_path)
    for name in ("airframe.toml", *LOGS):
        assert (bag / "data/airframe" / name).read_bytes() == (tmp_path / "in" / name).read_bytes()
    assert sorted(p.name for p in (bag / "data/airframe/pipelines").iterdir()) == [
        "current_draw.toml", "paired_dimensions.toml", "servo_cycling.toml", "tank_pressure.toml",
    ]  # fmt: skip
    assert sorted(p.name for p in (bag / "data/results").iterdir()) == [
        "assignment.csv", "cycles.csv", "cycles.parquet", "events.csv", "findings.csv", "logs.csv", "parts.csv",
        "quantities.csv", "rejected_rows.csv", "report.html", "results.json", "trim.csv",
    ]  # fmt: skip
    assert sorted(p.name for p in bag.iterdir()) == [
        "README.txt", "bag-info.txt", "bagit.txt", "data", "manifest-sha512.txt", "tagmanifest-sha512.txt",
    ]  # fmt: skip
    assert bagit.Bag(str(bag)).validate()
    assert check_bag(bag).valid


def test_the_sealed_airframe_runs_as_it_lies(tmp_path):
    bag = sealed(tmp_path)
    again = run(bag / "data/airframe", tmp_path / "again").folder
    assert (again / "results.json").read_bytes() == (bag / "data/results/results.json").read_bytes()


def test_the_results_can_be_read_as_csv_and_run_no_formula(tmp_path):
    results = sealed(tmp_path) / "data/results"
    findings = pd.read_csv(results / "findings.csv")
    # the digits 0 1 1 2 of the servo's log, 0 9 6 0 8 of the tank's
    assert findings["value"].tolist() == [4.0, 23.0]
    assert findings["reason"].tolist() == ["'=1+1", "'=1+1"]
    assert pd.read_csv(results / "parts.csv")["id"].tolist() == ["S1", "T1"]


def test_the_same_input_twice_gives_the_same_payload(tmp_path, monkeypatch):
    manifests = []
    for n, moment in enumerate(["86400", "90000", "2000000000"]):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", moment)
        bag = sealed(tmp_path / str(n))
        manifests.append((bag / MANIFEST).read_text().splitlines())
        assert bag.name == ["K03-021_1970-01-02", "K03-021_1970-01-02", "K03-021_2033-05-18"][n]
    assert manifests[0] == manifests[1]
    # on another day only the file that tells the day differs
    later = {line.split()[1] for line in set(manifests[2]) ^ set(manifests[0])}
    assert later == {"data/ro-crate-metadata.json"}


def test_a_second_archive_of_the_day_does_not_overwrite_the_first(tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    bag = sealed(tmp_path)
    before = (bag / TAG_MANIFEST).read_bytes()
    with pytest.raises(BenchlabError, match="never overwritten"):
        sealed(tmp_path)
    assert (bag / TAG_MANIFEST).read_bytes() == before


def test_a_faulty_register_is_told_with_the_users_own_paths(tmp_path):
    with pytest.raises(RegisterError, match=str(tmp_path / "in")):
        sealed(tmp_path, REGISTER.replace("log =", "lgo ="))
    assert not (tmp_path / "out").exists()


def test_logs_from_outside_are_stored_inside_and_the_register_follows(tmp_path):
    outside = write(tmp_path / "elsewhere/left.csv", "t;i\n7;7\n")
    register = REGISTER.replace("logs/left.csv", "../elsewhere/left.csv")
    register += '[logs."../elsewhere/left.csv"]\ndecimal = ","\n'
    with pytest.raises(RegisterError, match="leaves the airframe's folder"):
        sealed(tmp_path, register)
    data = sealed(tmp_path, register, allow_outside=True) / "data"
    assert (data / "airframe/logs/001_left.csv").read_bytes() == outside.read_bytes()
    assert (data / "airframe_as_written.toml").read_text() == register
    assert (data / "renamed_logs.csv").read_text().splitlines()[1] == "../elsewhere/left.csv,logs/001_left.csv"
    assert '"logs/001_left.csv" = { "decimal" = "," }' in (data / "airframe/airframe.toml").read_text()
    assert "renamed_logs.csv" in (data.parent / "README.txt").read_text()


ATTACKS = [
    "logs/con.csv",
    "logs/a\nb.csv",
    "logs/<img src=x onerror=alert(1)>.csv",
    "logs/x\u202egpj.csv",
    "logs/" + "y" * 250,
    "logs/50%25off.csv",
    "logs/~root",
    'logs/"quoted" \\ back.csv',
    "~root/z.csv",
]


def test_names_that_attack_stay_in_the_bag_and_are_read_all_the_same(tmp_path):
    folder, lines = tmp_path / "in", ['[airframe]\nid = "NUL.1"\ndescription = "one\\nPayload-Oxum: 1.1"\n']
    for n, name in enumerate(ATTACKS):
        write(folder / name, f"t\n{n}\n")
        quoted = name.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        lines.append(f'[[tank]]\nid = "T{n}"\nlog = "{quoted}"\n')
    write(folder / "airframe.toml", "".join(lines))
    bag = archive_airframe(folder, tmp_path / "out", run=run)
    assert bag.parent == tmp_path / "out"
    assert bag.name.startswith("airframe_NUL.1_")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in", "out"]
    values = pd.read_csv(bag / "data/results/findings.csv")["value"].tolist()
    assert values == list(range(len(ATTACKS)))
    assert bagit.Bag(str(bag)).validate()
    assert check_bag(bag).warnings == ()


def test_a_log_that_is_a_link_is_sealed_as_the_file_it_leads_to(tmp_path):
    folder = airframe(tmp_path / "in")
    (folder / "logs/left.csv").rename(folder / "logs/real.csv")
    (folder / "logs/left.csv").symlink_to("real.csv")
    copy = archive_airframe(folder, tmp_path / "out", run=run) / "data/airframe/logs/left.csv"
    assert not copy.is_symlink()
    assert copy.read_text() == LOGS["logs/left.csv"]


def test_a_missing_log_and_a_pipe_do_not_stop_the_archive(tmp_path):
    folder = airframe(tmp_path / "in")
    (folder / "logs/left.csv").unlink()
    (folder / "logs/tank.csv").unlink()
    os.mkfifo(folder / "logs/tank.csv")
    bag = archive_airframe(folder, tmp_path / "out", run=run)
    assert [p.name for p in bag.glob("data/airframe/logs/*")] == []
    assert check_bag(bag).valid


@pytest.mark.parametrize("moment", range(12))
def test_a_disk_that_fills_up_is_a_clear_error_and_leaves_nothing(tmp_path, monkeypatch, moment):
    """The disk is full at the first, second, ... copy or text of the archive."""
    left = [moment]

    def filling(sound):
        def write_or_fail(source, target, *rest):
            if left[0] == 0:
                raise OSError(errno.ENOSPC, "No space left on device", str(target))
            left[0] -= 1
            return sound(source, target, *rest)

        return write_or_fail

    folder = airframe(tmp_path / "in")
    for module in (bag_module, inputs, package):
        monkeypatch.setattr(module, "write_text", filling(bag_module.write_text))
    monkeypatch.setattr(shutil, "copyfile", filling(shutil.copyfile))
    with pytest.raises(BenchlabError, match=r"No space left on device.*free some space"):
        archive_airframe(folder, tmp_path / "out", run=run)
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("mount") is None, reason="needs to mount a file system")
@pytest.mark.parametrize("kib", [4, 24, 48])
def test_a_really_full_disk_leaves_nothing(tmp_path, kib):
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kib}k", "none", disk]
    mounted = subprocess.run(mount, capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip("this machine does not allow mounting")
    try:
        with pytest.raises(BenchlabError, match=r"No space left|cannot write"):
            archive_airframe(airframe(tmp_path / "in"), disk, run=run)
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", disk], check=True)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_before_or_after_any_system_call_there_is_no_bag_or_a_whole_one(tmp_path, monkeypatch):
    """The fast form of tests/benchmarks/archive_kill.py; the last calls, around the renaming, are all tried."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    folder = airframe(tmp_path / "in")
    calls = count_calls(lambda: archive_airframe(folder, tmp_path / "counted", run=run))
    rng = np.random.default_rng(9)
    found = {True: 0, False: 0}
    for n in [*rng.integers(calls, size=15), *range(calls - 40, calls)]:
        out = tmp_path / f"out{n}"
        kill_at(int(n), lambda out=out: archive_airframe(folder, out, run=run))
        bag = out / "K03-021_1970-01-02"
        assert not bag.exists() or check_bag(bag).valid
        found[bag.exists()] += 1
    assert found[True] > 0  # some strike after the renaming, most before, and so do some of the last ones
    assert found[False] > 15


def test_an_id_that_a_system_hides_or_takes_for_a_device_gets_a_prefix():
    day = datetime.datetime(2031, 2, 3)
    assert bag_name("K03-021", day) == "K03-021_2031-02-03"
    assert bag_name(".x", day) == "airframe_.x_2031-02-03"
    assert bag_name("CON.x", day) == "airframe_CON.x_2031-02-03"
