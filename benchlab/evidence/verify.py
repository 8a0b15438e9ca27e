"""Verifying a sealed archive: whole, unchanged, signed by whom, and do the results follow from its logs."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from benchlab.errors import BenchlabError
from benchlab.evidence.bag import TAG_MANIFEST, files_in, manifest_text
from benchlab.evidence.check import Check, check_bag, shown
from benchlab.evidence.compare import Difference, compare_cycles, compare_results
from benchlab.evidence.package import SIGNATURE_LABEL, VERDICT_LABEL, Run, versions_text
from benchlab.evidence.sign import SUFFIX, Signature, check_signature
from benchlab.evidence.tables import result_tables
from benchlab.export import csv_text

_NEEDED = ("data/airframe/airframe.toml", "data/results/results.json", "data/results/cycles.parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionChange:
    """A program that computed in another version than the one installed now; None where there is none."""

    name: str
    archived: str | None
    now: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What verifying an archive came to."""

    bag: Path
    check: Check
    problems: tuple[str, ...]
    """Why the bag is not whole, unchanged and as it was sealed; empty if it is."""
    signature: Signature
    not_recomputed: str | None = None
    """Why the results were not recomputed, None if they were."""
    differences: tuple[Difference, ...] = ()
    versions: tuple[VersionChange, ...] = ()

    @property
    def whole(self) -> bool:
        """Complete, unchanged, and the signature, if there is one, is not bad."""
        return not self.problems and self.signature.status != "bad"

    @property
    def reproduced(self) -> bool:
        """The results were recomputed and agree but for rounding."""
        return self.not_recomputed is None and all(d.negligible for d in self.differences)

    @property
    def exit_status(self) -> int:
        """0 whole and reproduced, 1 whole but the results came out otherwise, 2 not whole."""
        return 2 if not self.whole else 0 if self.reproduced else 1


def verify_bag(
    bag: Path,
    allowed_signers: Path | None = None,
    *,
    run: Run,
    progress: Callable[[str], None] = lambda _: None,
) -> Verification:
    """Check a bag, its signature, and recompute all results from its raw logs and procedures in a temporary folder.

    ``run`` is ``benchlab.run.run_airframe``. Nothing is written into the bag, and a bag that is not whole is not
    recomputed: a register in it could not be trusted.

    Raises
    ------
    BenchlabError
        If the list of allowed signers does not exist.
    """
    progress("checking every file")
    check = check_bag(bag)
    problems = (*check.problems, *(_as_sealed(bag, check) if check.valid else ()))
    signature = check_signature(bag / TAG_MANIFEST, allowed_signers, check.info.get("Bagging-Date"))
    if signature.status == "none" and (allowed_signers is not None or SIGNATURE_LABEL in check.info):
        signature = Signature(status="bad", text="there is no signature, though one was expected")
    if problems or signature.status == "bad":
        why = "the archive is not whole" if problems else "the signature is bad"
        return Verification(bag=bag, check=check, problems=problems, signature=signature, not_recomputed=why)
    with tempfile.TemporaryDirectory(prefix="benchlab-verify-") as temporary:
        progress("recomputing the results")
        try:
            again = run(bag / "data/airframe", Path(temporary)).folder
        except Exception as error:
            why = f"the run failed: {error}" if isinstance(error, BenchlabError) else f"the run failed: {error!r}"
            return Verification(bag=bag, check=check, problems=(), signature=signature, not_recomputed=why)
        try:
            differences, versions = _compare(bag, check, again)
        except (KeyError, TypeError, AttributeError, ValueError, OSError, RecursionError) as error:
            # sealed by somebody with results that no version of this program writes
            why = f"the archived results cannot be read ({type(error).__name__}: {error})"
            return Verification(bag=bag, check=check, problems=(), signature=signature, not_recomputed=why)
    return Verification(
        bag=bag, check=check, problems=(), signature=signature, differences=tuple(differences), versions=versions
    )


def _as_sealed(bag: Path, check: Check) -> list[str]:
    """Demand what BagIt leaves open and this program always writes: every tag file listed, one form of the list."""
    found = [f"{shown(p)}: was added" for p in check.unlisted_tags if p != TAG_MANIFEST + SUFFIX]
    found += [
        f"{needed}: is missing, so this is no archive of benchlab's"
        for needed in _NEEDED
        if not (bag / needed).is_file()
    ]
    if found or not (bag / TAG_MANIFEST).is_file():
        return found or [f"{TAG_MANIFEST}: is missing"]
    outside = (p for p in files_in(bag, base=bag) if not p.startswith("data/"))
    listed = [p for p in outside if p not in (TAG_MANIFEST, TAG_MANIFEST + SUFFIX)]
    if (bag / TAG_MANIFEST).read_bytes() != manifest_text(bag, listed).encode():
        found.append(f"{TAG_MANIFEST}: is not in the form in which it was written")
    return found


def _compare(bag: Path, check: Check, again: Path) -> tuple[list[Difference], tuple[VersionChange, ...]]:
    old = bag / "data/results"
    archived, recomputed = (_json(folder / "results.json") for folder in (old, again))
    versions = _version_changes(archived.get("software", {}), recomputed["software"])
    differences = compare_results(archived, recomputed)
    differences += compare_cycles(pd.read_parquet(old / "cycles.parquet"), pd.read_parquet(again / "cycles.parquet"))
    if check.info.get(VERDICT_LABEL) != archived["verdict"]:
        stated = check.info.get(VERDICT_LABEL)
        differences.append(Difference(where="bag-info.txt, verdict", archived=stated, recomputed=archived["verdict"]))
    expected = {f"{name}.csv": csv_text(table) for name, table in result_tables(archived).items()}
    expected["cycles.csv"] = csv_text(pd.read_parquet(old / "cycles.parquet"))
    expected["rejected_rows.csv"] = (again / "rejected_rows.csv").read_text(encoding="utf-8")
    if not versions and _same_system(bag, recomputed["software"]):
        # elsewhere the last bits of a drawn curve may differ, and with them the page
        expected["report.html"] = (again / "report.html").read_text(encoding="utf-8")
    return differences + [d for name, text in expected.items() for d in _text(old / name, text)], versions


def _json(path: Path) -> dict[str, Any]:
    parsed: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return parsed


def _text(path: Path, expected: str) -> list[Difference]:
    """Compare a text file of the bag line by line and tell where it first differs from what is expected."""
    if not path.is_file():
        return [Difference(where=path.name, archived="(absent)", recomputed=f"{len(expected)} characters")]
    old, new = (text.split("\n") for text in (path.read_bytes().decode("utf-8", "replace"), expected))
    pairs = zip([*old, *[""] * (len(new) - len(old))], [*new, *[""] * (len(old) - len(new))], strict=True)
    unlike = [(number, a, b) for number, (a, b) in enumerate(pairs, 1) if a != b]
    if not unlike:
        return []
    number, a, b = unlike[0]
    start = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    where = f"{path.name}, line {number} from character {start + 1} (first of {len(unlike)} lines)"
    return [Difference(where=where, archived=a[start : start + 60], recomputed=b[start : start + 60])]


def _version_changes(archived: dict[str, str], now: dict[str, str]) -> tuple[VersionChange, ...]:
    names = dict.fromkeys([*archived, *now])
    changes = [VersionChange(name=n, archived=archived.get(n), now=now.get(n)) for n in names]
    return tuple(c for c in changes if c.archived != c.now)


def _same_system(bag: Path, software: dict[str, str]) -> bool:
    versions = bag / "data/versions.json"
    return versions.is_file() and versions.read_text(encoding="utf-8") == versions_text(software)
