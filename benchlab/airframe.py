"""The airframe register ``airframe.toml`` as typed settings; all its faults are reported at once."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from benchlab.errors import RegisterError
from benchlab.procedure import Kind, Limits, Settings

REGISTER = "airframe.toml"
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


class Part(Settings):
    """What every part of the register has. ``logs`` are paths relative to the register."""

    id: str = Field(min_length=1, max_length=64)
    position: str | None = None
    log: str | list[str] | None = None
    channel: str | int | None = None
    limits: Limits = {}

    @field_validator("id")
    @classmethod
    def _printable(cls, value: str) -> str:
        if not value.isprintable() or value != value.strip():
            msg = "must be printable and without blanks around it"
            raise ValueError(msg)
        return value

    @property
    def logs(self) -> tuple[str, ...]:
        """The part's logs in the order given."""
        return () if self.log is None else (self.log,) if isinstance(self.log, str) else tuple(self.log)

    @property
    def label(self) -> str | None:
        """Which of a log's parts this one is, or None where the log holds one only."""
        return None if self.channel is None else str(self.channel)


class Servo(Part):
    """A servo; without ``position`` it is a spare."""

    type: str | None = None
    fixed: bool = False
    supply_v: float | None = Field(None, gt=0)


class Tank(Part):
    """A fuel tank. Without ``volume_ml`` no leak rate can be stated, only the retained fraction."""

    volume_ml: float | None = Field(None, gt=0)
    volume_u_ml: float | None = Field(None, ge=0)
    max_pressure_kpa: float | None = Field(None, gt=0)
    required_hold_h: float | None = Field(None, gt=0)
    observation: str | None = None


class Pack(Part):
    """A battery pack."""

    cells: int | None = Field(None, ge=1)
    capacity_mah: float | None = Field(None, gt=0)
    usable_fraction: float = Field(0.8, gt=0, le=1)


class Share(Settings):
    """The part of a circuit's current that one pack carries."""

    id: str
    share: float = Field(gt=0, le=1)


class Circuit(Part):
    """A circuit with the packs that feed it."""

    packs: list[str | Share] = []
    min_voltage_v: float | None = Field(None, gt=0)
    max_current_a: float | None = Field(None, gt=0)
    wire_awg: int | None = Field(None, ge=-3, le=40)
    wire_length_m: float | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _shares_fit(self) -> Circuit:
        given = [p for p in self.packs if isinstance(p, Share)]
        if given and len(given) != len(self.packs):
            msg = "packs: give every pack a share, or none"
            raise ValueError(msg)
        if given and abs(sum(p.share for p in given) - 1) > 1e-6:  # typed decimals: 1e-6 is far below any of them
            msg = f"packs: the shares add up to {sum(p.share for p in given):g}, not to 1"
            raise ValueError(msg)
        return self

    @property
    def pack_shares(self) -> dict[str, float]:
        """Pack id -> share of this circuit's current; equal where none is given."""
        n = len(self.packs)
        return {p.id: p.share for p in self.packs if isinstance(p, Share)} or {
            p: 1 / n for p in self.packs if isinstance(p, str)
        }


class Group(Settings):
    """Parts that must match; the first position is the leader."""

    name: str
    positions: list[str] = Field(min_length=2)
    coupling: Literal["ganged", "mirrored"]
    opposed: bool = False


class FlightPhase(Settings):
    """One phase of the flight profile."""

    phase: str
    minutes: float = Field(gt=0)


class Dimension(Settings):
    """One left/right bench measurement, typed in."""

    item: str
    left: float
    right: float
    unit: str
    u: float | None = Field(None, ge=0)
    tolerance: float | None = Field(None, gt=0)


class Calibration(Settings):
    """value = scale x reading + offset, after the reading's unit was converted."""

    scale: float = 1.0
    offset: float = 0.0


class LogHelp(Settings):
    """What a reader needs to be told about one log."""

    kind: Kind | None = None
    columns: dict[str, str] = {}
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    encoding: str | None = None
    header_line: int | None = Field(None, ge=1)
    time_format: str | None = None
    """strptime form of the time stamps, where day and month could be confused."""
    calibration: dict[str, Calibration] = {}


class AirframeHead(Settings):
    """The ``[airframe]`` table."""

    id: str
    description: str = ""
    flight_minutes: float | None = Field(None, gt=0)

    @field_validator("id")
    @classmethod
    def _safe(cls, value: str) -> str:
        if not _ID.fullmatch(value) or set(value) == {"."} or value == "..":
            msg = "may hold letters, digits, '.', '_' and '-' only, at most 64"
            raise ValueError(msg)
        return value


class Register(Settings):
    """The whole of ``airframe.toml``."""

    airframe: AirframeHead
    servo: list[Servo] = []
    group: list[Group] = []
    tank: list[Tank] = []
    pack: list[Pack] = []
    circuit: list[Circuit] = []
    flight: list[FlightPhase] = []
    dimension: list[Dimension] = []
    logs: dict[str, LogHelp] = {}

    @property
    def parts(self) -> dict[str, Part]:
        """Every part by id, in the order of the register."""
        return {p.id: p for _, p in self.entries()}

    def entries(self) -> Iterator[tuple[str, Part]]:
        """Yield (kind word, part) in the order of the register."""
        for word in ("servo", "tank", "pack", "circuit"):
            for part in getattr(self, word):
                yield word, part


