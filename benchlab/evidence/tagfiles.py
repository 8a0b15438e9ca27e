"""The grammar of BagIt's tag files (RFC 8493 section 2, and the drafts 0.93 to 0.97 before it).

Lines end in LF, CR or CRLF and nothing else: ``str.splitlines`` would also break at form feeds and separators that
may stand in a file name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_LINE_END = re.compile(r"\r\n|\n|\r")
_MANIFEST_LINE = re.compile(r"([0-9A-Fa-f]+)[ \t]+(.*)", re.DOTALL)
_DRIVE = re.compile(r"[A-Za-z]:")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a manifest: checksum in lower case and the path as written (not yet decoded)."""

    checksum: str
    path: str
    md5sum_mark: bool
    """The path had the asterisk by which checksum programs mark binary mode."""


def lines_of(text: str) -> list[str]:
    """Split at LF, CR and CRLF; an end of line at the end of the text begins no further line."""
    lines = _LINE_END.split(text)
    return lines[:-1] if lines[-1] == "" else lines


def encode_path(path: str) -> str:
    """Percent-encode the three characters that a manifest cannot hold (RFC 8493 2.1.3)."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def decode_path(path: str) -> str:
    """Undo ``encode_path``; any other percent sign stays as it is."""
    codes = {"0D": "\r", "0A": "\n", "25": "%"}
    return re.sub("%(0D|0A|25)", lambda m: codes[m[1].upper()], path, flags=re.IGNORECASE)


def parse_bagit_txt(data: bytes) -> tuple[tuple[str, str] | None, list[str]]:
    """Return (version, encoding) or None, and what is wrong with ``bagit.txt``."""
    if data.startswith(b"\xef\xbb\xbf"):
        return None, ["bagit.txt: begins with a byte order mark, which BagIt forbids"]
    try:
        lines = lines_of(data.decode("utf-8"))
    except UnicodeDecodeError:
        return None, ["bagit.txt: is not UTF-8 text"]
    if len(lines) < 2:
        return None, ["bagit.txt: must have two lines, BagIt-Version and Tag-File-Character-Encoding"]
    loose = re.fullmatch(r"\s*BagIt-Version\s*:\s*(\d+\.\d+)\s*", lines[0], re.IGNORECASE)
    if not loose:
        return None, [f"bagit.txt: {lines[0]!r:.60} is no BagIt-Version line"]
    version = loose[1]
    encoding = re.fullmatch(r"\s*Tag-File-Character-Encoding\s*:\s*(\S+)\s*", lines[1], re.IGNORECASE)
    if not encoding:
        return None, [f"bagit.txt: {lines[1]!r:.60} is no Tag-File-Character-Encoding line"]
    faults = []
    if version == "1.0":
        exact = [f"BagIt-Version: {version}", f"Tag-File-Character-Encoding: {encoding[1]}"]
        if lines != exact:
            faults.append("bagit.txt: must be two lines with one blank after each colon and none elsewhere")
    elif any(line.strip() for line in lines[2:]):
        faults.append("bagit.txt: has more than two lines")
    return (version, encoding[1]), faults


def parse_manifest(text: str) -> tuple[list[Entry], list[str]]:
    """Return the entries of a manifest and a line for each that is none."""
    entries, faults = [], []
    for number, line in enumerate(lines_of(text), 1):
        if not line.strip():
            continue
        match = _MANIFEST_LINE.fullmatch(line)
        if match is None or not match[2].lstrip("*"):
            faults.append(f"line {number} is not a checksum and a path")
            continue
        mark = match[2].startswith("*")
        entries.append(Entry(checksum=match[1].lower(), path=match[2][mark:], md5sum_mark=mark))
    return entries, faults


def parse_info(text: str) -> tuple[list[tuple[str, str]], list[str]]:
    """Return the (label, value) pairs of ``bag-info.txt`` in order and a line for each that is none."""
    pairs: list[tuple[str, str]] = []
    faults = []
    for number, line in enumerate(lines_of(text), 1):
        if not line.strip():
            continue
        if line[0] in " \t" and pairs:
            label, value = pairs[-1]
            pairs[-1] = (label, f"{value} {line.strip()}")
        elif ":" in line and line.split(":", 1)[0].strip():
            label, value = line.split(":", 1)
            pairs.append((label.strip(), value.strip()))
        else:
            faults.append(f"line {number} has no label and colon")
    return pairs, faults


def parse_fetch(text: str) -> tuple[list[tuple[str, str, str]], list[str]]:
    """Return the (URL, length, path) triples of ``fetch.txt`` and a line for each that is none."""
    triples, faults = [], []
    for number, line in enumerate(lines_of(text), 1):
        if not line.strip():
            continue
        fields = line.split(None, 2)
        if len(fields) == 3 and re.fullmatch(r"\d+|-", fields[1], re.ASCII) and ":" in fields[0]:
            triples.append((fields[0], fields[1], fields[2]))
        else:
            faults.append(f"line {number} is not a URL, a length and a path")
    return triples, faults


def path_fault(path: str) -> str | None:
    """Say why a path of a manifest may leave the bag on one system or another, or None if it may not."""
    if not path or "\0" in path:
        return "is no path"
    if path[0] in "/\\" or _DRIVE.match(path):
        return "is an absolute path"
    if path[0] == "~":
        return "begins with a tilde, which a shell takes for a home folder"
    if ".." in re.split(r"[/\\]", path):
        return "leads out of the bag with '..'"
    return None
