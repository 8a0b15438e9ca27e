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
_begun: dict[tuple[str, Mark], tuple[hashlib._Hash, int]] = {}
"""(path, mark) -> checksum of the first so many bytes, of this process and those forked from it."""


def mark_of(path: Path) -> Mark:
    """Return what changes with a file's content unless somebody sets clocks: device, number, size, times of change.

    Raises
    ------
    OSError
        If there is no such file.
    """
    s = path.stat()
    return s.st_dev, s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns


def begun(path: Path, mark: Mark) -> tuple[hashlib._Hash, int]:
    """Return a SHA-256 to go on with for the file that bears this mark, and how many of its bytes it has already."""
    digest, done = _begun.get((str(path), mark), (hashlib.sha256(), 0))
    return digest.copy(), done


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest, done = begun(path, mark_of(path))
    with path.open("rb", buffering=0) as file:
        file.seek(done)
        while piece := file.read(_PIECE):
            digest.update(piece)
    return digest.hexdigest()


class Ahead:
    """A thread that makes the checksums of some files, one after another, until it is told to end.

    What it has done of a file serves whoever comes to it next, if the file is still the same then.
    """

    def __init__(self, paths: Iterable[Path]) -> None:
        self._paths = tuple(paths)
        self._end = threading.Event()
        self._usual_s = sys.getswitchinterval()
        sys.setswitchinterval(_TURN_S)
        self._thread = threading.Thread(target=self._make, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """End the thread, wherever it is."""
        self._end.set()
        self._thread.join()
        sys.setswitchinterval(self._usual_s)

    def _make(self) -> None:
        piece = memoryview(bytearray(_PIECE))
        for path in self._paths:
            if not path.is_file():  # a pipe would keep it waiting
                continue
            with contextlib.suppress(OSError), path.open("rb", buffering=0) as file:
                mark, digest, done = mark_of(path), hashlib.sha256(), 0
                while not self._end.is_set() and (n := file.readinto(piece)):
                    digest.update(piece[:n])
                    done += n
                if mark_of(path) == mark:
                    _begun[str(path), mark] = digest, done
            if self._end.is_set():
                return