LOG_KIND: dict[str, Kind] = {
    "servo": "servo_cycling",
    "tank": "tank_pressure",
    "pack": "current_draw",
    "circuit": "current_draw",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Airframe:
    """A loaded register and the folder it describes."""

    folder: Path
    register: Register
    allow_outside: bool = False

    @property
    def id(self) -> str:
        """The airframe's id."""
        return self.register.airframe.id

    @property
    def own_pipelines(self) -> Path:
        """Folder in which the airframe may carry edited procedures."""
        return self.folder / "pipelines"

    def log_paths(self) -> dict[str, tuple[Path, Kind]]:
        """Every log that a part names, once: path as written -> (file, kind)."""
        out: dict[str, tuple[Path, Kind]] = {}
        for word, part in self.register.entries():
            for name in part.logs:
                help_ = self.register.logs.get(name)
                kind = help_.kind if help_ and help_.kind else LOG_KIND[word]
                out.setdefault(name, (self.folder / name, kind))
        return out


def load_airframe(folder: Path, *, allow_outside: bool = False) -> Airframe:
    """Read and check ``folder/airframe.toml``.

    Missing log files are not faults of the register: the other parts are still analysed and the missing log is
    reported as failed. Paths that leave the folder are faults unless ``allow_outside``.

    Raises
    ------
    RegisterError
        With one line for every fault: file, line, entry, what is wrong and what would be right.
    """
    path = folder / REGISTER
    try:
        text = path.read_text(encoding="utf-8-sig")
        raw = tomllib.loads(text)
    except FileNotFoundError:
        raise RegisterError([f"{path}: there is no such file; write one (see README) or name its folder"]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise RegisterError([f"{path}: cannot be read ({error}); save it as UTF-8 text"]) from None
    except tomllib.TOMLDecodeError as error:
        raise RegisterError([f"{path}: not valid TOML: {error}; correct that place"]) from None
    lines = _Lines(text)
    try:
        register = Register.model_validate(raw)
    except ValidationError as error:
        faults = [f"{path}{lines.mark(e['loc'])}: {_fault(e, raw)}" for e in _plain_errors(error)]
        faults += [f"{path}{lines.mark(loc)}: {msg}" for loc, msg in _cross_faults(raw, folder, allow_outside)]
        raise RegisterError(list(dict.fromkeys(faults))) from None
    cross = [f"{path}{lines.mark(loc)}: {msg}" for loc, msg in _cross_faults(raw, folder, allow_outside)]
    if cross:
        raise RegisterError(list(dict.fromkeys(cross)))
    return Airframe(folder=folder, register=register, allow_outside=allow_outside)


# --- faults -----------------------------------------------------------------------------------------------------------

Loc = tuple[str | int, ...]


def _plain_errors(error: ValidationError) -> list[dict[str, Any]]:
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


def _fault(e: dict[str, Any], raw: dict[str, Any]) -> str:
    loc: Loc = e["loc"]
    entry = _entry_name(loc, raw)
    rest = loc[2:] if len(loc) > 1 and isinstance(loc[1], int) else loc[1:]
    key = ".".join(str(s) for s in rest)
    if e["type"] == "extra_forbidden":
        known = _known_keys(loc)
        near = difflib.get_close_matches(str(loc[-1]), known, 1, 0.6)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
        return f"{entry}: unknown key '{key or loc[0]}'; {hint}"
    if e["type"] == "missing":
        return f"{entry}: '{key}' is missing; add it" if key else f"[{loc[0]}] is missing; add it"
    message = str(e["msg"]).removeprefix("Value error, ")
    return f"{entry}: '{key}' = {e['input']!r:.60}: {message}" if key else f"{entry}: {message}"


def _known_keys(loc: Loc) -> list[str]:
    model: Any = Register
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


def _cross_faults(raw: dict[str, Any], folder: Path, allow_outside: bool) -> Iterator[tuple[Loc, str]]:
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
    for i, e in entries("circuit"):
        for p in e.get("packs", []) if isinstance(e.get("packs"), list) else []:
            name = p.get("id") if isinstance(p, dict) else p
            if isinstance(name, str) and name not in pack_ids:
                near = difflib.get_close_matches(name, [str(x) for x in pack_ids], 1, 0.6)
                hint = f"did you mean '{near[0]}'?" if near else "add a [[pack]] with that id"
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
            yield ("group", i, "positions"), f'group "{name}": mixes {" and ".join(sorted(kinds))}s; one kind per group'
        for p in sorted({p for p in listed if listed.count(p) > 1}):
            yield ("group", i, "positions"), f'group "{name}": position "{p}" is listed twice; once is enough'

    for log in raw.get("logs", {}) if isinstance(raw.get("logs"), dict) else {}:
        named = {
            n
            for w in words
            for _, e in entries(w)
            for n in ([e["log"]] if isinstance(e.get("log"), str) else e.get("log") or [])
        }
        if log not in named:
            near = difflib.get_close_matches(log, [str(n) for n in named], 1, 0.6)
            yield (
                ("logs", log),
                f'logs "{log}": no part names this log; '
                + (f"did you mean '{near[0]}'?" if near else "remove the entry or name the log at its part"),
            )


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


class _Lines:
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
