"""``benchlab archive`` and ``benchlab verify`` as a user meets them, with the real run and a real key."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import bagit
import pytest
from rocrate.rocrate import ROCrate

REGISTER = '[airframe]\nid = "A1"\n[[tank]]\nid = "T1"\nvolume_ml = 1000\nlog = "tank.csv"\n'
LOG = "time [s],pressure [kPa],temperature [C],barometer [kPa]\n" + "".join(
    f"{60 * i},{12 - 0.0002 * i + 0.002 * (i % 3):.3f},20.0,101.3\n" for i in range(240)
)


def benchlab(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchlab", *arguments], cwd=cwd, capture_output=True, text=True, timeout=120,
        check=False, env=os.environ | {"SOURCE_DATE_EPOCH": "1900000000"},
    )  # fmt: skip


@pytest.fixture(scope="module")
def work(tmp_path_factory) -> Path:
    """A folder with the airframe ``a``, a key pair, the list of signers and the signed archive."""
    work = tmp_path_factory.mktemp("work")
    (work / "a").mkdir()
    (work / "a/airframe.toml").write_text(REGISTER)
    (work / "a/tank.csv").write_text(LOG)
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", work / "key"], check=True)
    (work / "signers").write_text(f"workshop {(work / 'key.pub').read_text()}")
    done = benchlab("archive", "a", "--out", "kept", "--sign", "key", cwd=work)
    assert (done.returncode, done.stderr) == (0, "")
    return work


@pytest.fixture
def bag(work, tmp_path) -> Path:
    return Path(shutil.copytree(work / "kept/A1_2030-03-17", tmp_path / "A1_2030-03-17"))


def test_an_archive_is_valid_for_independent_readers_and_verifies(work, bag):
    assert bagit.Bag(str(bag)).validate()
    assert ROCrate(bag / "data").root_dataset["name"] == "Bench test evidence of airframe A1"
    done = benchlab("verify", str(bag), "--allowed-signers", "signers", cwd=work)
    assert done.returncode == 0, done.stdout
    assert "every figure and verdict the same" in done.stdout
    assert "good signature of workshop" in done.stdout


def test_a_changed_log_is_exit_2_and_named(work, bag):
    log = bag / "data/airframe/tank.csv"
    log.write_text(LOG.replace("12.000", "12.001", 1))
    done = benchlab("verify", str(bag), cwd=work)
    assert done.returncode == 2
    assert "data/airframe/tank.csv: its sha512 checksum differs" in done.stdout


def test_a_log_exchanged_with_all_seals_made_anew_is_exit_1_and_the_figures_are_named(work, bag):
    (bag / "data/airframe/tank.csv").write_text(LOG.replace("12.000", "12.400", 1))
    (bag / "tagmanifest-sha512.txt.sig").unlink()
    info = bag / "bag-info.txt"
    info.write_text("".join(s for s in info.read_text().splitlines(True) if not s.startswith("Signature-File")))
    for name in ("manifest", "tagmanifest"):
        paths = [line.split("  ", 1)[1] for line in (bag / f"{name}-sha512.txt").read_text().splitlines()]
        sums = subprocess.run(["sha512sum", *paths], cwd=bag, capture_output=True, text=True, check=True).stdout
        (bag / f"{name}-sha512.txt").write_text(sums)
    done = benchlab("verify", str(bag), cwd=work)
    assert done.returncode == 1, done.stdout
    assert "RESULTS DIFFER" in done.stdout
    assert "retained_fraction" in done.stdout


def test_the_archives_of_a_folder_are_listed_and_searched_by_part(work):
    listed = benchlab("archive", "--list", "kept", cwd=work).stdout
    assert "A1  2030-03-17" in listed
    assert "T1  tank" in listed
    assert "A1  2030-03-17" in benchlab("archive", "--list", "kept", "--part", "t1", cwd=work).stdout
    assert (
        "part T9 is in none of the 1 archives here"
        in benchlab("archive", "--list", "kept", "--part", "T9", cwd=work).stdout
    )


def test_an_archive_is_never_overwritten(work):
    done = benchlab("archive", "a", "--out", "kept", cwd=work)
    assert done.returncode == 2
    assert "never overwritten" in done.stderr


def test_a_log_that_cannot_be_read_is_sealed_all_the_same_and_told(work):
    shutil.copytree(work / "a", work / "b")
    (work / "b/tank.csv").write_text("apples,pears\n1,2\n")
    done = benchlab("archive", "b", "--out", "other", cwd=work)
    assert done.returncode == 2
    assert "tank.csv" in done.stderr
    results = json.loads((work / "other/A1_2030-03-17/data/results/results.json").read_text())
    assert results["verdict"] == "retest"
    assert benchlab("verify", "other/A1_2030-03-17", cwd=work).returncode == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["archive"], "either DIR or --list"),
        (["archive", "a", "--list", "kept"], "either DIR or --list"),
        (["archive", "a", "--part", "T1"], "either DIR or --list"),
        (["archive", "a", "--sign", "no_key", "--out", "x"], "no such key"),
        (["archive", "nowhere"], "nowhere"),
        (["archive", "--list", "nowhere"], "no such folder"),
        (["verify", "a", "--allowed-signers", "nobody"], "nobody"),
    ],
)
def test_wrong_usage_is_one_line_and_exit_2(work, arguments, says):
    done = benchlab(*arguments, cwd=work)
    assert done.returncode == 2
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_what_is_no_archive_is_exit_2(work):
    for name in ("a", "nowhere", "key"):
        done = benchlab("verify", name, cwd=work)
        assert done.returncode == 2
        assert "NOT AS SEALED" in done.stdout


def test_new_writes_a_register_once(work):
    (work / "fresh").mkdir()
    (work / "fresh/tank.csv").write_text(LOG)
    done = benchlab("new", "fresh", cwd=work)
    assert (done.returncode, done.stderr) == (0, "")
    assert "1 tank drafted" in done.stdout
    assert benchlab("new", "fresh", cwd=work).returncode == 2
