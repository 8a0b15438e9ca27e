"""Verifying: seal, signature, recomputation; every change is told."""

import functools
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from benchlab.errors import BenchlabError
from benchlab.evidence.bag import TAG_MANIFEST, files_in, manifest_text
from benchlab.evidence.check import check_bag
from benchlab.evidence.index import list_bags, with_part
from benchlab.evidence.package import archive_airframe
from benchlab.evidence.text import index_text, verification_text
from benchlab.evidence.verify import Verification, verify_bag
from tests.evidence.bags import write
from tests.evidence.test_bag import flips
from tests.evidence.toy import REGISTER, airframe, run

needs_ssh = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="needs OpenSSH")


@pytest.fixture
def bag(tmp_path) -> Path:
    return archive_airframe(airframe(tmp_path / "in"), tmp_path / "out", run=run)


def verified(bag: Path, allowed_signers: Path | None = None, **options) -> Verification:
    return verify_bag(bag, allowed_signers, run=functools.partial(run, **options))


def reseal(bag: Path) -> None:
    """What a forger does after a change: all checksums anew."""
    payload = files_in(bag / "data", base=bag)
    octets = sum((bag / p).stat().st_size for p in payload)
    info = (bag / "bag-info.txt").read_text().splitlines()
    kept = [line for line in info if not line.startswith("Payload-Oxum")]
    write(bag / "bag-info.txt", "\n".join([*kept, f"Payload-Oxum: {octets}.{len(payload)}", ""]))
    write(bag / "manifest-sha512.txt", manifest_text(bag, payload))
    tags = [p for p in files_in(bag, base=bag) if not p.startswith(("data/", "tagmanifest"))]
    write(bag / TAG_MANIFEST, manifest_text(bag, tags))


def test_an_untouched_bag_is_whole_and_its_results_follow_from_its_logs(bag):
    v = verified(bag)
    assert (v.whole, v.reproduced, v.differences, v.exit_status) == (True, True, (), 0)
    assert "every figure and verdict the same" in verification_text(v)


def test_every_single_bit_flip_is_detected(bag):
    """The fast form of tests/benchmarks/archive_flips.py, which flips 1000."""
    chosen = flips(bag, 40, np.random.default_rng(1)) + [
        (bag / TAG_MANIFEST, int(p), 5) for p in np.random.default_rng(2).integers(0, 128, 20)
    ]  # bit 5 is letter case, which BagIt itself would let pass in a checksum
    for path, place, bit in chosen:
        sound = path.read_bytes()
        path.write_bytes(sound[:place] + bytes([sound[place] ^ (1 << bit)]) + sound[place + 1 :])
        assert verified(bag).exit_status == 2, (path, place, bit)
        path.write_bytes(sound)
    assert verified(bag).exit_status == 0


def test_an_added_tag_file_is_detected_though_bagit_allows_it(bag):
    write(bag / "extra.txt", "x")
    assert check_bag(bag).valid
    assert verified(bag).problems == ("extra.txt: was added",)


def test_a_forged_figure_with_all_checksums_made_anew_is_found_by_recomputing(bag):
    results = bag / "data/results/results.json"
    results.write_text(results.read_text().replace('"value": 4.0', '"value": 3.0'))
    reseal(bag)
    v = verified(bag)
    assert (v.whole, v.exit_status) == (True, 1)
    told = {d.where: (d.archived, d.recomputed, d.size, d.unit) for d in v.differences}
    assert told["parts S1, quantities, sum, value"] == (3.0, 4.0, 1.0, "1")
    assert "parts S1, quantities, sum, value: 3 -> 4 1 (+1 1, +33 %)" in verification_text(v)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [("report.html", "accept", "reject"), ("findings.csv", "accept", "reject"), ("cycles.csv", "1.0", "1.5"),
     ("rejected_rows.csv", "file", "FILE")],
)  # fmt: skip
def test_a_forged_report_or_table_is_found_too(bag, name, old, new):
    path = bag / "data/results" / name
    path.write_text(path.read_text().replace(old, new))
    reseal(bag)
    v = verified(bag)
    assert v.exit_status == 1
    assert [d.where.split(",")[0] for d in v.differences] == [name]


def test_a_forged_log_is_found_by_the_results_it_no_longer_gives(bag):
    write(bag / "data/airframe/logs/left.csv", "t;i\n0;1\n1;9\n")
    reseal(bag)
    assert any(d.where == "parts S1, findings sum value, value" and d.size == 7 for d in verified(bag).differences)


def test_another_version_may_differ_and_then_says_in_which_figure_by_how_much(bag):
    v = verified(bag, gain=1.25, version="0.2")
    assert [(c.name, c.archived, c.now) for c in v.versions] == [("benchlab", "0.1", "0.2")]
    sizes = {d.where: d.size for d in v.differences}
    assert sizes["parts S1, quantities, sum, value"] == 1.0  # 4 -> 5
    assert sizes["cycles S1, current_a, cycle 2 (largest of 1)"] == 0.5  # 2.0 -> 2.5
    assert "version: benchlab 0.1 then, 0.2 now" in verification_text(v)


def test_a_changed_verdict_is_told_first(bag):
    v = verified(bag, gain=20)
    assert v.differences[0].where == "verdict"
    assert (v.differences[0].archived, v.differences[0].recomputed) == ("accept", "reject")


def test_rounding_is_told_and_does_not_count(bag):
    v = verified(bag, gain=1 + 1e-8)
    assert v.differences
    assert v.exit_status == 0
    assert "mere rounding" in verification_text(v)


