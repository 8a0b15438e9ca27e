"""Writing BagIt bags (RFC 8493, version 1.0, sha512) so that a crash leaves either no bag or a whole one.

Everything is built in a hidden folder beside the destination, flushed to the disk file by file and folder by folder,
and then renamed into place in one step.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from benchlab.errors import BenchlabError
from benchlab.evidence.tagfiles import encode_path

ALGORITHM = "sha512"
MANIFEST = f"manifest-{ALGORITHM}.txt"
TAG_MANIFEST = f"tagmanifest-{ALGORITHM}.txt"
STAGING_PREFIX = ".benchlab-unfinished-"
# a staging folder this old was left by a crash or a power cut: no archive takes a day
_STALE_S = 24 * 3600


@contextlib.contextmanager
def staged(destination: Path) -> Iterator[Path]:
    """Give a hidden folder to build in; at the end it becomes ``destination``, at any failure it is removed.

    Raises
    ------
    BenchlabError
        If ``destination`` exists (it is never overwritten) or the disk refuses, for instance because it is full.
    """
    parent = destination.parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        _refuse_existing(destination)
        _remove_stale(parent)
        staging = parent / f"{STAGING_PREFIX}{secrets.token_hex(8)}"
        staging.mkdir()
    except OSError as error:
        raise _disk_error(error, destination) from None
    try:
        yield staging
        flush_tree(staging)
        _refuse_existing(destination)
        # POSIX refuses to rename onto a folder that holds anything, so a rival that came first is safe, too
        staging.rename(destination)
        _flush(parent)
    except OSError as error:
        raise _disk_error(error, destination) from None
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def seal(staging: Path, info: Mapping[str, str], *, sign: Callable[[Path], None] | None = None) -> None:
    """Turn a folder with a finished ``data/`` (and any tag files) into a bag by writing its tag files.

    ``info`` is written to ``bag-info.txt`` in its order, followed by ``Bag-Size`` and ``Payload-Oxum``. ``sign`` gets
    the path of the tag manifest and may put a signature beside it.
    """
    payload = files_in(staging / "data", base=staging)
    octets = sum((staging / p).stat().st_size for p in payload)
    full_info = {**info, "Bag-Size": human_size(octets), "Payload-Oxum": f"{octets}.{len(payload)}"}
    write_text(staging / "bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    write_text(staging / "bag-info.txt", "".join(f"{k}: {one_line(v)}\n" for k, v in full_info.items()))
    write_text(staging / MANIFEST, manifest_text(staging, payload))
    tags = [p for p in files_in(staging, base=staging) if not p.startswith("data/")]
    write_text(staging / TAG_MANIFEST, manifest_text(staging, tags))
    if sign is not None:
        sign(staging / TAG_MANIFEST)


def manifest_text(bag: Path, paths: list[str]) -> str:
    """Return a manifest of the files, in the form that ``sha512sum -c`` reads as well."""
    return "".join(f"{checksum(bag / p, ALGORITHM)}  {encode_path(p)}\n" for p in paths)


def checksum(path: Path, algorithm: str) -> str:
    """Return a file's checksum in lower-case hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, algorithm).hexdigest()


def files_in(folder: Path, *, base: Path) -> list[str]:
    """Return every file below ``folder`` as a path relative to ``base`` with ``/``, sorted by code point."""
    found = [Path(root, name) for root, _, names in os.walk(folder) for name in names]
    return sorted(path.relative_to(base).as_posix() for path in found)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text with its line ends as they are."""
    path.write_text(text, encoding="utf-8", newline="")


def one_line(text: str) -> str:
    """Make text safe for one line: blanks for line breaks, nothing unprintable."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def human_size(octets: int) -> str:
    """Return a size for people, in decimal units."""
    size = float(octets)
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000:
            return f"{size:.3g} {unit}"
        size /= 1000
    return f"{size:.3g} TB"


def flush_tree(folder: Path) -> None:
    """Bring every file and folder below (and with) ``folder`` to the disk, innermost first."""
    for root, _, names in os.walk(folder, topdown=False):
        for name in names:
            _flush(Path(root, name))
        _flush(Path(root))


def _flush(path: Path) -> None:
    if os.name == "nt" and path.is_dir():  # Windows cannot open a folder
        return
    descriptor = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _refuse_existing(destination: Path) -> None:
    if os.path.lexists(destination):
        raise BenchlabError(
            "exists already and an archive is never overwritten",
            path=str(destination),
            do="move it away or name another folder with --out",
        )


def _remove_stale(parent: Path) -> None:
    """Remove staging folders that a crash left behind more than a day ago."""
    for left in parent.glob(f"{STAGING_PREFIX}*"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > _STALE_S:
                shutil.rmtree(left, ignore_errors=True)


def _disk_error(error: OSError, destination: Path) -> BenchlabError:
    what = f"the archive could not be made ({error.strerror or error}) and nothing of it was left behind"
    return BenchlabError(what, path=str(destination), do="free some space or name another folder with --out")
