"""The whole job for one airframe, top to bottom: register, logs, parts, groups, verdict, files."""

from __future__ import annotations

import dataclasses
import difflib
import importlib.metadata
import os
import platform
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from benchlab import __version__
from benchlab.airframe import Airframe, Circuit, Pack, Part, load_airframe
from benchlab.errors import BenchlabError, LogError
from benchlab.export import csv_text
from benchlab.judgement import not_measured
from benchlab.logs.reader import read_log
from benchlab.logs.table import REJECTED_COLUMNS, ReadLog
from benchlab.matching.dimensions import judge_dimension, judge_dimension_log
from benchlab.matching.groups import Matching, match_groups
from benchlab.matching.retest import compare_earlier, read_earlier
from benchlab.pace import Progress, paced, silent
from benchlab.power.analyse import analyse_circuit
from benchlab.power.budget import analyse_pack
from benchlab.power.crosscheck import servo_load
from benchlab.procedure import Procedures, load_procedures
from benchlab.report.page import render
from benchlab.results import AirframeResult, Analysis, Event, LogResult, PartResult, dumps, worst
from benchlab.servo.analyse import analyse_servo
from benchlab.servo.sisters import compare_sisters
from benchlab.tank.analyse import analyse_tank

Tell = Callable[[str], None]
Reads = dict[str, ReadLog | LogResult]

# events that mean the reader changed something; a gap alone is only told
_REPAIRS = {"counter_wrap", "clock_restart", "duplicate_time", "out_of_order", "offset_change"}
_SOFTWARE = ("numpy", "pandas", "pandera", "plotly", "pyarrow", "pydantic", "scipy")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What ``run_airframe`` came to. ``faults`` are the inputs that were wrong, one line each."""

    result: AirframeResult
    folder: Path
    faults: tuple[str, ...]
    compared: pd.DataFrame | None = None
    """The parts beside those of an earlier result (``matching.retest.EARLIER_COLUMNS``), where one was named."""

    @property
    def exit_status(self) -> int:
        """0 all accepted, 1 something to be retested or rejected, 2 the input is wrong."""
        return 2 if self.faults else 0 if self.result.verdict == "accept" else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Everything computed of one airframe, before anything is written. ``faults`` as in ``Outcome``."""

    airframe: Airframe
    procedures: Procedures
    reads: Reads
    analyses: Mapping[str, Analysis]
    matching: Matching
    result: AirframeResult
    faults: tuple[str, ...]


def run_airframe(
    folder: Path,
    out: Path,
    *,
    allow_outside: bool = False,
    earlier: Path | None = None,
    progress: Progress = silent,
) -> Outcome:
    """Do the whole job for the airframe in ``folder`` and write its files to ``out/<airframe id>``.

    ``earlier`` names an evidence archive, an output folder or a results.json: its parts are compared with this run's.

    Raises
    ------
    RegisterError
        If the register or a procedure is faulty.
    BenchlabError
        If the output folder cannot be written, or there are no earlier results.
    """
    before = read_earlier(earlier) if earlier is not None else None
    airframe = load_airframe(folder, allow_outside=allow_outside)
    target = _writable(out / airframe.id)
    done = evaluate(airframe, progress)
    matching, compared = done.matching, None
    if before is not None:
        compared = compare_earlier(before, done.analyses)
        matching = dataclasses.replace(matching, tables={**matching.tables, "earlier": compared})
    progress("writing the report")
    page = render(done.result, done.analyses, matching, done.reads, done.procedures)
    write_files(target, done.result, done.analyses, done.reads, page)
    return Outcome(result=done.result, folder=target, faults=done.faults, compared=compared)


def evaluate(airframe: Airframe, progress: Progress = silent) -> Evaluation:
    """Read, analyse, judge and match the parts of a loaded airframe; nothing is written.

    Raises
    ------
    RegisterError
        If a procedure is faulty.
    """
    procedures = load_procedures(airframe.own_pipelines)
    tell = paced(progress, _rough_seconds(airframe))
    reads = read_logs(airframe, procedures, tell)
    analyses, faults = analyse_parts(airframe, procedures, reads, tell)
    tell("matching groups")
    matching = match_groups(airframe.register, analyses, procedures)
    result = summarise(airframe, analyses, matching, reads)
    failed = [f"{r.path}: {r.error}" for r in reads.values() if isinstance(r, LogResult) and r.error]
    return Evaluation(
        airframe=airframe, procedures=procedures, reads=reads, analyses=analyses, matching=matching, result=result,
        faults=(*failed, *faults),
    )  # fmt: skip


def _rough_seconds(airframe: Airframe) -> dict[str, float]:
    """What will be told as being done, with about the seconds that it takes (only the proportions matter)."""
    size = {name: path.stat().st_size if path.is_file() else 0 for name, (path, _) in airframe.log_paths().items()}
    reading = {f"reading {name}": 0.05 + bytes_ / 25e6 for name, bytes_ in size.items()}
    kinds = {"servo": 0.8, "tank": 0.3, "circuit": 0.3, "pack": 0.05}
    parts = [(kind, part.id, cost) for kind, cost in kinds.items() for part in getattr(airframe.register, kind)]
    analysing = {f"analysing {kind} {name}": cost for kind, name, cost in parts}
    return reading | analysing | {"matching groups": 0.3, "writing the report": 0.5}


