"""Checking BagIt bags of the versions 0.93 to 0.97 and 1.0: complete, unchanged, and nothing that leads out of the bag.

Nothing is fetched, no link is followed and nothing is written.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from benchlab.evidence.bag import checksum
from benchlab.evidence.tagfiles import (
    Entry,
    decode_path,
    parse_bagit_txt,
    parse_fetch,
    parse_info,
    parse_manifest,
    path_fault,
)

VERSIONS = ("0.93", "0.94", "0.95", "0.96", "0.97", "1.0")
_ALGORITHMS = {a.replace("-", ""): a for a in sorted(hashlib.algorithms_guaranteed) if not a.startswith("shake")}
_MANIFEST_NAME = re.compile(r"(tag)?manifest-([A-Za-z0-9_-]+)\.txt")
_SYSTEM_FILES = {".ds_store", "thumbs.db", "desktop.ini", ".spotlight-v100", ".trashes", "._.trashes", ".fseventsd"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What checking a bag came to. A bag is valid if there are no problems; warnings do not make it invalid."""

    version: str | None
    problems: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    info: Mapping[str, str] = field(default_factory=dict)
    """First value of every label of ``bag-info.txt``."""
    payload: tuple[str, ...] = ()
    """Payload files found, as paths with ``/`` relative to the bag."""
    unlisted_tags: tuple[str, ...] = ()
    """Files outside ``data/`` that no tag manifest lists (BagIt allows them)."""

    @property
    def valid(self) -> bool:
        """The bag is complete and every checksum is right."""
        return not self.problems


def check_bag(bag: Path) -> Check:
    """Check a bag: structure, completeness, every checksum, tag files, Payload-Oxum, unsafe paths and links."""
    work = _Work(bag)
    try:
        work.run()
    except OSError as error:
        work.problems.append(f"{shown(str(error.filename or bag))}: cannot be read ({error.strerror})")
    return Check(
        version=work.version,
        problems=tuple(dict.fromkeys(work.problems)),
        warnings=tuple(dict.fromkeys(work.warnings)),
        info=work.info,
        payload=tuple(sorted(p for p in work.found if p.startswith("data/"))),
        unlisted_tags=tuple(sorted(work.unlisted)),
    )


