"""From a file to blocks of whole lines: compression, checksum, encoding, line ends, guards against bad input."""

from __future__ import annotations

import bz2
import codecs
import gzip
import hashlib
import lzma
import stat
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
import zstandard

from benchlab import checksums
from benchlab.errors import LogError

BLOCK = 4 << 20
"""Large enough for the parser's stride, small enough that a block's columns stay in the cache."""
HEAD = 256 << 10
MAX_LINE = 1 << 20
"""No logger writes a line of a mebibyte; a longer one is not a log."""
_SHRINKS = 4
"""Logs of a few digits a cell shrink to a fourth or less."""
_BOMB_BYTES, _BOMB_RATIO = 256 << 20, 1000
"""Repetitive logs shrink some 10 to 200 times; more than this, in quantity, is no log."""

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"\x1f\x8b", "gzip"),
    (b"BZh", "bz2"),
    (b"\xfd7zXZ\x00", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
)
_FOREIGN: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet"),
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"PAR1", "a Parquet file"),
    (b"\x89HDF", "an HDF5 file"),
    (b"SQLite format", "a database"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
    (b"7z\xbc\xaf", "a 7z archive"),
)
_CHECK = "check what the file really is"
_DAMAGED = (EOFError, zlib.error, lzma.LZMAError, zstandard.ZstdError, gzip.BadGzipFile)


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding:
    """How bytes become text. ``name`` is utf-8, utf-16-le, utf-16-be or cp1252, or what the register says."""

    name: str
    bom: bool

    @property
    def wide(self) -> bool:
        """Two bytes or more for a plain digit: must be turned into UTF-8 before lines can be cut."""
        return self.name.startswith(("utf-16", "utf-32"))