def read_logs(airframe: Airframe, procedures: Procedures, progress: Tell) -> Reads:
    """Read every log that the register names; one that fails becomes a failed LogResult and stops nothing."""
    reads: Reads = {}
    for name, (path, kind) in airframe.log_paths().items():
        progress(f"reading {name}")
        help_ = airframe.register.logs.get(name)
        try:
            reads[name] = read_log(path, name=name, procedures=procedures, kind=kind, help=help_)
        except LogError as error:
            where = f"line {error.line}: " if error.line else ""
            advice = f"; {error.do}" if error.do else ""
            reads[name] = LogResult(
                path=name, sha256=None, rows=0, rows_rejected=0, status="failed", error=f"{where}{error.what}{advice}"
            )
    return reads


def analyse_parts(
    airframe: Airframe, procedures: Procedures, reads: Reads, progress: Tell
) -> tuple[dict[str, Analysis], list[str]]:
    """Analyse and judge every part of the register; return them by id and what was wrong with the input."""
    register = airframe.register
    done: dict[str, Analysis] = {}
    drawn: dict[str, list[pd.DataFrame]] = {}
    faults: list[str] = []

    def tables(kind: str, part: Part) -> tuple[list[pd.DataFrame], list[Event]] | None:
        progress(f"analysing {kind} {part.id}")
        try:
            return tables_of(part, reads)
        except BenchlabError as error:
            if error.path is None:  # a log that failed is told once, at the log
                faults.append(f'{kind} "{part.id}": {error.what}')
            done[part.id] = _unread(kind, part, str(error))
            return None

    for servo in register.servo:
        if found := tables("servo", servo):
            done[servo.id] = analyse_servo(found[0], servo, procedures.servo, found[1], servo.logs)
            drawn[servo.id] = found[0]
    done |= compare_sisters(
        {s.id: done[s.id] for s in register.servo if done[s.id].result.quantities},
        register.servo,
        procedures.servo,
    )
    for tank in register.tank:
        if found := tables("tank", tank):
            ended = getattr(reads.get(tank.logs[-1]), "time_end", None) if tank.logs else None
            done[tank.id] = analyse_tank(found[0], tank, procedures.tank, found[1], tank.logs, ended)
    for circuit in register.circuit:
        if found := tables("circuit", circuit):
            fed = [servo_load(s, drawn.get(s, ()), done[s], procedures.current) for s in circuit.servos]
            done[circuit.id] = analyse_circuit(found[0], circuit, procedures.current, found[1], circuit.logs, fed)
    for pack in register.pack:
        if analysis := _pack(pack, airframe, procedures, done, tables):
            done[pack.id] = analysis
    ordered = {part.id: done[part.id] for part in register.parts.values()}
    for entry in register.dimension:
        ordered[entry.item] = judge_dimension(entry, procedures.dimension)
    for name in register.airframe.dimension_logs:
        if not isinstance(read := reads[name], ReadLog):
            continue
        for item, analysis in judge_dimension_log(read, procedures.dimension).items():
            if item in ordered:
                line = analysis.tables["readings"]["line"].iloc[0]
                faults.append(f'{name}: line {line}: "{item}" is the name of another part or item; give it its own')
            else:
                ordered[item] = analysis
    return ordered, faults


def _pack(
    pack: Pack,
    airframe: Airframe,
    procedures: Procedures,
    done: Mapping[str, Analysis],
    tables: Callable[[str, Part], tuple[list[pd.DataFrame], list[Event]] | None],
) -> Analysis | None:
    """Analyse a pack from its own discharge log, if it has one, and from the circuits it feeds."""
    register, own = airframe.register, None
    if pack.logs:
        if not (found := tables("pack", pack)):
            return None
        own = analyse_circuit(found[0], pack, procedures.current, found[1], pack.logs)
    fed: list[tuple[Circuit, Analysis]] = [(c, done[c.id]) for c in register.circuit if pack.id in c.pack_shares]
    return analyse_pack(pack, fed, register.flight, register.airframe.flight_minutes, procedures.current, own)


def tables_of(part: Part, reads: Reads) -> tuple[list[pd.DataFrame], list[Event]]:
    """Return the part's tables, one per log in order, and the events of those logs.

    Raises
    ------
    BenchlabError
        If the part has no log, a log failed, or a log does not tell which of its parts this one is.
    """
    if not part.logs and getattr(part, "observation", None) is None:
        raise BenchlabError("no log is named for it", do=f'add log = "..." to "{part.id}"')
    frames: list[pd.DataFrame] = []
    events: list[Event] = []
    for name in part.logs:
        read = reads[name]
        if isinstance(read, LogResult):
            raise BenchlabError(f"its log could not be read ({read.error})", path=name)
        frames.append(_table(read, part.label, name))
        events += read.events
    return frames, events


