"""The faults of a register in words: where in the file, what is wrong, what would be right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from benchlab.procedure import Settings

Loc = tuple[str | int, ...]


def plain_errors(error: ValidationError) -> list[dict[str, Any]]:
    """Drop the branches of unions (``str``, ``list[str]``) from the places and keep one fault per place."""
    seen: dict[Loc, dict[str, Any]] = {}
    for e in error.errors():
        loc = tuple(s for s in e["loc"] if not (isinstance(s, str) and s in {"str", "int", "list[str]", "Share"}))
        seen.setdefault(loc, {**e, "loc": loc})
    return list(seen.values())


def _entry_name(loc: Loc, raw: dict[str, Any]) -> str:
    """Name the entry a fault lies in: ``servo "S01"`` or ``servo 3``."""
    if not loc:
        return "register"
    head = str(loc[0])
    if len(loc) > 1 and isinstance(loc[1], int):
        entries = raw.get(head)
        entry = entries[loc[1]] if isinstance(entries, list) and loc[1] < len(entries) else None
        label = next(
            (
                entry[k]
                for k in ("id", "name", "item", "phase")
                if isinstance(entry, dict) and isinstance(entry.get(k), str)
            ),
            None,
        )
        return f'{head} "{label}"' if label else f"{head} {loc[1] + 1}"
    return f"[{head}]" if len(loc) > 1 else head


def fault_line(e: dict[str, Any], raw: dict[str, Any], register: type[Settings]) -> str:
    """Put one fault of a validation into words: entry, key, what is wrong, what would be right."""
    loc: Loc = e["loc"]
    entry = _entry_name(loc, raw)
    rest = loc[2:] if len(loc) > 1 and isinstance(loc[1], int) else loc[1:]
    key = ".".join(str(s) for s in rest)
    if e["type"] == "extra_forbidden":
        known = _known_keys(loc, register)
        near = difflib.get_close_matches(str(loc[-1]), known, 1, 0.6)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
        return f"{entry}: unknown key '{key or loc[0]}'; {hint}"
    if e["type"] == "missing":
        return f"{entry}: '{key}' is missing; add it" if key else f"[{loc[0]}] is missing; add it"
    message = str(e["msg"]).removeprefix("Value error, ")
    return f"{entry}: '{key}' = {e['input']!r:.60}: {message}" if key else f"{entry}: {message}"


def _known_keys(loc: Loc, register: type[Settings]) -> list[str]:
    model: Any = register
    for step in loc[:-1]:
        if isinstance(step, int):
            continue
        fields = getattr(model, "model_fields", {})
        if step not in fields:
            return ["lower", "upper", "source", "otherwise"] if "limits" in loc else []
        annotation = fields[step].annotation
        inner = [a for a in getattr(annotation, "__args__", (annotation,)) if isinstance(a, type)]
        model = next((a for a in inner if issubclass(a, Settings)), annotation)
    return sorted(getattr(model, "model_fields", {}))


def cross_faults(raw: dict[str, Any], folder: Path, allow_outside: bool) -> Iterator[tuple[Loc, str]]:
    """Faults between entries, found on the raw table so that they show together with the faults inside entries."""
    words = ("servo", "tank", "pack", "circuit")

    def entries(word: str) -> list[tuple[int, dict[str, Any]]]:
        found = raw.get(word)
        return [(i, e) for i, e in enumerate(found) if isinstance(e, dict)] if isinstance(found, list) else []

    ids: dict[str, str] = {}
    positions: dict[str, tuple[str, str]] = {}
    for word in words:
        for i, e in entries(word):
            pid, pos = e.get("id"), e.get("position")
            if isinstance(pid, str):
                if pid in ids:
                    yield (word, i, "id"), f'{word} "{pid}": the id is already taken by a {ids[pid]}; ids must differ'
                ids.setdefault(pid, word)
            if isinstance(pos, str) and word != "circuit":
                if pos in positions:
                    other = positions[pos][1]
                    yield (
                        (word, i, "position"),
                        f'{word} "{pid}": position "{pos}" already holds "{other}"; one part each',
                    )
                positions.setdefault(pos, (word, str(pid)))
            log = e.get("log")
            for name in [log] if isinstance(log, str) else log if isinstance(log, list) else []:
                if isinstance(name, str) and (why := _leaves(folder, name, allow_outside)):
                    yield (word, i, "log"), f'{word} "{pid}": log "{name}" {why}'

    dimension_logs = _dimension_logs(raw)
    for name in dimension_logs:
        if why := _leaves(folder, name, allow_outside):
            yield ("airframe", "dimension_log"), f'[airframe]: dimension_log "{name}" {why}'

    taken: dict[tuple[str, str], str] = {}
    for i, e in entries("servo"):
        for name in [e["log"]] if isinstance(e.get("log"), str) else e.get("log") or []:
            same = (str(name), str(e.get("channel", "")))
            if same in taken:
                what = f'"{taken[same]}" already reads channel {same[1] or "(none)"} of log "{name}"'
                yield (
                    ("servo", i, "channel" if "channel" in e else "log"),
                    f'servo "{e.get("id")}": {what}; give each servo its own channel',
                )
            taken.setdefault(same, str(e.get("id")))

    for i, e in entries("dimension"):
        item = e.get("item")
        if isinstance(item, str) and item in ids:
            yield ("dimension", i, "item"), f'dimension "{item}": the name is already taken by a {ids[item]}'
        if isinstance(item, str):
            ids.setdefault(item, "dimension")

    pack_ids = {e.get("id") for _, e in entries("pack")}
    servo_ids = [str(e.get("id")) for _, e in entries("servo")]
    for i, e in entries("circuit"):
        listed = [s for s in e["servos"] if isinstance(s, str)] if isinstance(e.get("servos"), list) else []
        for s in dict.fromkeys(listed):
            if s not in servo_ids:
                hint = f"the servos are: {', '.join(servo_ids)}" if servo_ids else "add a [[servo]] with that id"
                yield ("circuit", i, "servos"), f'circuit "{e.get("id")}": there is no servo "{s}"; {hint}'
            elif listed.count(s) > 1:
                yield ("circuit", i, "servos"), f'circuit "{e.get("id")}": servo "{s}" is listed twice; once is enough'
        for p in e.get("packs", []) if isinstance(e.get("packs"), list) else []:
            name = p.get("id") if isinstance(p, dict) else p
            if isinstance(name, str) and name not in pack_ids:
                known = ", ".join(str(x) for x in pack_ids if x)
                hint = f"the packs are: {known}" if known else "add a [[pack]] with that id"
                yield ("circuit", i, "packs"), f'circuit "{e.get("id")}": there is no pack "{name}"; {hint}'

    names: set[str] = set()
    for i, g in entries("group"):
        name = g.get("name")
        if isinstance(name, str):
            if name in names:
                yield ("group", i, "name"), f'group "{name}": the name is already taken; names must differ'
            names.add(name)
        listed = (
            [p for p in g.get("positions", []) if isinstance(p, str)] if isinstance(g.get("positions"), list) else []
        )
        kinds = {positions[p][0] for p in listed if p in positions}
        if len(kinds) > 1:
            yield (
                ("group", i, "positions"),
                f'group "{name}": mixes {" and ".join(f"{k}s" for k in sorted(kinds))}; one kind per group',
            )
        for p in sorted({p for p in listed if listed.count(p) > 1}):
            yield ("group", i, "positions"), f'group "{name}": position "{p}" is listed twice; once is enough'

    for log in raw.get("logs", {}) if isinstance(raw.get("logs"), dict) else {}:
        named = {
            n
            for w in words
            for _, e in entries(w)
            for n in ([e["log"]] if isinstance(e.get("log"), str) else e.get("log") or [])
        } | set(dimension_logs)
        if log not in named:
            near = difflib.get_close_matches(log, [str(n) for n in named], 1, 0.6)
            yield (
                ("logs", log),
                f'logs "{log}": no part names this log; '
                + (f"did you mean '{near[0]}'?" if near else "remove the entry or name the log at its part"),
            )


def _dimension_logs(raw: dict[str, Any]) -> list[str]:
    head = raw.get("airframe")
    found = head.get("dimension_log") if isinstance(head, dict) else None
    return [n for n in (found if isinstance(found, list) else [found]) if isinstance(n, str)]


def _leaves(folder: Path, name: str, allow_outside: bool) -> str | None:
    """Say why a path may not be read through the register, or None if it may."""
    if "\0" in name or not name.strip():
        return "is not a file name; give a path relative to the register"
    if allow_outside:
        return None
    try:
        inside = (folder / name).resolve().is_relative_to(folder.resolve())
    except OSError as error:
        return f"cannot be looked up ({error.strerror}); give a shorter or existing path"
    if (
        Path(name).is_absolute()
        or re.match(r"^[A-Za-z]:|^[\\/]", name)
        or ".." in re.split(r"[\\/]", name)
        or not inside
    ):
        return "leaves the airframe's folder; copy the log into it or pass --allow-outside"
    return None


class Lines:
    """Finds the line of a place in a TOML text: tomllib does not tell."""

    def __init__(self, text: str) -> None:
        self.keys: list[tuple[str, int, str, int]] = []  # table, its number, key, line
        table, number = "", -1
        counts: dict[str, int] = {}
        for n, line in enumerate(text.splitlines(), 1):
            if m := re.match(r"\s*\[\[\s*([\w-]+)", line):
                table = m[1]
                number = counts[table] = counts.get(table, -1) + 1
                self.keys.append((table, number, "", n))
            elif m := re.match(r"\s*\[\s*(.+?)\s*\]\s*(#.*)?$", line):
                table, number = m[1], -1
                self.keys.append((table.split(".")[0], -1, table.partition(".")[2].strip("\"'"), n))
                table = table.split(".")[0]
            elif m := re.match(r"""\s*["']?([\w -]+?)["']?\s*[=.]""", line):
                self.keys.append((table, number, m[1], n))

    def mark(self, loc: Loc) -> str:
        """Return ``:line`` of the closest place known, or nothing."""
        if not loc:
            return ""
        head = str(loc[0])
        number = loc[1] if len(loc) > 1 and isinstance(loc[1], int) else -1
        key = next((str(s) for s in loc[1:] if isinstance(s, str)), "")
        places = [(k, n) for t, i, k, n in self.keys if t == head and i == number]
        places += [(k, n) for t, i, k, n in self.keys if t == "" and k == head]
        exact = next((n for k, n in places if k == key), None)
        line = exact if exact is not None else places[0][1] if places else None
        return "" if line is None else f":{line}"