def test_a_broken_bag_is_not_run(bag):
    write(bag / "data/airframe/airframe.toml", "changed")

    def never(folder: Path, out: Path):
        raise AssertionError(folder, out)

    v = verify_bag(bag, run=never)
    assert v.exit_status == 2
    assert v.not_recomputed == "the archive is not whole"
    assert "NOT AS SEALED" in verification_text(v)


def test_results_that_cannot_be_read_are_told_without_a_traceback(bag):
    write(bag / "data/results/results.json", '{"parts": 7}')
    reseal(bag)
    v = verified(bag)
    assert v.exit_status == 1
    assert "cannot be read" in str(v.not_recomputed)


def test_any_other_bag_or_folder_is_no_archive_of_an_airframe(tmp_path):
    assert verified(tmp_path).problems == ("bagit.txt: is missing, so this is no bag",)
    assert verified(tmp_path / "nothing").exit_status == 2


# --- signatures -----------------------------------------------------------------------------------------------------


def key(tmp_path: Path, name: str = "key") -> Path:
    made = tmp_path / name
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(made)], check=True)
    return made


def allowed(tmp_path: Path, made: Path, options: str = "") -> Path:
    public = made.with_suffix(".pub").read_text()
    return write(tmp_path / "allowed", f"workshop@example.org {options} {public}".replace("  ", " "))


@pytest.fixture
def signed(tmp_path) -> tuple[Path, Path]:
    made = key(tmp_path)
    return archive_airframe(airframe(tmp_path / "in"), tmp_path / "out", run=run, sign=made), made


@needs_ssh
def test_a_signature_is_good_for_the_allowed_signer_and_for_nobody_else(signed, tmp_path):
    bag, made = signed
    assert verified(bag).signature.status == "unknown"
    good = verified(bag, allowed(tmp_path, made))
    assert (good.signature.status, good.signature.signer, good.exit_status) == ("good", "workshop@example.org", 0)
    other = verified(bag, allowed(tmp_path, key(tmp_path, "other")))
    assert (other.signature.status, other.exit_status) == ("bad", 2)


@needs_ssh
def test_a_key_with_a_term_is_judged_at_the_day_of_sealing(signed, tmp_path):
    bag, made = signed
    assert verified(bag, allowed(tmp_path, made, 'valid-before="20200101"')).signature.status == "bad"
    assert verified(bag, allowed(tmp_path, made, 'valid-after="20200101"')).signature.status == "good"


@needs_ssh
def test_the_readme_command_checks_the_signature(signed, tmp_path):
    bag, made = signed
    command = ["ssh-keygen", "-Y", "verify", "-f", str(allowed(tmp_path, made)), "-I", "workshop@example.org"]
    command += ["-n", "benchlab-evidence", "-s", f"{TAG_MANIFEST}.sig"]
    with (bag / TAG_MANIFEST).open() as manifest:
        subprocess.run(command, cwd=bag, stdin=manifest, check=True, capture_output=True)


@needs_ssh
def test_a_forger_without_the_key_is_found(signed):
    bag, _ = signed
    (bag / "data/results/report.html").write_text("forged")
    reseal(bag)
    v = verified(bag)
    assert v.signature.status == "bad"
    assert v.exit_status == 2


@needs_ssh
def test_a_signature_taken_away_or_damaged_is_found(signed):
    bag, _ = signed
    signature = bag / f"{TAG_MANIFEST}.sig"
    sound = signature.read_bytes()
    rng = np.random.default_rng(3)
    for place, bit in zip(rng.integers(0, len(sound), 30), rng.integers(0, 8, 30), strict=True):
        signature.write_bytes(sound[:place] + bytes([sound[place] ^ (1 << bit)]) + sound[place + 1 :])
        assert verified(bag).signature.status == "bad", (place, bit)
    signature.unlink()
    assert "one was expected" in verified(bag).signature.text


def test_an_unsigned_bag_does_not_pass_where_a_signer_was_asked_for(bag, tmp_path):
    assert verified(bag, write(tmp_path / "allowed", "")).exit_status == 2


def test_a_missing_key_or_list_of_signers_is_one_clear_line(tmp_path, bag):
    with pytest.raises(BenchlabError, match="no such key"):
        archive_airframe(airframe(tmp_path / "in2"), tmp_path / "out2", run=run, sign=tmp_path / "none")
    with pytest.raises(BenchlabError, match="no such file"):
        verified(bag, tmp_path / "none")


# --- index ----------------------------------------------------------------------------------------------------------


def test_the_index_finds_every_airframe_in_which_a_part_was_tested(tmp_path):
    second = REGISTER.replace("K03-021", "K03-022").replace('"T1"', '"T9"')
    for n, register in enumerate([REGISTER, second]):
        archive_airframe(airframe(tmp_path / f"in{n}", register), tmp_path / "out", run=run)
    write(tmp_path / "out/broken/bagit.txt", "")
    archives = list_bags(tmp_path / "out")
    assert [(a.airframe, a.verdict, [p.id for p in a.parts]) for a in archives if not a.problem] == [
        ("K03-021", "accept", ["S1", "T1"]),
        ("K03-022", "accept", ["S1", "T9"]),
    ]
    assert [a.airframe for a in with_part(archives, "s1")] == ["K03-021", "K03-022"]
    assert [a.airframe for a in with_part(archives, "T9")] == ["K03-022"]
    assert "part X is in none of the 3 archives here" in index_text(archives, "X")
    assert "is no archive of an airframe" in index_text(archives)


def test_an_index_entry_cannot_forge_lines(bag):
    results = json.loads((bag / "data/results/results.json").read_text())
    results["parts"][0]["position"] = "left\nK99  2031-01-01  accept"
    write(bag / "data/results/results.json", json.dumps(results))
    assert "left\\nK99" in index_text(list_bags(bag.parent))
