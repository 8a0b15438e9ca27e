"""File names that every system can hold and none misreads."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterable
from pathlib import PurePosixPath

# reserved by Windows whatever follows the first dot
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{d}{n}" for d in ("COM", "LPT") for n in "0123456789¹²³"
}
# the percent sign is legal, but validators disagree on how a manifest writes it
_FORBIDDEN = set('<>:"|?*\\%')
_COMPONENT_OCTETS = 120
_PATH_OCTETS = 180  # Windows allows 260 characters, the folder above included


def portable(path: str) -> bool:
    """Say whether a relative path with ``/`` can be stored as it is: on any system, in a manifest, on a screen."""
    parts = path.split("/")
    return len(path.encode("utf-8", "surrogatepass")) <= _PATH_OCTETS and all(_portable_component(p) for p in parts)


def _portable_component(name: str) -> bool:
    return (
        name not in ("", ".", "..")
        and name.isprintable()  # no line breaks, no direction marks, no lone surrogates
        and unicodedata.normalize("NFC", name) == name
        and not _FORBIDDEN & set(name)
        and name[0] not in " ~"
        and name[-1] not in " ."
        and name.split(".")[0].strip().upper() not in _DEVICES
        and len(name.encode()) <= _COMPONENT_OCTETS
    )


def stored_names(names: Iterable[str], taken: Iterable[str]) -> dict[str, str]:
    """Return for every log path of a register the path under which it is stored.

    A portable path inside the folder is kept (``./`` dropped); any other gets ``logs/001_...`` with what is harmless
    of its last component. No two differ in letter case only and none is in ``taken``.
    """
    used = {_fold(t): "" for t in taken}
    out: dict[str, str] = {}
    for name in names:
        plain = PurePosixPath(name).as_posix()
        stored = plain
        if not portable(plain) or used.get(_fold(plain), plain) != plain:
            candidates = (f"logs/{number:03d}_{_harmless(plain)}" for number in itertools.count(1))
            stored = next(c for c in candidates if _fold(c) not in used)
        used[_fold(stored)] = stored
        out[name] = stored
    return out


def _fold(path: str) -> str:
    return unicodedata.normalize("NFC", path).casefold()


def _harmless(path: str) -> str:
    """Return letters, digits, ``.``, ``_`` and ``-`` of the last component, its end (and so its suffix) kept."""
    last = re.split(r"[/\\]", path)[-1]
    plain = unicodedata.normalize("NFKD", last).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9._-]+", "_", plain)[-60:].strip(".") or "log"
