"""Logs that belong together, read and analysed in one go: a bundle is what one worker does by itself.

A bundle holds the parts that share logs, so that every log is read once and its rows never leave the worker.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from benchlab.airframe import Airframe, Circuit, Pack, Part, Servo, Tank
from benchlab.errors import BenchlabError, LogError
from benchlab.judgement import not_measured
from benchlab.logs.reader import read_log
from benchlab.logs.record import Record
from benchlab.logs.table import ReadLog
from benchlab.power.analyse import analyse_circuit
from benchlab.power.crosscheck import mean_current
from benchlab.procedure import Procedures
from benchlab.results import Analysis, Estimate, Event, LogResult, PartResult
from benchlab.servo.analyse import judge_servo
from benchlab.servo.observe import Observed, observe_servo
from benchlab.tank.analyse import analyse_tank

Reads = Mapping[str, ReadLog | LogResult]

_CURRENT = ("time_s", "segment", "current_a")
"""Columns that tell the mean current: a whole log of many rows need not be in memory for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Parts that share logs, and those logs, in the order of the register."""

    logs: tuple[str, ...]
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of a bundle; logs without their rows."""

    reads: dict[str, ReadLog | LogResult] = field(default_factory=dict)
    analyses: dict[str, Analysis] = field(default_factory=dict)
    """Part -> its analysis; of a pack, that of its own log."""
    means: dict[str, Estimate | None] = field(default_factory=dict)
    """Servo on a circuit -> mean current (A) over its logs."""
    observed: dict[str, Observed] = field(default_factory=dict)
    """Servo -> what its logs show, before it is judged."""
    faults: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What every worker needs to know."""

    airframe: Airframe
    procedures: Procedures
    kept: Path | None
    """Folder in which what was read is kept between runs; None: nothing is kept."""


def bundles_of(airframe: Airframe) -> list[Bundle]:
    """Put the parts of a register that share a log together; a log that belongs to no part is nobody's bundle."""
    parts = [p for _, p in airframe.register.entries() if p.logs or not _analysed_later(p)]
    groups: list[tuple[set[str], list[str]]] = []
    for part in parts:
        shared = [g for g in groups if g[0] & set(part.logs)]
        merged = (set(part.logs).union(*(g[0] for g in shared)), [*(i for g in shared for i in g[1]), part.id])
        groups = [*(g for g in groups if g not in shared), merged]
    order = list(airframe.log_paths())
    bundles = [Bundle(logs=tuple(sorted(logs, key=order.index)), parts=tuple(ids)) for logs, ids in groups]
    places = [p.id for p in parts]
    return sorted(bundles, key=lambda b: places.index(b.parts[0]))


def _analysed_later(part: Part) -> bool:
    """A pack without a log of its own is reckoned from the circuits that it feeds."""
    return _word(part) == "pack"


def _word(part: Part) -> str:
    return type(part).__name__.lower()


def do_bundle(job: Job, bundle: Bundle) -> Done:
    """Read the logs of a bundle and analyse its parts; a log that fails becomes a LogResult and stops nothing."""
    done = Done()
    rows: dict[str, ReadLog | LogResult] = {name: read_one(job, name) for name in bundle.logs}
    for id_ in bundle.parts:
        part = job.airframe.register.parts[id_]
        try:
            records, events = records_of(part, rows)
        except BenchlabError as error:
            if error.path is None:  # a log that failed is told once, at the log
                done.faults.append(f'{_word(part)} "{id_}": {error.what}')
            done.analyses[id_] = unread(_word(part), part, str(error))
            continue
        if isinstance(part, Servo):
            done.observed[id_] = observe_servo(records, part, job.procedures.servo)
            done.analyses[id_] = judge_servo(done.observed[id_], part, job.procedures.servo, events, part.logs)
            if id_ in on_circuits(job.airframe):
                bare = [Record(columns={c: r.columns[c] for c in _CURRENT if c in r}) for r in records]
                done.means[id_] = mean_current([r.frame() for r in bare], job.procedures.current)
        else:
            done.analyses[id_] = _analyse(job, part, [r.frame() for r in records], events, rows)
    done.reads.update({name: _without_rows(read) for name, read in rows.items()})
    return done


def _analyse(
    job: Job, part: Part, tables: Sequence[pd.DataFrame], events: Sequence[Event], rows: Reads
) -> Analysis:  # fmt: skip
    if isinstance(part, Tank):
        ended = getattr(rows.get(part.logs[-1]), "time_end", None) if part.logs else None
        return analyse_tank(tables, part, job.procedures.tank, events, part.logs, ended)
    assert isinstance(part, Circuit | Pack)
    return analyse_circuit(tables, part, job.procedures.current, events, part.logs)


def read_one(job: Job, name: str) -> ReadLog | LogResult:
    """Read one log of the register."""
    path, kind = job.airframe.log_paths()[name]
    help_ = job.airframe.register.logs.get(name)
    try:
        return read_log(path, name=name, procedures=job.procedures, kind=kind, help=help_)
    except LogError as error:
        where = f"line {error.line}: " if error.line else ""
        advice = f"; {error.do}" if error.do else ""
        return LogResult(
            path=name, sha256=None, rows=0, rows_rejected=0, status="failed", error=f"{where}{error.what}{advice}"
        )


def _without_rows(read: ReadLog | LogResult) -> ReadLog | LogResult:
    return dataclasses.replace(read, records={}) if isinstance(read, ReadLog) else read


def on_circuits(airframe: Airframe) -> set[str]:
    """Servos that some circuit names: their mean current is wanted."""
    return {s for c in airframe.register.circuit for s in c.servos}


def records_of(part: Part, reads: Reads) -> tuple[list[Record], list[Event]]:
    """Return the part's rows, one record per log in order, and the events of those logs.

    Raises
    ------
    BenchlabError
        If the part has no log, a log failed, or a log does not tell which of its parts this one is.
    """
    if not part.logs and getattr(part, "observation", None) is None:
        raise BenchlabError("no log is named for it", do=f'add log = "..." to "{part.id}"')
    records: list[Record] = []
    events: list[Event] = []
    for name in part.logs:
        read = reads[name]
        if isinstance(read, LogResult):
            raise BenchlabError(f"its log could not be read ({read.error})", path=name)
        records.append(_record(read, part.label, name))
        events += read.events
    return records, events


def _record(read: ReadLog, label: str | None, name: str) -> Record:
    """Pick the rows of one part out of a log."""
    held = read.records
    if label is None and len(held) == 1:
        return next(iter(held.values()))
    names = ", ".join(repr(k) for k in held)
    if label is None:
        raise BenchlabError(f"{name} holds several parts ({names})", do="say which with channel = ...")
    by_name = {k.strip().casefold(): v for k, v in held.items()}
    if (record := by_name.get(label.strip().casefold())) is not None:
        return record
    if list(held) == [""]:
        raise BenchlabError(f"{name} holds one unnamed part, not {label!r}", do="leave channel away")
    near = difflib.get_close_matches(label, list(held), 1)
    raise BenchlabError(
        f"{name} has no part {label!r}, only {names}", do=f"did you mean {near[0]!r}?" if near else None
    )


def unread(kind: str, part: Part, why: str) -> Analysis:
    """Stand in for a part that could not be analysed: it is to be retested."""
    result = PartResult(
        id=part.id, kind=kind, type=getattr(part, "type", None), position=part.position, verdict="retest",
        logs=part.logs, findings=(not_measured("log", "read", "1", why),),
    )  # fmt: skip
    return Analysis(result=result)
