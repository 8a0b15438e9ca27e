"""Checksums of files, made while the rest of the program is still being loaded and one processor has nothing to do."""

from __future__ import annotations

import contextlib
import hashlib
import sys
import threading
from collections.abc import Iterable
from pathlib import Path

_PIECE = 16 << 20
"""Bytes at a time: many, because a thread waits for its turn after every piece while another one loads modules."""
_TURN_S = 0.0005
"""The longest that it waits; a tenth of what is usual."""

Mark = tuple[int, int, int, int, int]
_known: dict[tuple[str, Mark], str] = {}
"""(path, mark) -> SHA-256, of this process and those forked from it."""


def mark_of(path: Path) -> Mark:
    """Return what changes with a file's content unless somebody sets clocks: device, number, size, times of change.

    Raises
    ------
    OSError
        If there is no such file.
    """
    s = path.stat()
    return s.st_dev, s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns


def known(path: Path, mark: Mark) -> str | None:
    """Return the SHA-256 of the file that bears this mark, None where nobody has made it yet."""
    return _known.get((str(path), mark))


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    made = known(path, mark_of(path))
    if made is None:
        with path.open("rb") as file:
            made = hashlib.file_digest(file, "sha256").hexdigest()
    return made


class Ahead:
    """A thread that makes the checksums of some files, one after another, until it is told to end."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._paths = tuple(paths)
        self._end = threading.Event()
        self._usual_s = sys.getswitchinterval()
        sys.setswitchinterval(_TURN_S)
        self._thread = threading.Thread(target=self._make, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """End the thread; a checksum that it was at is given up."""
        self._end.set()
        self._thread.join()
        sys.setswitchinterval(self._usual_s)

    def _make(self) -> None:
        piece = memoryview(bytearray(_PIECE))
        for path in self._paths:
            if not path.is_file():  # a pipe would keep it waiting
                continue
            with contextlib.suppress(OSError):
                before, digest = mark_of(path), hashlib.sha256()
                with path.open("rb", buffering=0) as file:
                    while n := file.readinto(piece):
                        digest.update(piece[:n])
                        if self._end.is_set():
                            return
                if mark_of(path) == before:
                    _known[str(path), before] = digest.hexdigest()