class Source:
    """A log as a stream of blocks of whole lines (bytes, LF ended, UTF-8 or one byte a character).

    ``head`` is looked at before the encoding is settled; ``blocks`` then runs once over the whole file.
    """

    def __init__(self, path: Path, name: str) -> None:
        self.name = name
        self._path = path
        self._sha = hashlib.sha256()
        self._ahead = 0
        """So many bytes were put into the checksum beforehand."""
        self._packed = 0
        self.size = 0
        """Bytes on disk."""
        self.compression: str | None = None
        self.damaged: str | None = None
        """Why the stream ended early, None where it did not."""

    @property
    def expanded(self) -> int:
        """About how many bytes the file holds unpacked; valid after ``head``."""
        return self.size * (_SHRINKS if self.compression else 1)

    @property
    def sha256(self) -> str:
        """Checksum of the file as it lies on disk; valid after ``blocks`` has run to its end."""
        return self._sha.hexdigest()

    def head(self) -> bytes:
        """Return the first part of the (unpacked) file.

        Raises
        ------
        LogError
            If the file is missing, empty, of a foreign kind, or cannot be unpacked.
        """
        try:
            mode = self._path.stat().st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
                raise LogError("is a pipe or a device, not a file", path=self.name, do="save the log to a file first")
            with self._path.open("rb") as raw:
                data = raw.read(16)
                if not data:
                    raise LogError("is empty", path=self.name, do="log again or leave it out")
                for magic, what in _FOREIGN:
                    if data.startswith(magic):
                        raise LogError(f"is {what}, not a text log", path=self.name, do="export it as CSV text")
                self.compression = next((c for magic, c in _MAGIC if data.startswith(magic)), None)
                self.size = raw.seek(0, 2)
                raw.seek(0)
                sample = _read_up_to(self._unpacked(raw), HEAD)
        except FileNotFoundError:
            raise LogError("there is no such file", path=self.name, do="correct the path") from None
        except IsADirectoryError:
            raise LogError("is a folder, not a log", path=self.name, do="name a file in it") from None
        except PermissionError:
            raise LogError("may not be read (permission denied)", path=self.name, do="change its mode") from None
        except _DAMAGED as error:
            raise LogError(
                f"is damaged: it cannot be unpacked as {self.compression} ({error})", path=self.name, do="copy it again"
            ) from None
        except OSError as error:
            raise LogError(f"cannot be read ({error})", path=self.name, do="copy it again") from None
        if not sample:
            raise LogError("is empty once unpacked", path=self.name, do="log again or leave it out")
        if self.compression:
            self._refuse_packed_twice(sample)
        if not sample.strip(b"\0"):
            raise LogError("holds nothing but NUL bytes", path=self.name, do="copy it again from the logger")
        if len(sample) >= HEAD and b"\n" not in sample and b"\r" not in sample:
            raise LogError("this line is longer than 256 KiB: not a log", path=self.name, line=1, do=_CHECK)
        return sample

    def _refuse_packed_twice(self, sample: bytes) -> None:
        inner = next((c for magic, c in _MAGIC if sample.startswith(magic)), None)
        if sample[257:262] == b"ustar":
            inner = "tar"
        if inner:
            what = f"is packed twice ({inner} in {self.compression})"
            raise LogError(what, path=self.name, do="unpack it once, or take the log out of the archive")

    def blocks(self, encoding: Encoding, line_end: bytes) -> Iterator[tuple[bytes, int]]:
        """Yield the file in blocks of whole lines, each ended by LF (the last may lack it), and how many they are.

        Raises
        ------
        LogError
            If a line is longer than any log's, or the file unpacks to absurd size.
        """
        rest, before = b"", 0
        for piece in self._pieces(encoding, line_end):
            cut = piece.rfind(b"\n")
            if cut < 0:
                rest += piece
            else:
                block = b"".join((rest, memoryview(piece)[: cut + 1]))
                rest = piece[cut + 1 :]
                self._check_lines(block, before)
                lines = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == 10))  # faster than bytes.count
                before += lines
                yield block, lines
            if len(rest) > MAX_LINE:
                rest = rest.translate(None, b"\0")
                if len(rest) > MAX_LINE:
                    self._too_long(before + 1)
        if rest.strip(b"\0"):
            yield rest, 1

    def _check_lines(self, block: bytes, lines: int) -> None:
        # a line longer than the limit must straddle one of the marks set this far apart without a line end between
        at = 0
        while at + MAX_LINE < len(block):
            end = block.rfind(b"\n", at, at + MAX_LINE + 1)
            if end < 0:
                nul_free = block[at : block.find(b"\n", at)].replace(b"\0", b"")
                if len(nul_free) > MAX_LINE:
                    self._too_long(lines + 1 + block.count(b"\n", 0, at))
                end = block.find(b"\n", at)
            at = end + 1

    def _too_long(self, line: int) -> None:
        raise LogError("this line is longer than 1 MiB: not a log", path=self.name, line=line, do=_CHECK)

    def _pieces(self, encoding: Encoding, line_end: bytes) -> Iterator[bytes]:
        """Yield the text as UTF-8 or single-byte pieces with LF as the only line end."""
        decoder = codecs.getincrementaldecoder(encoding.name)("replace") if encoding.wide else None
        first, held_cr = True, b""
        for raw_piece in self._raw_pieces():
            piece = raw_piece
            if decoder is not None:
                piece = decoder.decode(piece).encode("utf-8")
            if first:
                piece = piece.removeprefix(codecs.BOM_UTF8)
                first = not piece
            piece = held_cr + piece
            held_cr = b""
            if piece.endswith(b"\r"):
                piece, held_cr = piece[:-1], b"\r"
            yield _with_lf(piece, line_end) if b"\r" in piece else piece
        if decoder is not None:  # half a character at a cut end is not lost either
            held_cr += decoder.decode(b"", final=True).encode("utf-8")
        if held_cr:
            lone = b"\n" if line_end == b"\r" or held_cr == b"\r" else b" "
            yield held_cr.replace(b"\r", lone)

    def _raw_pieces(self) -> Iterator[bytes]:
        self._packed = 0
        total = 0
        try:
            mark = checksums.mark_of(self._path)
            self._sha, self._ahead = checksums.begun(self._path, mark)
            with self._path.open("rb") as raw:
                stream = self._unpacked(cast("IO[bytes]", _Hashing(raw, self)))
                while piece := _some(stream):
                    total += len(piece)
                    if self.compression and total > _BOMB_BYTES and total > _BOMB_RATIO * max(self._packed, 1):
                        raise LogError(
                            f"unpacks to more than {_BOMB_RATIO} times its size: not a log", path=self.name,
                            do="unpack it yourself if it is one",
                        )  # fmt: skip
                    yield piece
                for rest in iter(lambda: raw.read(BLOCK), b""):  # what follows the packed stream belongs to the file
                    self.checksum(rest)
            if self._ahead and checksums.mark_of(self._path) != mark:
                raise LogError("was written to while it was read", path=self.name, do="run again once it is complete")
        except (*_DAMAGED, OSError) as error:
            if self.compression is None or isinstance(error, (FileNotFoundError, PermissionError)):
                reason = error.strerror if isinstance(error, OSError) and error.strerror else error
                raise LogError(f"can no longer be read ({reason})", path=self.name, do="copy it again") from None
            self.damaged = f"the {self.compression} stream breaks off ({str(error) or 'cut short'})"
            try:
                with self._path.open("rb") as raw:
                    self._sha = hashlib.file_digest(raw, "sha256")
            except OSError as gone:
                raise LogError(f"can no longer be read ({gone.strerror})", path=self.name, do="copy it again") from None

    def checksum(self, data: bytes) -> None:
        """Put the next bytes of the file into the checksum, but for those that were before."""
        known = self._ahead - self._packed
        if known < len(data):
            self._sha.update(memoryview(data)[max(known, 0) :])
        self._packed += len(data)

    def _unpacked(self, raw: IO[bytes]) -> IO[bytes]:
        opened: Any = raw
        if self.compression == "gzip":
            opened = gzip.GzipFile(fileobj=raw)
        elif self.compression == "bz2":
            opened = bz2.BZ2File(raw)
        elif self.compression == "xz":
            opened = lzma.LZMAFile(raw)  # noqa: SIM115
        elif self.compression == "zstd":
            opened = zstandard.ZstdDecompressor().stream_reader(raw, read_across_frames=True)
        return cast("IO[bytes]", opened)


