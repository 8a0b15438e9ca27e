"""A tank's logs to its result: holds found, corrected, fitted, combined and judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from benchlab.airframe import Tank
from benchlab.judgement import judge, judge_count, merged_limits, not_measured, required_missing
from benchlab.procedure import Limits, TankProcedure
from benchlab.results import Analysis, BudgetLine, Estimate, Event, Finding, NotMeasured, PartResult, worst
from benchlab.tank.advise import ambiguity_note, enough_note, long_enough, next_step
from benchlab.tank.budget import budget_of
from benchlab.tank.checks import accuracy_note, check_notes
from benchlab.tank.compensation import Pressures, pressures_of
from benchlab.tank.hold import Hold, find_holds
from benchlab.tank.measure import Measured, hold_table, measure_hold
from benchlab.tank.numbers import Numbers, hold_notes, numbers_of

PSI_KPA = 6.894757
_REPORTED = (
    "leak_rate_pa_m3_s", "leak_rate_sml_min", "retained_fraction", "time_constant_h", "half_life_h",
    "start_pressure_kpa", "settling_fraction", "hold_h", "volume_ml", "liquid_weep_ml_h", "equivalent_bore_um",
)  # fmt: skip


def analyse_tank(
    tables: Sequence[pd.DataFrame],
    part: Tank,
    procedure: TankProcedure,
    log_events: Sequence[Event] = (),
    log_names: Sequence[str] = (),
    ended: str | None = None,
) -> Analysis:
    """Analyse the pressure holds of one tank, one canonical table per log, and judge it.

    Parameters
    ----------
    tables
        Canonical ``tank_pressure`` tables (DESIGN section 5).
    part, procedure
        The tank's entry of the register and the procedure in force; the part's limits win over the procedure's.
    log_events
        Events of the logs themselves (gaps, clock faults), which count for the tank too.
    log_names
        Paths as written in the register.
    ended
        When the last log ended, ISO 8601; None where it has no calendar.

    Returns
    -------
    Analysis
        With the table ``hold`` of the longest hold. A log that shows no usable hold is ``retest`` with the reason.
    """
    found = _Found(events=list(log_events))
    for number, table in enumerate(tables):
        name = log_names[number] if len(log_names) == len(tables) > 1 else ""
        _add_log(found, table, name, part, procedure)
    if not tables:
        found.reasons.append("no log of this tank")
    if part.observation is not None:
        found.notes.append(
            f"Observed, in words only: “{part.observation}”. Recorded; it carries no number and accepts nothing."
        )
    return _result(part, procedure, found, tuple(log_names), ended)


@dataclass(slots=True, kw_only=True)
class _Found:
    """What is gathered from the logs of one tank."""

    events: list[Event]
    logs: list[list[Measured]] = field(default_factory=list)
    """The usable holds of each log that has any."""
    reasons: list[str] = field(default_factory=list)
    """Why a log shows no usable hold."""
    doubts: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def measured(self) -> list[Measured]:
        """All usable holds."""
        return [m for log in self.logs for m in log]


def _add_log(found: _Found, table: pd.DataFrame, name: str, part: Tank, procedure: TankProcedure) -> None:
    """Add what one log shows: its usable holds, else why there are none."""
    pressures = pressures_of(table, procedure)
    if pressures is None:
        found.reasons.append("the log holds no reading of the pressure")
        return
    holds = find_holds(pressures.time_s, pressures.gauge_kpa, pressures.corrected_kpa)
    unit = _unit_doubt(pressures, holds, part)
    usable: list[Measured] = []
    left_out: list[tuple[Hold, str]] = []
    for hold in holds:
        result = unit or hold.reason or _measured(pressures, hold, procedure)
        if isinstance(result, Measured):
            usable.append(result)
        else:
            left_out.append((hold, result))
        found.notes += hold.notes
        found.doubts += [hold.doubt] if hold.doubt else []
    found.events += [*(e for h in holds for e in h.events), *_overpressure(pressures, part)]
    found.notes += [n for n in (pressures.temperature_c.note, pressures.barometer_kpa.note) if n]
    if not usable:
        found.reasons += dict.fromkeys(why for _, why in left_out)
        return
    found.logs.append(usable)
    found.notes += [m.note for m in usable if m.note]
    if left_out:
        told = [f"{_when(h)}: {why}" for h, why in left_out]
        more = f"; and {len(told) - 3} more" if len(told) > 3 else ""
        found.notes.append(f"Left out{' of ' + name if name else ''}: {'; '.join(told[:3])}{more}.")


def _when(hold: Hold) -> str:
    return f"{hold.hold_s / 3600:.2g} h from {hold.sealed_s / 3600:.3g} h"


def _measured(pressures: Pressures, hold: Hold, procedure: TankProcedure) -> Measured | str:
    try:
        return measure_hold(pressures, hold, procedure)
    except ValueError as error:
        return str(error)


def _unit_doubt(pressures: Pressures, holds: Sequence[Hold], part: Tank) -> str | None:
    """Say where the pressures do not fit the tank's stated limit, as when psi stand in a kPa column."""
    limit, used = part.max_pressure_kpa, np.logical_or.reduce([h.used for h in holds])
    if limit is None or not used.any():
        return None
    top = float(np.max(pressures.gauge_kpa[used]))
    if top < 0.2 * limit and top * PSI_KPA <= 1.1 * limit:
        return (
            f"the hold begins at {top:.3g} kPa, implausibly low for a tank of {limit:g} kPa: "
            f"if the gauge reads psi ({top * PSI_KPA:.3g} kPa), name its unit in the register, "
            "else repeat at more pressure"
        )
    if top > 3 * limit:
        return (
            f"the hold begins at {top:.3g} kPa, implausibly high for a tank of {limit:g} kPa: "
            f"check the gauge's unit (kPa read as psi would be {top / PSI_KPA:.3g} kPa) and the tank's stated limit"
        )
    return None


