"""The public BagIt conformance cases give the results that the suite states (see conformance/SOURCE.md)."""

import shutil
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.evidence.check import check_bag
from tests.evidence.bags import DECLARATION, digest, simple_bag, tag, write

CASES = Path(__file__).parent / "conformance"
OLD = ["0.93", "0.94", "0.95", "0.96", "0.97"]


def copied(case: str, tmp_path: Path) -> Path:
    return Path(shutil.copytree(CASES / case, tmp_path / "bag"))


# --- cases copied from the suite ----------------------------------------------------------------------------------


def test_valid_basic_bag_sha512(tmp_path):
    check = check_bag(copied("v0.97-valid/basic-bag-sha512", tmp_path))
    assert (check.problems, check.warnings, check.info["Payload-Oxum"]) == ((), (), "30.1")


def test_valid_basic_bag_md5_of_version_0_95(tmp_path):
    bag = copied("v0.95-valid/basic-bag-md5", tmp_path)
    write(bag / "bagit.txt", DECLARATION.format("0.95"))
    for n, place in enumerate(["", "", "dir1/", "dir2/", "dir2/dir3/"], 1):
        write(bag / "data" / f"{place}test{n}.txt", f"test{n}")
    assert check_bag(bag).problems == ()


def test_warning_same_name_twice_in_different_normal_forms(tmp_path):
    bag = copied("v0.97-warning/same-filename-listed-twice-with-different-normalization", tmp_path)
    write(bag / "bagit.txt", DECLARATION.format("0.97"))
    write(bag / "data" / unicodedata.normalize("NFC", "Núñez"), "")
    check = check_bag(bag)
    assert check.problems == ()
    assert any("code points" in warning for warning in check.warnings)


def test_invalid_out_of_scope_path_in_dot_notation(tmp_path):
    bag = copied("v0.97-invalid/out-of-scope-file-paths-using-dot-notation", tmp_path)
    write(bag / "bagit.txt", DECLARATION.format("0.97"))
    write(tmp_path.parent / "README.md", "outside")
    assert any("'../../../README.md' leads out of the bag" in problem for problem in check_bag(bag).problems)


# --- valid cases rebuilt --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("version", [*OLD, "1.0"])
def test_valid_basic_bag(tmp_path, version):
    check = check_bag(simple_bag(tmp_path / "bag", version))
    assert (check.version, check.problems, check.warnings) == (version, (), ())


@pytest.mark.parametrize("version", OLD)
def test_valid_duplicate_metadata_entries(tmp_path, version):
    bag = simple_bag(tmp_path / "bag", version)
    name = "bag-info.txt" if version in ("0.96", "0.97") else "package-info.txt"
    (bag / "bag-info.txt").unlink()
    write(bag / name, "Contact-Name: one\nContact-Name: two\n")
    tag(bag)
    assert check_bag(bag).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_bag_in_a_bag(tmp_path, version):
    inner = simple_bag(tmp_path / "inner")
    files = {f"inner/{p.relative_to(inner)}": p.read_text() for p in inner.rglob("*") if p.is_file()}
    assert check_bag(simple_bag(tmp_path / "bag", version, files=files)).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_bag_with_space(tmp_path, version):
    assert check_bag(simple_bag(tmp_path / "bag", version, files={"a b.txt": "x", "c  d": "y"})).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_bag_with_encoded_names(tmp_path, version):
    bag = simple_bag(tmp_path / "bag", version, files={"carriage\rreturn": "x", "line\nfeed": "y"})
    lines = [f"{digest('x')}  data/carriage%0Dreturn\n", f"{digest('y')}  data/line%0afeed\n"]
    write(bag / "manifest-md5.txt", "".join(lines))
    tag(bag)
    assert check_bag(bag).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_bag_with_escapable_characters(tmp_path, version):
    names = ["per%cent", "already%0Aencoded", "twice%25", "a&b", "q'uote", 'd"ouble', "#hash", "back\\slash"]
    assert check_bag(simple_bag(tmp_path / "bag", version, files=dict.fromkeys(names, "x"))).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_bag_with_leading_dot_slash_in_manifest(tmp_path, version):
    bag = simple_bag(tmp_path / "bag", version)
    write(bag / "manifest-md5.txt", f"{digest('hello' + chr(10))}  ./data/hello.txt\n")
    tag(bag)
    assert check_bag(bag).problems == ()


