"""From a circuit's log to its statistics, source resistance, events and findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from benchlab.airframe import Circuit, Pack
from benchlab.judgement import required_missing
from benchlab.power import tables as figures
from benchlab.power.discharges import discharge_runs
from benchlab.power.events import clipped_rows, dip_events, find_clipping, find_dips, find_inrush
from benchlab.power.flow import CHARGES, UNCLEAR, charge_both_ways, right_way, why_no_load
from benchlab.power.judge import NOT_JUDGED, READ_LOW, at_least, judge_all, judged_on, limits_of, next_step
from benchlab.power.load import describe, gap_charge, times_above
from benchlab.power.phases import phases_of
from benchlab.power.record import Record, prepare
from benchlab.power.source import SourceFit, fit_source
from benchlab.power.wiring import wiring
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, Estimate, Event, Finding, NotMeasured, PartResult, worst
from benchlab.stats.uncertainty import estimate

_LOAD = (
    "mean_current_a", "rms_current_a", "p95_current_a", "p99_current_a", "p999_current_a", "peak_current_a",
    "charge_mah", "energy_wh", "gap_charge_mah", "longest_above_s", "time_above_s",
)  # fmt: skip
_COARSE = 0.02


def analyse_circuit(
    tables: Sequence[pd.DataFrame],
    part: Circuit | Pack,
    procedure: CurrentProcedure,
    log_events: Sequence[Event] = (),
    log_names: Sequence[str] = (),
) -> Analysis:
    """Analyse the log (or logs, in order) of one circuit, or of a pack on its own.

    Parameters
    ----------
    tables
        Canonical ``current_draw`` frames, see ``logs/table.py``.
    part
        The circuit, or the pack whose own log this is; limits of a pack are judged by ``budget.analyse_pack``.
    log_events, log_names
        What reading the logs found, and their names as reported.

    Returns
    -------
    Analysis
        Tables ``load``, ``load_histogram``, ``load_duration``, ``discharges``, ``source_line``
        and ``discharge``, as far as measured.
        A circuit for which the register sets no limit is described: accepted with a note, ``judged_on`` empty.
    """
    notes: list[str] = []
    record = prepare(tables, procedure)
    if record is None:
        return _unusable(tables, part, procedure, log_events, log_names)
    record, refused, told = right_way(record, notes)
    clip = find_clipping(record)
    fit = fit_source(record, clipped_rows(record, clip))
    if isinstance(fit, SourceFit) and fit.sure_sign and (fit.resistance.value or 0.0) < 0:
        fit = "the voltage rises with the current: the supply drives the load here, not the load the supply"
    fitted = fit if isinstance(fit, SourceFit) else None
    refused = refused or why_no_load(record, told or fitted is not None, notes)
    if refused in (CHARGES, UNCLEAR):  # a charger holds the voltage: it does not answer the current
        fit, fitted = refused, None
    missing = _missing(record, fit)
    quantities = describe(record) | _source_quantities(fitted) | charge_both_ways(record, refused, notes)
    quantities |= _peaks(record, part, notes, missing)
    if refused:
        missing += [NotMeasured(quantity=q, why=refused) for q in _LOAD if q in quantities]
        quantities = {q: e for q, e in quantities.items() if q not in _LOAD}
    if clip is not None:
        quantities = {q: replace(e, hi=None) if q in READ_LOW else e for q, e in quantities.items()}
    if isinstance(part, Circuit):
        quantities |= wiring(part, quantities, procedure, notes)
    phases, labelled = phases_of(record)
    if phases and not labelled:
        notes.append("The log labels no phases; quiet and active stretches were found by how much the current swings.")
    events = _events(record, fitted, clip, part, procedure, log_events, notes)
    findings = _findings(record, part, procedure, quantities, events, missing, notes)
    notes += _reading_notes(record, quantities, refused)
    result = PartResult(
        id=part.id, kind="pack" if isinstance(part, Pack) else "circuit", position=part.position,
        verdict=worst([f.verdict for f in findings]) if findings else "accept", judged_on=judged_on(findings),
        logs=tuple(log_names), quantities=quantities,
        phases=None if refused else {name: describe(record, rows) for name, rows in phases.items()} or None,
        findings=tuple(findings), events=tuple(events), not_measured=tuple(missing), notes=tuple(notes),
        next_step=next_step(findings),
    )  # fmt: skip
    return Analysis(result=result, tables=_tables(record, fitted, refused))


def _findings(
    record: Record,
    part: Circuit | Pack,
    procedure: CurrentProcedure,
    quantities: dict[str, Estimate],
    events: Sequence[Event],
    missing: Sequence[NotMeasured],
    notes: list[str],
) -> list[Finding]:
    refused = {m.quantity for m in missing}
    have = [q for q in (*quantities, "current_a") if q not in refused]
    have += ["voltage_v"] if record.voltage_v is not None else []
    findings = required_missing(
        procedure.required, have, {m.quantity: m.why for m in missing}, "the log does not show it"
    )
    if isinstance(part, Circuit):
        findings += judge_all(limits_of(part, procedure), quantities, events, missing, procedure)
        if not findings:
            notes.append(NOT_JUDGED)
    return at_least(findings) if any(e.kind == "clipping" for e in events) else findings


def _tables(record: Record, fit: SourceFit | None, refused: str | None) -> dict[str, pd.DataFrame]:
    out = {"load": figures.load_table(record)}
    if refused in (None, CHARGES):
        out["discharges"] = discharge_runs(record)
    if not refused:
        out["load_histogram"] = figures.histogram_table(record)
        out["load_duration"] = figures.duration_table(record)
    if fit is not None:
        out["source_line"] = figures.source_table(record, fit)
    if record.voltage_v is not None:
        out["discharge"] = figures.discharge_table(record, fit)
    return out


def _missing(record: Record, fit: SourceFit | str) -> list[NotMeasured]:
    missing = []
    if record.voltage_v is None:
        why = "no voltage channel in the log: log the supply voltage beside the current"
        missing += [NotMeasured(quantity=q, why=why) for q in ("voltage_min_v", "energy_wh")]
    if isinstance(fit, str):
        missing.append(NotMeasured(quantity="source_resistance_ohm", why=fit))
    if record.duration_s <= 0:
        missing += [NotMeasured(quantity=q, why="no two successive rows of one stretch") for q in _LOAD]
    return missing


def _source_quantities(fit: SourceFit | None) -> dict[str, Estimate]:
    if fit is None:
        return {}
    out = {"source_resistance_ohm": fit.resistance}
    if fit.polarisation is not None and fit.polarisation_s is not None:
        out |= {"polarisation_resistance_ohm": fit.polarisation, "polarisation_s": fit.polarisation_s}
    return out


def _peaks(record: Record, part: Circuit | Pack, notes: list[str], missing: list[NotMeasured]) -> dict[str, Estimate]:
    """Times above the highest current allowed, charge in gaps, inrush."""
    out: dict[str, Estimate] = {}
    if isinstance(part, Circuit) and part.max_current_a is not None:
        out["longest_above_s"], out["time_above_s"] = times_above(record, part.max_current_a)
        notes.append(f"longest_above_s and time_above_s are times above max_current_a ({part.max_current_a:g} A).")
    if (aside := gap_charge(record)) is not None:
        out["gap_charge_mah"] = aside
    inrush = find_inrush(record)
    if isinstance(inrush, str):
        missing.append(NotMeasured(quantity="inrush_current_a", why=inrush))
    else:
        out["inrush_current_a"] = estimate(inrush[0], record.current.u_reading, "A")
    return out


def _events(
    record: Record,
    fit: SourceFit | None,
    clip: Event | None,
    part: Circuit | Pack,
    procedure: CurrentProcedure,
    log_events: Sequence[Event],
    notes: list[str],
) -> list[Event]:
    """Events of the reading (its gaps are found anew, on the rows used here), gaps, dips and clipping, by time."""
    lowest = part.min_voltage_v if isinstance(part, Circuit) else None
    dips = find_dips(record, fit, procedure.dip_fraction, lowest)
    if clip is not None:
        notes.append(
            f"The current sensor was at the end of its range ({clip.size:.4g} A) for {clip.size_s:.3g} s: the peak is "
            "at least this, and mean, rms, charge and energy read low."
        )
    if dips:
        deepest = max(dips, key=lambda d: d.depth_v)
        notes.append(
            f"{len(dips)} supply dip{'s' if len(dips) > 1 else ''}, the deepest by {deepest.depth_v:.3g} V to "
            f"{deepest.lowest_v:.4g} V at {deepest.time_s:.6g} s: often means a loose contact or a pack near its end."
        )
    found = [e for e in log_events if e.kind != "gap"] + [*record.gaps, *dip_events(dips)]
    found += [clip] if clip is not None else []
    return sorted(found, key=lambda e: e.time_s if e.time_s is not None else -1.0)


def _reading_notes(record: Record, quantities: dict[str, Estimate], refused: str | None) -> list[str]:
    notes = []
    if record.gaps:
        lost = sum(e.size_s or 0.0 for e in record.gaps)
        aside = quantities.get("gap_charge_mah")
        notes.append(
            f"{len(record.gaps)} gap{'s' if len(record.gaps) > 1 else ''}, {lost:.4g} s in all: nothing was filled in, "
            f"charge and energy are those of the {record.duration_s:.6g} s that were recorded."
            + ("" if aside is None else " gap_charge_mah, counted aside, is what the gaps took if the load went on.")
        )
    if record.edges.any_in_step:
        notes.append(
            "Pulses repeat in step with the readings: how long they last is known to the sampling interval only, and "
            "their errors add up; the uncertainty of the charge holds that. Sample faster, or not at a multiple."
        )
    if record.voltage_v is None and not refused:
        notes.append("No voltage tells which way the current flows: positive was taken as out of the pack.")
    if record.event_driven:
        notes.append("The log writes rows when something changes, not at a fixed interval: its real times were used.")
    if record.rows_missing:
        notes.append(f"{record.rows_missing} rows without a current were left out.")
    if record.current.step > _COARSE * float(np.abs(record.current_a).max()):
        notes.append(
            f"The current is known in steps of {record.current.step:g} A: the log writes no finer place. If the sensor "
            "is finer, log it so or state resolution in the procedure."
        )
    if record.current.accuracy == 0:
        notes.append(
            "The procedure states no accuracy for the current sensor: the uncertainties hold its step and the scatter, "
            "not its calibration."
        )
    return notes


def _unusable(
    tables: Sequence[pd.DataFrame],
    part: Circuit | Pack,
    procedure: CurrentProcedure,
    log_events: Sequence[Event],
    log_names: Sequence[str],
) -> Analysis:
    rows = sum(len(t) for t in tables)
    absent = not any("current_a" in t for t in tables)
    why = "the log has no current channel" if absent else f"fewer than two of {rows} rows have a usable current"
    names = (*_LOAD[:-3], "voltage_min_v", "source_resistance_ohm")
    missing = [NotMeasured(quantity=q, why=why) for q in names]
    findings = required_missing(procedure.required, (), {}, why)
    if isinstance(part, Circuit):
        findings += judge_all(limits_of(part, procedure), {}, log_events, missing, procedure)
    result = PartResult(
        id=part.id, kind="pack" if isinstance(part, Pack) else "circuit", position=part.position, verdict="retest",
        logs=tuple(log_names), findings=tuple(findings), events=tuple(log_events), not_measured=tuple(missing),
        next_step="Check that the current sensor is connected and its column named, then log again.",
    )  # fmt: skip
    return Analysis(result=result)