def _overpressure(pressures: Pressures, part: Tank) -> list[Event]:
    limit = part.max_pressure_kpa
    if limit is None:
        return []
    over = pressures.gauge_kpa > limit
    if not over.any():
        return []
    top = float(pressures.gauge_kpa.max())
    return [Event(kind="overpressure", time_s=float(pressures.time_s[int(np.argmax(over))]), size=top, unit="kPa")]


def _result(
    part: Tank, procedure: TankProcedure, found: _Found, log_names: tuple[str, ...], ended: str | None
) -> Analysis:  # fmt: skip
    limits = merged_limits(procedure.limits, part.limits)
    required_h = part.required_hold_h or procedure.required_hold_h
    measured, notes, events = found.measured, found.notes, tuple(found.events)
    findings: list[Finding] = []
    missing: list[NotMeasured] = []
    quantities: dict[str, Estimate] = {}
    budget: tuple[BudgetLine, ...] = ()
    tables = {}
    if measured:
        numbers = numbers_of(measured, part, procedure, required_h)
        quantities, budget = dict(numbers.quantities), budget_of(numbers, part, procedure)
        missing += numbers.missing
        notes += [*hold_notes(found.logs, log_names, part, procedure, required_h), *numbers.notes]
        kept = limits.get("retained_fraction", {}).get("value")
        least = kept.lower if kept else None
        for n, one in enumerate(measured, 1):
            name = "the hold" if len(measured) == 1 else f"hold {n} of {len(measured)}"
            notes += check_notes(one, procedure, least, required_h, name)
        notes += [n for n in (accuracy_note(numbers.rate, least, required_h),) if n]
        findings += judged(quantities, limits, procedure, numbers)
        longest = max(found.logs, key=lambda log: max(m.hold_s for m in log))
        tables["hold"] = hold_table(longest).assign(required_h=required_h)
    else:
        why = "; ".join(dict.fromkeys(found.reasons))
        findings.append(not_measured("retained_fraction", "value", "1", why))
        missing += [NotMeasured(quantity=q, why=why) for q in _REPORTED[:6]]
    findings += [not_measured("hold_h", "value", "h", d) for d in found.doubts]
    if measured and found.reasons:
        findings += [not_measured("hold_h", "value", "h", r) for r in found.reasons]
    step = None
    if measured:
        step = next_step(findings, numbers, procedure, ended, still_held=_still_held(numbers.main, found.logs))
        enough = enough_note(findings, numbers)
        told = [enough, ambiguity_note(numbers, limits, procedure, undecided=enough is None)]
        notes[:0] = [n for n in told if n]
    findings += _count_findings(limits, events, part)
    findings += _unknown_limits(limits)
    known = {*quantities, *(f.quantity for f in findings), *_channels(measured)}
    reasons_of = {m.quantity: m.why for m in missing}
    findings += required_missing(procedure.required, known, reasons_of, "the log does not show it")
    result = PartResult(
        id=part.id, kind="tank", position=part.position, verdict=worst([f.verdict for f in findings]),
        judged_on=_judged_on(measured), logs=log_names, quantities=quantities, budget=budget,
        findings=tuple(findings), events=tuple(sorted(events, key=lambda e: e.time_s or 0.0)),
        not_measured=tuple(missing), notes=tuple(dict.fromkeys(notes)), next_step=step,
    )  # fmt: skip
    return Analysis(result=result, tables=tables)