def shown(path: str) -> str:
    """Return a path for a message: unprintable characters as escapes, so that no message can be forged by a name."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode() for c in path)


class _Work:
    """One check in progress; its fields are what ``check_bag`` reports."""

    def __init__(self, bag: Path) -> None:
        self.bag = bag
        self.version: str | None = None
        self.encoding = "utf-8"
        self.problems: list[str] = []
        self.warnings: list[str] = []
        self.info: dict[str, str] = {}
        self.found: set[str] = set()
        self.unlisted: set[str] = set()

    def run(self) -> None:
        if not self.bag.is_dir():
            self.problems.append(f"{shown(str(self.bag))}: is no folder, so no bag")
            return
        self.found = set(self._walk())
        if not self._declaration():
            return
        if not (self.bag / "data").is_dir():
            self.problems.append("data: the payload folder is missing")
        manifests = self._manifests()
        payload = {a: self._entries(name, payload=True) for a, name in manifests[""].items()}
        if not payload:
            self.problems.append("there is no payload manifest (manifest-sha512.txt or another) that can be checked")
        self._payload_complete(payload)
        tags = {a: self._entries(name, payload=False) for a, name in manifests["tag"].items()}
        for algorithm, entries in (*payload.items(), *tags.items()):
            self._checksums(algorithm, entries)
        listed = {p for entries in tags.values() for p in entries}
        tag_files = {p for p in self.found if not p.startswith("data/")}
        self.unlisted = tag_files - listed - set(manifests["tag"].values())
        self._bag_info()
        self._fetch({p for entries in payload.values() for p in entries})

    def _walk(self) -> Iterator[str]:
        """Yield every regular file; links and special files are problems and are not yielded."""
        for root, folders, names in os.walk(self.bag):
            for name in (*folders, *names):
                path = Path(root, name)
                relative, mode = path.relative_to(self.bag).as_posix(), path.lstat().st_mode
                if stat.S_ISREG(mode):
                    yield relative
                elif stat.S_ISLNK(mode):
                    self.problems.append(f"{shown(relative)}: is a link, and a link may lead out of the bag")
                elif not stat.S_ISDIR(mode):
                    self.problems.append(f"{shown(relative)}: is neither a file nor a folder")

    def _declaration(self) -> bool:
        if "bagit.txt" not in self.found:
            self.problems.append("bagit.txt: is missing, so this is no bag")
            return False
        declared, faults = parse_bagit_txt((self.bag / "bagit.txt").read_bytes())
        self.problems += faults
        if declared is None:
            return False
        self.version, self.encoding = declared
        if self.version not in VERSIONS:
            known = ", ".join(VERSIONS)
            self.problems.append(f"bagit.txt: BagIt version {self.version} is not one that can be checked ({known})")
            return False
        try:
            b"text".decode(self.encoding)
        except UnicodeError:
            return True
        except (LookupError, ValueError):
            self.problems.append(f"bagit.txt: {self.encoding!r:.60} is no character encoding")
            return False
        return True

    def _text(self, name: str) -> str:
        try:
            return (self.bag / name).read_bytes().decode(self.encoding)
        except UnicodeError:
            self.problems.append(f"{name}: is not {self.encoding} text")
            return ""

    def _manifests(self) -> dict[str, dict[str, str]]:
        """Return for payload ("") and tags ("tag") algorithm -> file name."""
        out: dict[str, dict[str, str]] = {"": {}, "tag": {}}
        for name in sorted(self.found):
            match = _MANIFEST_NAME.fullmatch(name)
            if match is None:
                continue
            algorithm = match[2].lower().replace("-", "")
            if algorithm in _ALGORITHMS:
                out[match[1] or ""][_ALGORITHMS[algorithm]] = name
            else:
                self.warnings.append(f"{name}: checksums of this kind cannot be computed here")
        return out

    def _entries(self, name: str, *, payload: bool) -> dict[str, str]:
        """Return path -> checksum of a manifest; the paths are those on the disk where there is such a file."""
        entries, faults = parse_manifest(self._text(name))
        self.problems += [f"{name}: {fault}" for fault in faults]
        out: dict[str, str] = {}
        for entry in entries:
            if entry.md5sum_mark:
                self.warnings.append(f"{name}: paths are marked with '*' as checksum programs do")
            path = self._located(entry, name)
            if fault := path_fault(path):
                self.problems.append(f"{name}: path {shown(path)!r} {fault}")
            elif payload != path.startswith("data/"):
                where = "outside" if payload else "inside"
                self.problems.append(f"{name}: path {shown(path)!r} lies {where} the payload folder data/")
            elif path in out:
                self._twice(name, path, same=out[path] == entry.checksum)
            else:
                out[path] = entry.checksum
        self._look_alikes(name, out)
        return out

    def _located(self, entry: Entry, name: str) -> str:
        """Decode a path and find the name that the file system has for it."""
        written = entry.path
        if written.startswith("./"):
            self.warnings.append(f"{name}: path {shown(written)!r} begins with './'")
            written = re.sub(r"^(\./+)+", "", written)
        decoded = decode_path(written)
        # the drafts before 1.0 did not encode the percent sign itself, nor all of them line breaks
        if self.version != "1.0" and decoded not in self.found and written in self.found:
            return written
        if decoded not in self.found:
            folded = unicodedata.normalize("NFC", decoded)
            for other in self.found:
                if unicodedata.normalize("NFC", other) == folded:
                    self.warnings.append(f"{name}: path {shown(decoded)!r} is spelled with other code points on disk")
                    return other
        return decoded

    def _twice(self, name: str, path: str, *, same: bool) -> None:
        message = f"{name}: {shown(path)} is listed twice"
        if not same:
            self.problems.append(f"{message} with different checksums")
        elif self.version == "1.0":
            self.problems.append(message)
        else:
            self.warnings.append(message)

    def _look_alikes(self, name: str, listed: Mapping[str, str]) -> None:
        """Warn of paths that other file systems take for the same file, and of files that systems strew about."""
        seen: dict[str, str] = {}
        for path in listed:
            folded = unicodedata.normalize("NFC", path).casefold()
            if folded in seen:
                message = f"{shown(seen[folded])} and {shown(path)} differ only in letter case or code points"
                self.warnings.append(f"{name}: {message}")
            seen.setdefault(folded, path)
            if path.rsplit("/", 1)[-1].lower() in _SYSTEM_FILES:
                self.warnings.append(f"{name}: {shown(path)} is a file that an operating system strews about")

    def _payload_complete(self, payload: Mapping[str, Mapping[str, str]]) -> None:
        files = {p for p in self.found if p.startswith("data/")}
        union = {p for entries in payload.values() for p in entries}
        for path in sorted(files - union):
            self.problems.append(f"{shown(path)}: is in the payload but in no manifest: it was added or renamed")
        if self.version == "1.0":
            for algorithm, entries in payload.items():
                for path in sorted(union - set(entries)):
                    self.problems.append(f"{shown(path)}: is not listed in the {algorithm} manifest, but in another")

    def _checksums(self, algorithm: str, entries: Mapping[str, str]) -> None:
        for path, listed in entries.items():
            if path not in self.found:
                self.problems.append(f"{shown(path)}: is missing")
            elif checksum(self.bag / path, algorithm) != listed:
                self.problems.append(f"{shown(path)}: its {algorithm} checksum differs from the one listed: changed")

    def _bag_info(self) -> None:
        # named package-info.txt before version 0.96
        name = next((n for n in ("bag-info.txt", "package-info.txt") if n in self.found), None)
        if name is None:
            return
        pairs, faults = parse_info(self._text(name))
        self.problems += [f"{name}: {fault}" for fault in faults]
        for label, value in pairs:
            self.info.setdefault(label, value)
            if label.lower() == "payload-oxum":
                self._oxum(name, value)

    def _oxum(self, name: str, value: str) -> None:
        files = [p for p in self.found if p.startswith("data/")]
        octets = sum((self.bag / p).stat().st_size for p in files)
        if not re.fullmatch(r"\d{1,20}\.\d{1,20}", value, re.ASCII):
            self.problems.append(f"{name}: Payload-Oxum {value!r:.40} is not octets.files")
        elif tuple(map(int, value.split("."))) != (octets, len(files)):
            self.problems.append(f"{name}: Payload-Oxum is {value}, but the payload has {octets}.{len(files)}")

    def _fetch(self, listed: set[str]) -> None:
        if "fetch.txt" not in self.found:
            return
        triples, faults = parse_fetch(self._text("fetch.txt"))
        self.problems += [f"fetch.txt: {fault}" for fault in faults]
        for _, _, written in triples:
            path = decode_path(written.removeprefix("./"))
            if fault := path_fault(path):
                self.problems.append(f"fetch.txt: path {shown(path)!r} {fault}")
            elif not path.startswith("data/"):
                self.problems.append(f"fetch.txt: path {shown(path)!r} lies outside the payload folder data/")
            elif path not in listed:
                self.problems.append(f"fetch.txt: {shown(path)} is in no payload manifest")
            elif path not in self.found:
                self.problems.append(f"fetch.txt: {shown(path)} was never fetched")
