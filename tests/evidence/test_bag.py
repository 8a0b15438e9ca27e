"""The writer: what it writes is a valid bag to us and to the bagit library; a failure leaves nothing."""

import errno
import os
import shutil
import subprocess
from pathlib import Path

import bagit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.errors import BenchlabError
from benchlab.evidence import bag as bag_module
from benchlab.evidence.bag import MANIFEST, STAGING_PREFIX, TAG_MANIFEST, seal, staged
from benchlab.evidence.check import check_bag
from benchlab.evidence.tagfiles import decode_path, encode_path, lines_of, parse_manifest
from tests.evidence.bags import write

PAYLOAD = {"a.txt": "alpha\n", "deep/er/b.csv": "1;2\n" * 50, "ä ö.txt": "", "z.bin": "\x00\x01"}


def make(destination: Path, payload: dict[str, str] = PAYLOAD, info: dict[str, str] | None = None) -> Path:
    with staged(destination) as staging:
        (staging / "data").mkdir()
        for name, content in payload.items():
            write(staging / "data" / name, content)
        seal(staging, {"Bagging-Date": "2031-02-03", **(info or {})})
    return destination


def test_a_bag_is_valid_to_the_checker_and_to_the_bagit_library(tmp_path):
    bag = make(tmp_path / "bag")
    check = check_bag(bag)
    assert (check.version, check.problems, check.warnings, check.unlisted_tags) == ("1.0", (), (), ())
    # 6 + 200 + 0 + 2 octets in 4 files
    assert check.info == {"Bagging-Date": "2031-02-03", "Bag-Size": "208 B", "Payload-Oxum": "208.4"}
    assert bagit.Bag(str(bag)).validate()


@pytest.mark.skipif(shutil.which("sha512sum") is None, reason="needs the coreutils")
def test_the_manifests_are_read_by_sha512sum(tmp_path):
    bag = make(tmp_path / "bag")
    for manifest in (MANIFEST, TAG_MANIFEST):
        subprocess.run(["sha512sum", "--strict", "--quiet", "-c", manifest], cwd=bag, check=True)


def test_the_same_payload_gives_the_same_bytes(tmp_path):
    one, two = make(tmp_path / "one"), make(tmp_path / "two", dict(reversed(PAYLOAD.items())))
    for name in (MANIFEST, TAG_MANIFEST, "bag-info.txt"):
        assert (one / name).read_bytes() == (two / name).read_bytes()


def test_an_existing_bag_is_never_overwritten(tmp_path):
    bag = make(tmp_path / "bag")
    with pytest.raises(BenchlabError, match="never overwritten"):
        make(bag, {"other": "x"})
    assert check_bag(bag).valid
    assert (bag / "data/a.txt").read_text() == "alpha\n"
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]


def test_a_bag_that_appears_meanwhile_is_not_overwritten_either(tmp_path):
    def lose_the_race() -> None:
        with staged(tmp_path / "bag") as staging:
            (staging / "data").mkdir()
            seal(staging, {})
            write(tmp_path / "bag/rival", "came first")

    with pytest.raises(BenchlabError, match="never overwritten"):
        lose_the_race()
    assert [p.name for p in tmp_path.iterdir()] == ["bag"]
    assert (tmp_path / "bag/rival").read_text() == "came first"


@pytest.mark.parametrize("failure", [RuntimeError("fault"), KeyboardInterrupt()])
def test_whatever_goes_wrong_nothing_is_left_behind(tmp_path, failure):
    def fail() -> None:
        with staged(tmp_path / "bag") as staging:
            write(staging / "data/half", "x")
            raise failure

    with pytest.raises(type(failure)):
        fail()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_a_clear_error_and_leaves_nothing(tmp_path, monkeypatch):
    def full(path: Path, text: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(path))

    monkeypatch.setattr(bag_module, "write_text", full)
    with pytest.raises(BenchlabError, match="No space left on device") as caught:
        make(tmp_path / "bag")
    assert "free some space" in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_destination_that_cannot_be_written_is_a_clear_error(tmp_path):
    write(tmp_path / "file", "x")
    with pytest.raises(BenchlabError, match="could not be made"):
        make(tmp_path / "file" / "bag")


def test_what_a_crash_left_a_day_ago_is_removed_and_fresh_work_of_others_is_not(tmp_path):
    old, fresh = tmp_path / f"{STAGING_PREFIX}old", tmp_path / f"{STAGING_PREFIX}fresh"
    for folder in (old, fresh):
        write(folder / "data/half", "x")
    os.utime(old, (0, 0))
    make(tmp_path / "bag")
    assert sorted(p.name for p in tmp_path.iterdir()) == [fresh.name, "bag"]


def test_text_in_bag_info_cannot_add_lines(tmp_path):
    bag = make(tmp_path / "bag", info={"External-Description": "one\r\nPayload-Oxum: 1.1\u202e\u2028x"})
    assert check_bag(bag).info["External-Description"] == "one Payload-Oxum: 1.1 x"


def flips(bag: Path, count: int, rng: np.random.Generator) -> list[tuple[Path, int, int]]:
    """Random places: a file of the bag (weight: its size), an octet of it, a bit."""
    files = [p for p in sorted(bag.rglob("*")) if p.is_file() and p.stat().st_size]
    sizes = np.array([p.stat().st_size for p in files], dtype=float)
    chosen = rng.choice(len(files), count, p=sizes / sizes.sum())
    return [(files[i], int(rng.integers(sizes[i])), int(rng.integers(8))) for i in chosen]


def test_every_single_bit_flip_is_detected_but_for_letter_case_in_the_tag_manifest(tmp_path):
    # a checksum's letter case says nothing to BagIt; verify_bag compares the tag manifest octet by octet (test_verify)
    bag = make(tmp_path / "bag")
    for path, place, bit in flips(bag, 200, np.random.default_rng(512)):
        sound = path.read_bytes()
        changed = bytearray(sound)
        changed[place] ^= 1 << bit
        path.write_bytes(changed)
        in_checksum = place - (sound.rfind(b"\n", 0, place) + 1) < 128  # sha512: 128 digits at the start of a line
        harmless = path.name == TAG_MANIFEST and in_checksum and bytes(changed).lower() == sound.lower()
        assert check_bag(bag).valid == harmless, (path, place, bit)
        path.write_bytes(sound)
    assert check_bag(bag).valid


def added(bag: Path) -> None:
    write(bag / "data/new.txt", "x")


def removed(bag: Path) -> None:
    (bag / "data/a.txt").unlink()


def renamed(bag: Path) -> None:
    (bag / "data/a.txt").rename(bag / "data/b.txt")


def swapped(bag: Path) -> None:
    a, b = bag / "data/a.txt", bag / "data/z.bin"
    content = a.read_bytes()
    a.write_bytes(b.read_bytes())
    b.write_bytes(content)


def tag_removed(bag: Path) -> None:
    (bag / "bag-info.txt").unlink()


@pytest.mark.parametrize("change", [added, removed, renamed, swapped, tag_removed])
def test_changed_sets_of_files_are_detected(tmp_path, change):
    bag = make(tmp_path / "bag")
    change(bag)
    assert not check_bag(bag).valid


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_path_survives_encoding_in_a_manifest(path):
    encoded = encode_path(path)
    assert lines_of(f"00  {encoded}\n") == [f"00  {encoded}"]
    assert decode_path(encoded) == path
    if path[0] not in " \t*" and path.strip():
        assert [e.path for e in parse_manifest(f"00  {encoded}\n")[0]] == [encoded]