def _table(read: ReadLog, label: str | None, name: str) -> pd.DataFrame:
    """Pick the table of one part out of a log."""
    held = read.tables
    if label is None and len(held) == 1:
        return next(iter(held.values()))
    names = ", ".join(repr(k) for k in held)
    if label is None:
        raise BenchlabError(f"{name} holds several parts ({names})", do="say which with channel = ...")
    by_name = {k.strip().casefold(): v for k, v in held.items()}
    if (table := by_name.get(label.strip().casefold())) is not None:
        return table
    if list(held) == [""]:
        raise BenchlabError(f"{name} holds one unnamed part, not {label!r}", do="leave channel away")
    near = difflib.get_close_matches(label, list(held), 1)
    raise BenchlabError(
        f"{name} has no part {label!r}, only {names}", do=f"did you mean {near[0]!r}?" if near else None
    )


def summarise(airframe: Airframe, analyses: Mapping[str, Analysis], matching: Matching, reads: Reads) -> AirframeResult:
    """Put parts, groups and logs together and give the airframe its verdict: its worst part or group."""
    parts = tuple(a.result for a in analyses.values())
    logs = tuple(_log_result(r) for r in reads.values())
    failed = [log.path for log in logs if log.status == "failed"]
    verdict = worst([p.verdict for p in parts] + [g.verdict for g in matching.groups])
    notes = []
    if failed:
        verdict = worst([verdict, "retest"])
        notes.append(f"Not read: {', '.join(failed)}. The airframe cannot be accepted before these logs are.")
    if not parts:
        notes.append("The register names no parts: there is nothing to accept.")
    return AirframeResult(
        airframe=airframe.id, description=airframe.register.airframe.description, verdict=verdict, parts=parts,
        groups=matching.groups, assignment=matching.assignment, logs=logs, notes=tuple(notes), software=versions(),
    )  # fmt: skip


def _log_result(read: ReadLog | LogResult) -> LogResult:
    if isinstance(read, LogResult):
        return read
    repaired = any(e.kind in _REPAIRS for e in read.events)
    return LogResult(
        path=read.path, sha256=read.sha256, rows=read.rows, rows_rejected=read.rows_rejected,
        status="repaired" if repaired else "read", events=read.events,
    )  # fmt: skip


def _unread(kind: str, part: Part, why: str) -> Analysis:
    """Stand in for a part that could not be analysed: it is to be retested."""
    result = PartResult(
        id=part.id, kind=kind, type=getattr(part, "type", None), position=part.position, verdict="retest",
        logs=part.logs, findings=(not_measured("log", "read", "1", why),),
    )  # fmt: skip
    return Analysis(result=result)


def versions() -> dict[str, str]:
    """Versions of everything that computes: benchlab, Python and the libraries whose arithmetic matters."""
    found = {name: importlib.metadata.version(name) for name in _SOFTWARE}
    return {"benchlab": __version__, "python": platform.python_version()} | found


# --- files ------------------------------------------------------------------------------------------------------------


def write_files(
    target: Path, result: AirframeResult, analyses: Mapping[str, Analysis], reads: Reads, page: str
) -> None:
    """Write report.html, results.json, cycles.parquet and rejected_rows.csv: all of them whole, or none."""
    rejected = [r.rejected for r in reads.values() if isinstance(r, ReadLog) and len(r.rejected)]
    rejected_rows = pd.concat(rejected) if rejected else pd.DataFrame(columns=list(REJECTED_COLUMNS))
    staging = Path(tempfile.mkdtemp(prefix=".writing-", dir=target.parent))
    try:
        (staging / "report.html").write_text(page, encoding="utf-8")
        (staging / "results.json").write_text(dumps(result), encoding="utf-8")
        (staging / "rejected_rows.csv").write_text(csv_text(rejected_rows), encoding="utf-8")
        cycles_table(analyses).to_parquet(staging / "cycles.parquet", index=False)
        target.mkdir(exist_ok=True)
        for file in sorted(staging.iterdir()):
            file.replace(target / file.name)
    except OSError as error:
        msg = f"cannot write the results ({error.strerror})"
        raise BenchlabError(msg, path=str(target), do="free some space or name another folder with --out") from None
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def cycles_table(analyses: Mapping[str, Analysis]) -> pd.DataFrame:
    """Return the per-cycle quantities of all servos, one row per part and cycle, first column ``part``."""
    frames = [
        a.tables["cycles"].assign(part=name).pipe(lambda f: f[["part", *f.columns.drop("part")]])
        for name, a in analyses.items()
        if "cycles" in a.tables
    ]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame({"part": [], "cycle": []})


def _writable(target: Path) -> Path:
    """Make sure that files can be written beside ``target`` before the long work begins."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=target.parent):
            pass
        if target.exists() and not target.is_dir():
            raise BenchlabError("is a file, not a folder", path=str(target), do="move it away or choose another --out")
        if target.is_dir() and not os.access(target, os.W_OK):
            raise PermissionError(13, "Permission denied")
    except OSError as error:
        msg = f"cannot be written to ({error.strerror})"
        raise BenchlabError(msg, path=str(target), do="choose another folder with --out") from None
    return target