class _Hashing:
    """A readable file that feeds the checksum while it is read once from start to end."""

    def __init__(self, raw: IO[bytes], source: Source) -> None:
        self._raw, self._source = raw, source

    def read(self, size: int = -1) -> bytes:
        data = self._raw.read(size)
        self._source.checksum(data)
        return data

    def seekable(self) -> bool:
        return False

    def readable(self) -> bool:
        return True

    @property
    def closed(self) -> bool:
        return self._raw.closed


def _some(stream: IO[bytes]) -> bytes:
    """Read what is at hand: of a packed stream cut short, everything before the cut."""
    read = getattr(stream, "read1", None)
    return cast("bytes", read(BLOCK)) if read else stream.read(BLOCK)


def _read_up_to(stream: IO[bytes], size: int) -> bytes:
    parts: list[bytes] = []
    whole = size
    while size > 0:
        try:
            piece = _some(stream)
        except _DAMAGED:
            if parts:  # a stream cut short still has a head worth looking at
                break
            raise
        if not piece:
            break
        parts.append(piece)
        size -= len(piece)
    return b"".join(parts)[:whole]


def _with_lf(piece: bytes, line_end: bytes) -> bytes:
    """Make LF of every line end."""
    a = np.frombuffer(piece, dtype=np.uint8)
    if not ((a[:-1] == 13) & (a[1:] != 10)).any() and not piece.endswith(b"\r"):
        return piece.translate(None, b"\r")  # every CR stands before an LF: three times as fast as what follows
    return piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n" if line_end == b"\r" else b" ")


def find_encoding(head: bytes) -> Encoding:
    """Tell the encoding from a byte order mark, else UTF-16 from its pattern of NULs, else UTF-8 if valid, else cp1252.

    Short Latin text cannot be told apart by statistics; Windows-1252 is what loggers write that do not write UTF-8.
    """
    if head.startswith(codecs.BOM_UTF8):
        return Encoding(name="utf-8", bom=True)
    if head.startswith(codecs.BOM_UTF16_LE):
        return Encoding(name="utf-16-le", bom=True)
    if head.startswith(codecs.BOM_UTF16_BE):
        return Encoding(name="utf-16-be", bom=True)
    start = head[:4096]
    pairs = len(start) // 2
    if pairs:
        even, odd = start[0 : 2 * pairs : 2].count(0), start[1 : 2 * pairs : 2].count(0)
        if odd > 0.7 * pairs and even < 0.05 * pairs:
            return Encoding(name="utf-16-le", bom=False)
        if even > 0.7 * pairs and odd < 0.05 * pairs:
            return Encoding(name="utf-16-be", bom=False)
    try:
        codecs.getincrementaldecoder("utf-8")("strict").decode(head)
    except UnicodeDecodeError as error:
        # one broken byte in text that is otherwise UTF-8 is damage, not another encoding
        good = sum(b >= 0xC2 for b in head[: error.start])
        return Encoding(name="utf-8" if good >= 3 else "cp1252", bom=False)
    return Encoding(name="utf-8", bom=False)


def find_line_end(head: bytes) -> bytes:
    """Return LF, or CR where there is no LF at all (in narrow text; CR LF counts as LF)."""
    return b"\r" if b"\n" not in head and b"\r" in head else b"\n"
