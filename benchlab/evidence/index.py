"""An index of sealed archives: which airframes, when, with which verdict, and where a part was ever tested."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlab.errors import BenchlabError
from benchlab.evidence.bag import STAGING_PREFIX
from benchlab.evidence.tagfiles import parse_info

_RESULTS = "data/results/results.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedPart:
    """A part of an archived airframe."""

    id: str
    kind: str
    position: str | None
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedAirframe:
    """One archive as it describes itself; nothing of it was verified."""

    path: Path
    airframe: str
    date: str
    verdict: str
    parts: tuple[ArchivedPart, ...]
    problem: str | None = None
    """Why the archive cannot be read, None if it can."""


def list_bags(folder: Path) -> tuple[ArchivedAirframe, ...]:
    """Return every archive in a folder and the folders below it, by airframe and date.

    Raises
    ------
    BenchlabError
        If there is no such folder.
    """
    if not folder.is_dir():
        raise BenchlabError("there is no such folder", path=str(folder), do="name the folder that holds the archives")
    return tuple(sorted(map(_described, _bags(folder)), key=lambda a: (a.airframe, a.date, str(a.path))))


def with_part(archives: Iterable[ArchivedAirframe], part: str) -> tuple[ArchivedAirframe, ...]:
    """Return the archives in which a part of that id was tested (letter case and blanks around it do not matter)."""
    wanted = part.strip().casefold()
    return tuple(a for a in archives if any(p.id.casefold() == wanted for p in a.parts))


def _bags(folder: Path) -> Iterator[Path]:
    for root, folders, files in os.walk(folder):
        if "bagit.txt" in files:
            folders.clear()  # a bag within a bag belongs to that bag
            yield Path(root)
        folders[:] = [f for f in folders if not f.startswith(STAGING_PREFIX)]


def _described(bag: Path) -> ArchivedAirframe:
    try:
        pairs, _ = parse_info((bag / "bag-info.txt").read_text(encoding="utf-8"))
        results: dict[str, Any] = json.loads((bag / _RESULTS).read_text(encoding="utf-8"))
        parts = tuple(
            ArchivedPart(id=p["id"], kind=p["kind"], position=p["position"], verdict=p["verdict"])
            for p in results["parts"]
        )
        airframe, verdict = str(results["airframe"]), str(results["verdict"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        why = error.strerror if isinstance(error, OSError) else "its results cannot be read"
        problem = f"is no archive of an airframe: {why}"
        return ArchivedAirframe(path=bag, airframe="", date="", verdict="", parts=(), problem=problem)
    return ArchivedAirframe(
        path=bag, airframe=airframe, date=dict(pairs).get("Bagging-Date", ""), verdict=verdict, parts=parts
    )
