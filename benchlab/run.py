"""The whole job for one airframe, top to bottom: register, logs, parts, groups, verdict, files."""

from __future__ import annotations

import dataclasses
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
from benchlab.airframe import Airframe, load_airframe
from benchlab.bundles import Done, Job, Reads, read_one
from benchlab.errors import BenchlabError
from benchlab.export import csv_text
from benchlab.logs.table import REJECTED_COLUMNS, ReadLog
from benchlab.matching.dimensions import judge_dimension, judge_dimension_log
from benchlab.matching.groups import Matching, match_groups
from benchlab.matching.retest import compare_earlier, read_earlier
from benchlab.pace import Progress, silent
from benchlab.power.budget import analyse_pack
from benchlab.power.crosscheck import servo_load, with_servos
from benchlab.procedure import Procedures, load_procedures
from benchlab.report.page import prepare, render
from benchlab.results import AirframeResult, Analysis, LogResult, dumps, worst
from benchlab.servo.sisters import compare_sisters
from benchlab.workers import do_bundles

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
    jobs: int = 1,
    kept: Path | None = None,
) -> Outcome:
    """Do the whole job for the airframe in ``folder`` and write its files to ``out/<airframe id>``.

    ``earlier`` names an evidence archive, an output folder or a results.json: its parts are compared with this run's.
    ``jobs`` and ``kept`` as of ``evaluate``.

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
    done = evaluate(airframe, progress, jobs=jobs, kept=kept, meanwhile=prepare)
    matching, compared = done.matching, None
    if before is not None:
        compared = compare_earlier(before, done.analyses)
        matching = dataclasses.replace(matching, tables={**matching.tables, "earlier": compared})
    progress("writing the report", 0.95)
    page = render(done.result, done.analyses, matching, done.reads, done.procedures)
    write_files(target, done.result, done.analyses, done.reads, page)
    return Outcome(result=done.result, folder=target, faults=done.faults, compared=compared)


def evaluate(
    airframe: Airframe, progress: Progress = silent, *, jobs: int = 1, kept: Path | None = None,
    meanwhile: Callable[[], None] = lambda: None,
) -> Evaluation:  # fmt: skip
    """Read, analyse, judge and match the parts of a loaded airframe; nothing is written but what ``kept`` names.

    Parameters
    ----------
    jobs
        How many logs are read and analysed at once, each by a process of its own; it changes no result.
    kept
        Folder in which what was read is kept for the next run (``cache``); None: everything is read anew.
    meanwhile
        What else this process can do while others read.

    Raises
    ------
    RegisterError
        If a procedure is faulty.
    """
    procedures = load_procedures(airframe.own_pipelines)
    done = do_bundles(Job(airframe=airframe, procedures=procedures, kept=kept), jobs, progress, meanwhile)
    progress("matching groups", 0.9)
    reads, analyses, faults = complete(airframe, procedures, done)
    matching = match_groups(airframe.register, analyses, procedures)
    result = summarise(airframe, analyses, matching, reads)
    failed = [f"{r.path}: {r.error}" for r in reads.values() if isinstance(r, LogResult) and r.error]
    return Evaluation(
        airframe=airframe, procedures=procedures, reads=reads, analyses=analyses, matching=matching, result=result,
        faults=(*failed, *faults),
    )  # fmt: skip


def complete(airframe: Airframe, procedures: Procedures, done: Done) -> tuple[Reads, dict[str, Analysis], list[str]]:
    """Add to the parts' own analyses what takes several of them, and the paired dimensions.

    Returns all logs and all analyses in the order of the register, and what was wrong with the input.
    """
    register, analyses, faults = airframe.register, dict(done.analyses), list(done.faults)
    servos = {s.id: analyses[s.id] for s in register.servo if analyses[s.id].result.quantities}
    analyses |= compare_sisters(servos, register.servo, procedures.servo)
    for circuit in register.circuit:
        if _unread(analyses[circuit.id]):
            continue
        fed = [servo_load(s, done.means.get(s), analyses[s]) for s in circuit.servos]
        analyses[circuit.id] = with_servos(analyses[circuit.id], fed)
    for pack in register.pack:
        if _unread(own := analyses.get(pack.id)):
            continue
        circuits = [(c, analyses[c.id]) for c in register.circuit if pack.id in c.pack_shares]
        minutes = register.airframe.flight_minutes
        analyses[pack.id] = analyse_pack(pack, circuits, register.flight, minutes, procedures.current, own)
    ordered = {part.id: analyses[part.id] for part in register.parts.values()}
    for entry in register.dimension:
        ordered[entry.item] = judge_dimension(entry, procedures.dimension)
    job = Job(airframe=airframe, procedures=procedures, kept=None)
    read = done.reads | {name: read_one(job, name) for name in register.airframe.dimension_logs}
    for name in register.airframe.dimension_logs:
        if isinstance(log := read[name], ReadLog):
            faults += _add_dimensions(name, log, procedures, ordered)
    return {name: read[name] for name in airframe.log_paths()}, ordered, faults


def _unread(analysis: Analysis | None) -> bool:
    """Whether an analysis stands in for a part whose log could not be read."""
    return analysis is not None and any((f.quantity, f.aspect) == ("log", "read") for f in analysis.result.findings)


def _add_dimensions(name: str, log: ReadLog, procedures: Procedures, ordered: dict[str, Analysis]) -> list[str]:
    faults = []
    for item, analysis in judge_dimension_log(log, procedures.dimension).items():
        if item in ordered:
            line = analysis.tables["readings"]["line"].iloc[0]
            faults.append(f'{name}: line {line}: "{item}" is the name of another part or item; give it its own')
        else:
            ordered[item] = analysis
    return faults


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