def _still_held(main: Measured, logs: Sequence[Sequence[Measured]]) -> bool:
    """Whether the longest hold was still going on when the last log ended."""
    last = logs[-1][-1]
    return bool(main is last and main.hold.used[-1:].any())


def _channels(measured: Sequence[Measured]) -> set[str]:
    """Canonical names of the channels that at least one usable hold rests on."""
    found = {"pressure_abs_kpa" if m.pressures.absolute else "pressure_kpa" for m in measured}
    found |= {"temperature_c" for m in measured if m.temperature_measured}
    return found | {"barometer_kpa" for m in measured if m.barometer_measured}


def judged(
    quantities: dict[str, Estimate], limits: Limits, procedure: TankProcedure, numbers: Numbers
) -> list[Finding]:
    """Findings of the measured quantities, and of the hold's length where a sound tank could not have been told."""
    findings = []
    for quantity, aspects in limits.items():
        limit = aspects.get("value")
        if limit is None or quantity in {"hold_h", "overpressure"}:
            continue
        if quantity in quantities:
            findings.append(judge(quantity, "value", quantities[quantity], limit, procedure.rule))
        elif why := next((m.why for m in numbers.missing if m.quantity == quantity), None):
            findings.append(not_measured(quantity, "value", "", why))
    if not numbers.rate.consistent:
        findings.append(not_measured("retained_fraction", "consistency", "1", numbers.rate.spread))
    hold = limits.get("hold_h", {}).get("value")
    if hold is not None:
        findings.append(judge_count("hold_h", "value", numbers.main.hold_s / 3600, "h", hold))
    findings += long_enough(quantities, limits, procedure, numbers)
    return findings


def _count_findings(limits: Limits, events: tuple[Event, ...], part: Tank) -> list[Finding]:
    limit = limits.get("overpressure", {}).get("events")
    if limit is None or part.max_pressure_kpa is None:
        return []
    over = [e for e in events if e.kind == "overpressure"]
    top = max((e.size or 0.0 for e in over), default=0.0)
    what = (
        f"the gauge showed {top:.3g} kPa, above the tank's stated {part.max_pressure_kpa:g} kPa: look the tank over, "
        "then repeat within its limit"
        if over
        else f"the gauge stayed within the tank's stated {part.max_pressure_kpa:g} kPa"
    )
    return [judge_count("overpressure", "events", float(len(over)), "events", limit, what)]


def _unknown_limits(limits: Limits) -> list[Finding]:
    """A limit on something that a tank's log does not yield is said, not passed over."""
    known = {(q, "value") for q in _REPORTED} | {("overpressure", "events")}
    return [
        not_measured(
            q, aspect, "", f"the limit names '{q}' '{aspect}', which a tank's log does not yield; correct the register"
        )
        for q, aspects in limits.items()
        for aspect in aspects
        if (q, aspect) not in known
    ]


def _judged_on(measured: list[Measured]) -> tuple[str, ...]:
    if not measured:
        return ()
    out = ["pressure"]
    if all(m.temperature_measured for m in measured):
        out.append("temperature")
    if all(m.barometer_measured for m in measured):
        out.append("barometer")
    return tuple(out)