@pytest.mark.parametrize("version", ["0.96", "0.97"])
def test_valid_holey_bag_whose_files_were_fetched(tmp_path, version):
    bag = simple_bag(tmp_path / "bag", version)
    write(bag / "fetch.txt", "http://example.org/hello.txt 6 data/hello.txt\n")
    tag(bag)
    assert check_bag(bag).problems == ()
    (bag / "data/hello.txt").unlink()
    assert any("was never fetched" in problem for problem in check_bag(bag).problems)


@pytest.mark.parametrize("encoding", ["ISO-8859-1", "UTF-16", "UTF-16BE"])
def test_valid_tag_files_in_another_encoding(tmp_path, encoding):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "data/füße", "x")
    write(bag / "bagit.txt", f"BagIt-Version: 0.97\nTag-File-Character-Encoding: {encoding}\n")
    lines = f"{digest('hello' + chr(10))}  data/hello.txt\n{digest('x')}  data/füße\n"
    write(bag / "manifest-md5.txt", lines.encode(encoding))
    write(bag / "bag-info.txt", "Contact-Name: Jürgen\n".encode(encoding))
    (bag / "tagmanifest-md5.txt").unlink()
    check = check_bag(bag)
    assert (check.problems, check.info) == ((), {"Contact-Name": "Jürgen"})


def test_valid_minimal_bag(tmp_path):
    write(tmp_path / "bag/bagit.txt", DECLARATION.format("0.97"))
    write(tmp_path / "bag/manifest-md5.txt", "")
    (tmp_path / "bag/data").mkdir()
    assert check_bag(tmp_path / "bag").problems == ()


def test_valid_uncommon_metadata_separators(tmp_path):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "bag-info.txt", "Contact-Name:nobody\nContact-Email  :\tx@example.org\nNote: one\n two\n")
    tag(bag)
    check = check_bag(bag)
    assert check.problems == ()
    assert check.info == {"Contact-Name": "nobody", "Contact-Email": "x@example.org", "Note": "one two"}


# --- warnings -------------------------------------------------------------------------------------------------------


def warned(bag: Path, word: str) -> bool:
    tag(bag)
    check = check_bag(bag)
    assert check.problems == ()
    return any(word in warning for warning in check.warnings)


def test_warning_duplicate_file_with_different_case(tmp_path):
    bag = simple_bag(tmp_path / "bag", files={"HELLO.txt": "x", "hello.txt": "x"})
    if len(list((bag / "data").iterdir())) == 1:
        pytest.skip("this file system does not tell letter case apart")
    assert warned(bag, "letter case")


def test_warning_made_with_md5sum_tools(tmp_path):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "manifest-md5.txt", f"{digest('hello' + chr(10))} *data/hello.txt\n")
    assert warned(bag, "'*'")


def test_warning_relative_path(tmp_path):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "manifest-md5.txt", f"{digest('hello' + chr(10))}  ./data/hello.txt\n")
    assert warned(bag, "'./'")


def test_warning_same_filename_listed_twice_with_the_same_hash(tmp_path):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "manifest-md5.txt", f"{digest('hello' + chr(10))}  data/hello.txt\n" * 2)
    assert warned(bag, "listed twice")


def test_warning_special_system_files(tmp_path):
    assert warned(simple_bag(tmp_path / "bag", files={".DS_Store": "", "Thumbs.db": ""}), "operating system")


# --- invalid cases --------------------------------------------------------------------------------------------------


