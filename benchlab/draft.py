"""A first ``airframe.toml``, drafted from the logs of a folder: what each seems to be, for a person to correct."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchlab.airframe import REGISTER
from benchlab.errors import BenchlabError, LogError
from benchlab.export import toml_string
from benchlab.logs.reader import read_log
from benchlab.logs.table import ReadLog
from benchlab.procedure import Kind, Procedures, load_procedures

SUFFIXES = (".csv", ".tsv", ".txt", ".log", ".dat")
_COMPRESSED = (".gz", ".bz2", ".xz", ".zst")
_SKIPPED = {"pipelines", "reports", "archives"}
_COLUMNS_SHOWN = 16
_KIND_OF_PART: dict[Kind, str] = {"servo_cycling": "servo", "tank_pressure": "tank", "current_draw": "circuit"}
_ASKED = {
    "servo": (
        ('# type = "..."', "servos of one type are compared with each other"),
        ('# position = "left elevon inner"', "none: a spare"),
        ("# supply_v = 7.4", "nominal supply, if known"),
    ),
    "tank": (
        ('# position = "left saddle"', ""),
        ("# volume_ml = 1900", "without it no leak rate, only the share retained"),
        ("# volume_u_ml = 15", "its standard uncertainty"),
        ("# max_pressure_kpa = 15", "the tank's stated limit"),
        ("# required_hold_h = 4", "how long it must hold (default: the procedure's)"),
    ),
    "circuit": (
        ('# packs = ["P1"]', "what feeds it; describe it below as [[pack]]"),
        ("# min_voltage_v = 6.0", "judged only against what you state"),
        ("# max_current_a = 12", ""),
        ("# wire_awg = 20", ""),
        ("# wire_length_m = 0.6", "one way"),
    ),
}
_TAIL = """
# Not to be seen in logs; take the # away and correct what applies:
#
# [[pack]]
# id = "P1"
# cells = 2
# capacity_mah = 4000
#
# [[group]]                        # parts that must match; the first position leads
# name = "left elevon"
# positions = ["left elevon inner", "left elevon outer"]
# coupling = "ganged"              # one surface, can fight; or "mirrored": left and right twins
#
# [[flight]]                       # phases as the current logs name them
# phase = "cruise"
# minutes = 6
#
# [[dimension]]                    # a left/right bench measurement
# item = "aileron horn to hinge line"
# left = 23.4
# right = 23.9
# unit = "mm"
# u = 0.1
# tolerance = 1.0
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A drafted register: its text, and what was found: parts by word, logs that are of no kind or cannot be read."""

    text: str
    parts: dict[str, int]
    unclear: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Guess:
    word: str
    id: str
    logs: tuple[str, ...]
    channel: str | None
    seen: str


def write_draft(folder: Path, progress: Callable[[str], None] = lambda _: None) -> Draft:
    """Write ``folder/airframe.toml`` from the logs in the folder and the folders below it.

    Raises
    ------
    BenchlabError
        If there is no such folder, a register is there already (never overwritten), no log is found, or the file
        cannot be written.
    """
    target = folder / REGISTER
    if os.path.lexists(target):
        raise _there_already(target)
    if not folder.is_dir():
        raise BenchlabError("there is no such folder", path=str(folder), do="name the folder that holds the logs")
    found = draft(folder, load_procedures(folder / "pipelines"), progress)
    _place(target, found.text)
    return found


def draft(folder: Path, procedures: Procedures, progress: Callable[[str], None] = lambda _: None) -> Draft:
    """Read the logs below ``folder`` and return a register that names their parts, by best guess.

    Raises
    ------
    BenchlabError
        If no log is found.
    """
    names = [path.relative_to(folder).as_posix() for path in log_files(folder)]
    if not names:
        endings = ", ".join(SUFFIXES)
        raise BenchlabError(f"no logs here (looked for {endings}, compressed or not)", path=str(folder), do="add them")
    read: list[ReadLog] = []
    unclear: dict[str, list[str]] = {}
    for name in names:
        progress(f"reading {name}")
        try:
            log = read_log(folder / name, name=name, procedures=procedures)
        except LogError as error:
            unclear[name] = [str(error)]
            continue
        if log.kind is None:
            unclear[name] = ["none of the four kinds of log; its columns:", *_columns(log)]
        else:
            read.append(log)
    guesses = list(_guesses(read))
    first = {g.word: g for g in reversed(guesses)}  # what may be added is said once for each kind
    entries = (line for g in guesses for line in _entry(g, explained=g is first[g.word]))
    text = "\n".join([*_head(folder, read), *entries])
    text += _TAIL + "".join(f"{line}\n" for name, why in unclear.items() for line in _unclear(name, why))
    counts = {word: sum(g.word == word for g in guesses) for word in _KIND_OF_PART.values()}
    return Draft(text=text, parts={w: n for w, n in counts.items() if n}, unclear=tuple(unclear))


def log_files(folder: Path) -> Iterator[Path]:
    """Yield what may be a log, in the order of names; hidden files, links, archives and reports are passed over."""
    for root, folders, files in os.walk(folder):
        folders[:] = sorted(f for f in folders if not f.startswith(".") and f not in _SKIPPED)
        if "bagit.txt" in files or "results.json" in files:
            folders.clear()
            continue
        for file in sorted(files):
            path = Path(root, file)
            ending = path.with_suffix("") if path.suffix.lower() in _COMPRESSED else path
            if ending.suffix.lower() in SUFFIXES and not file.startswith(".") and not path.is_symlink():
                yield path


def _guesses(read: list[ReadLog]) -> Iterator[_Guess]:
    """Take every part of every log for a part of the airframe; one that logs name alike is one part with two logs."""
    taken: set[str] = set()
    named: dict[tuple[str, str], list[ReadLog]] = {}
    single: list[tuple[str, str | None, ReadLog]] = []
    for log in read:
        word = _KIND_OF_PART.get(log.kind) if log.kind else None
        for label in log.records if word else ():
            if re.search(r"[^\W\d_]", label):
                named.setdefault((str(word), label), []).append(log)
            else:
                single.append((str(word), label if len(log.records) > 1 else None, log))
    for (word, label), logs in named.items():
        seen = "; ".join(_seen(log, label) for log in logs)
        alone = all(len(log.records) == 1 for log in logs)
        paths = tuple(log.path for log in logs)
        yield _Guess(word, _free(label[:64], taken), paths, None if alone else label, seen)
    for word, channel, log in single:
        label = channel if channel is not None else next(iter(log.records))
        yield _Guess(word, _free(_name(word, log, taken), taken), (log.path,), channel, _seen(log, label))


def _name(word: str, log: ReadLog, taken: set[str]) -> str:
    if word == "circuit":
        return re.split(r"\.", Path(log.path).name)[0].replace("_", " ").strip()[:60] or "circuit"
    number = 1 + sum(t.startswith(word[0].upper()) for t in taken)
    return f"S{number:02d}" if word == "servo" else f"T{number}"


def _free(name: str, taken: set[str]) -> str:
    name = "".join(c for c in name if c.isprintable()).strip() or "part"
    out, number = name, 2
    while out in taken:
        out, number = f"{name[:58]} ({number})", number + 1
    taken.add(out)
    return out


def _seen(log: ReadLog, label: str) -> str:
    """Say what a log shows of a part: rows, span, channels."""
    record = log.records[label]
    channels = [c for c in record.columns if c not in ("time_s", "segment")]
    span_h = float(record.read("time_s", -1)[0]) / 3600 if "time_s" in record and len(record) else 0.0
    long = f"{span_h:.1f} h" if span_h >= 1 else f"{60 * span_h:.1f} min"
    return f"{len(record)} rows over {long}: {', '.join(channels)}"


def _head(folder: Path, read: list[ReadLog]) -> list[str]:
    measured = ", ".join(toml_string(log.path) for log in read if log.kind == "paired_dimensions")
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", folder.resolve().name).strip("-.")[:64] or "airframe"
    return [
        "# Drafted by benchlab from the logs in this folder: every entry is a guess. Correct ids, add positions and",
        "# limits, delete what is none of this airframe's, then: benchlab run .",
        "",
        "[airframe]",
        f"id = {toml_string(name)}",
        'description = ""',
        "# flight_minutes = 8",
        *([f"dimension_log = [{measured}]  # left/right measurements"] if measured else []),
    ]


def _entry(guess: _Guess, *, explained: bool) -> list[str]:
    lines = ["", f"[[{guess.word}]]  # {_comment(guess.seen)}", f"id = {toml_string(guess.id)}"]
    lines += [f"{key:<34}# {why}" if why else key for key, why in _ASKED[guess.word] if explained]
    logs = [toml_string(name) for name in guess.logs]
    lines.append(f"log = {logs[0] if len(logs) == 1 else '[' + ', '.join(logs) + ']'}")
    return lines if guess.channel is None else [*lines, f"channel = {toml_string(guess.channel)}"]


def _columns(log: ReadLog) -> list[str]:
    lines = []
    for c in log.columns[:_COLUMNS_SHOWN]:
        held = f"{c.min:.6g} .. {c.max:.6g}" if c.min is not None and c.max is not None else "no numbers"
        lines.append(f"  {c.index} {c.name!r}: {held}" + (f" ({c.why})" if c.why else ""))
    more = len(log.columns) - _COLUMNS_SHOWN
    return [*lines, f"  ... and {more} more"] if more > 0 else lines


def _unclear(name: str, why: list[str]) -> Iterator[str]:
    """Say why a log could not be assigned, and show how its columns can be named by hand."""
    yield ""
    yield f"# {_comment(name)}: not assigned to a part."
    yield from (f"#   {_comment(line)}" for text in why for line in text.splitlines())
    yield "# If it is a log of a part, name it there and say here what its columns are (header or number from 1):"
    yield f"# [logs.{toml_string(name)}]"
    yield '# columns = { "1" = "time_s [s]", "2" = "current_a [mA]" }'


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def _place(target: Path, text: str) -> None:
    try:
        with target.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise _there_already(target) from None
    except OSError as error:
        raise BenchlabError(
            f"cannot be written ({error.strerror})", path=str(target), do="free space or rights"
        ) from None


def _there_already(target: Path) -> BenchlabError:
    return BenchlabError("is there already and is never overwritten", path=str(target), do="move it away first")