def spoiled(tmp_path: Path, case: str) -> Path:
    """A bag with the fault that the case's name in the suite states."""
    version = "1.0" if case.startswith("v1.0") else "0.97"
    bag = simple_bag(tmp_path / "bag", version)
    good = f"{digest('hello' + chr(10))}  data/hello.txt\n"
    elsewhere = f"{digest('x')}  {{}}\n"
    match case.split("/")[1]:
        case "baginfo-missing-encoding":
            write(bag / "bagit.txt", "BagIt-Version: 0.97\n")
        case "bom-in-bagit.txt":
            write(bag / "bagit.txt", b"\xef\xbb\xbf" + DECLARATION.format("0.97").encode())
        case "corrupt-data-file":
            write(bag / "data/hello.txt", "hellO\n")
        case "corrupt-tag-file":
            write(bag / "bag-info.txt", "Contact-Name: somebody\n")
            return bag
        case "extra-file-in-bag":
            write(bag / "data/extra", "")
        case "invalid-version-number":
            write(bag / "bagit.txt", "BagIt-Version: a.b\nTag-File-Character-Encoding: UTF-8\n")
        case "missing-baginfo":
            (bag / "bag-info.txt").unlink()
            return bag
        case "missing-bagit.txt":
            (bag / "bagit.txt").unlink()
        case "same-filename-listed-twice-with-different-hashes":
            write(bag / "manifest-md5.txt", good + good.replace(good[:4], "0000"))
        case "same-filename-listed-twice-with-the-same-hash":
            write(bag / "manifest-md5.txt", good * 2)
        case "bagit-with-invalid-whitespace":
            write(bag / "bagit.txt", "BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n")
        case "notAllManifestsListAllFiles":
            write(bag / "data/second", "x")
            write(bag / "manifest-md5.txt", good + elsewhere.format("data/second"))
            write(bag / "manifest-sha256.txt", f"{digest('x', 'sha256')}  data/second\n")
        case other:
            path = {
                "dot-notation": "data/../../x", "absolute-path": "/etc/hosts", "shortcut-username": "~root/x",
                "shortcut": "~/x", "drive": "C:\\x", "variable": "%TEMP%\\x", "unc": "\\\\server\\share\\x",
            }[other.removeprefix("out-of-scope-").removesuffix("-for-fetch")]  # fmt: skip
            if other.endswith("-for-fetch"):
                write(bag / "fetch.txt", f"http://example.org/x 1 {path}\n")
            else:
                write(bag / "manifest-md5.txt", good + elsewhere.format(path))
    tag(bag)
    return bag


INVALID = [
    *(f"v0.97/{name}" for name in (
        "baginfo-missing-encoding", "bom-in-bagit.txt", "corrupt-data-file", "corrupt-tag-file", "extra-file-in-bag",
        "invalid-version-number", "missing-baginfo", "missing-bagit.txt",
        "same-filename-listed-twice-with-different-hashes",
    )),
    *(f"v0.97/out-of-scope-{how}{fetch}"
      for how in ("dot-notation", "absolute-path", "shortcut", "shortcut-username", "drive", "variable", "unc")
      for fetch in ("", "-for-fetch")),
    *(f"v1.0/{name}" for name in (
        "bagit-with-invalid-whitespace", "notAllManifestsListAllFiles",
        "same-filename-listed-twice-with-different-hashes", "same-filename-listed-twice-with-the-same-hash",
    )),
]  # fmt: skip


@pytest.mark.parametrize("case", INVALID)
def test_invalid(tmp_path, case):
    assert not check_bag(spoiled(tmp_path, case)).valid


@pytest.mark.parametrize("version", ["0.97", "1.0"])
def test_a_link_in_a_bag_is_refused_and_not_followed(tmp_path, version):
    write(tmp_path / "secret", "hello\n")
    bag = simple_bag(tmp_path / "bag", version)
    (bag / "data/hello.txt").unlink()
    (bag / "data/hello.txt").symlink_to(tmp_path / "secret")
    assert any("is a link" in problem for problem in check_bag(bag).problems)


@pytest.mark.parametrize("encoding", ["UTD-8", "rot13", "x\0y", "zip"])
def test_an_encoding_that_does_not_exist_is_a_problem(tmp_path, encoding):
    bag = simple_bag(tmp_path / "bag")
    write(bag / "bagit.txt", f"BagIt-Version: 0.97\nTag-File-Character-Encoding: {encoding}\n")
    assert any("is no character encoding" in problem for problem in check_bag(bag).problems)


TAGS = ["bagit.txt", "bag-info.txt", "manifest-md5.txt", "tagmanifest-md5.txt", "fetch.txt"]


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(TAGS), st.binary(max_size=60), st.booleans())
def test_no_tag_file_whatever_its_octets_ends_in_a_traceback(tmp_path_factory, name, octets, appended):
    bag = simple_bag(tmp_path_factory.mktemp("fuzz") / "bag")
    before = (bag / name).read_bytes() if appended and (bag / name).exists() else b""
    write(bag / name, before + octets)
    check_bag(bag)
