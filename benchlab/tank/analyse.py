"""A tank's logs to its result: holds found, corrected, fitted, combined and judged."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import ndtri

from benchlab.airframe import Tank
from benchlab.judgement import judge, judge_count, merged_limits, not_measured, required_missing
from benchlab.procedure import Limit, Limits, TankProcedure
from benchlab.results import Analysis, BudgetLine, Estimate, Event, Finding, NotMeasured, PartResult, worst
from benchlab.tank.budget import budget_of
from benchlab.tank.checks import check_notes
from benchlab.tank.compensation import Pressures, pressures_of
from benchlab.tank.hold import Hold, find_hold
from benchlab.tank.measure import Measured, hold_table, measure_hold
from benchlab.tank.numbers import Numbers, numbers_of

PSI_KPA = 6.894757
_ADVISED_Z = 2.0
"""A longer hold is advised with a little to spare: about 98 % where the rule asks for 95."""
_MOST_MORE = 9.0
"""Beyond a hold ten times as long, better means are advised instead."""
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
    reasons, doubts, notes, events = [], [], [], list(log_events)
    measured: list[Measured] = []
    for table in tables:
        one = _one(table, part, procedure)
        if isinstance(one, str):
            reasons.append(one)
            continue
        hold, pressures, result = one
        events += [*hold.events, *_overpressure(pressures, part)]
        notes += [n for n in (pressures.temperature_c.note, pressures.barometer_kpa.note, *hold.notes) if n]
        doubts += [d for d in (hold.doubt,) if d]
        if isinstance(result, str):
            reasons.append(result)
        else:
            measured.append(result)
            notes += [result.note] if result.note else []
    if not tables:
        reasons.append("no log of this tank")
    if part.observation is not None:
        notes.append(
            f"Observed, in words only: “{part.observation}”. Recorded; it carries no number and accepts nothing."
        )
    return _result(part, procedure, measured, reasons, doubts, notes, tuple(events), tuple(log_names), ended)


def _one(table: pd.DataFrame, part: Tank, procedure: TankProcedure) -> str | tuple[Hold, Pressures, Measured | str]:
    pressures = pressures_of(table, procedure)
    if pressures is None:
        return "the log holds no reading of the pressure"
    hold = find_hold(pressures.time_s, pressures.gauge_kpa)
    doubt = _unit_doubt(pressures, hold, part)
    if doubt or hold.reason:
        return hold, pressures, str(doubt or hold.reason)
    try:
        return hold, pressures, measure_hold(pressures, hold, procedure)
    except ValueError as error:
        return hold, pressures, str(error)


def _unit_doubt(pressures: Pressures, hold: Hold, part: Tank) -> str | None:
    """Say where the pressures do not fit the tank's stated limit, as when psi stand in a kPa column."""
    limit = part.max_pressure_kpa
    if limit is None or not hold.used.any():
        return None
    top = float(np.max(pressures.gauge_kpa[hold.used]))
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
    part: Tank,
    procedure: TankProcedure,
    measured: list[Measured],
    reasons: list[str],
    doubts: list[str],
    notes: list[str],
    events: tuple[Event, ...],
    log_names: tuple[str, ...],
    ended: str | None,
) -> Analysis:
    limits = merged_limits(procedure.limits, part.limits)
    required_h = part.required_hold_h or procedure.required_hold_h
    findings: list[Finding] = []
    missing: list[NotMeasured] = []
    quantities: dict[str, Estimate] = {}
    budget: tuple[BudgetLine, ...] = ()
    tables = {}
    if measured:
        numbers = numbers_of(measured, part, procedure, required_h)
        quantities, budget = dict(numbers.quantities), budget_of(numbers, part, procedure)
        missing += numbers.missing
        notes += numbers.notes
        kept = limits.get("retained_fraction", {}).get("value")
        for one in measured:
            notes += check_notes(one, procedure, kept.lower if kept else None, required_h)
        findings += judged(quantities, limits, procedure, numbers)
        tables["hold"] = hold_table(max(measured, key=lambda m: m.hold_s)).assign(required_h=required_h)
    else:
        why = "; ".join(reasons)
        findings.append(not_measured("retained_fraction", "value", "1", why))
        missing += [NotMeasured(quantity=q, why=why) for q in _REPORTED[:6]]
    findings += [not_measured("hold_h", "value", "h", d) for d in doubts]
    if measured and reasons:
        findings += [not_measured("hold_h", "value", "h", r) for r in reasons]
    findings += _count_findings(limits, events, part)
    findings += _unknown_limits(limits)
    known = {*quantities, *(f.quantity for f in findings), *_channels(measured)}
    reasons_of = {m.quantity: m.why for m in missing}
    findings += required_missing(procedure.required, known, reasons_of, "the log does not show it")
    result = PartResult(
        id=part.id, kind="tank", position=part.position, verdict=worst([f.verdict for f in findings]),
        judged_on=_judged_on(measured), logs=log_names, quantities=quantities, budget=budget,
        findings=tuple(findings), events=tuple(sorted(events, key=lambda e: e.time_s or 0.0)),
        not_measured=tuple(missing), notes=tuple(dict.fromkeys(notes)),
        next_step=_next_step(findings, measured, procedure, ended),
    )  # fmt: skip
    return Analysis(result=result, tables=tables)


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
    findings += _long_enough(quantities, limits, procedure, numbers)
    return findings


def _long_enough(
    quantities: dict[str, Estimate], limits: Limits, procedure: TankProcedure, numbers: Numbers
) -> list[Finding]:
    """Ask for a longer hold where even a sound tank would not have been accepted with this one's uncertainty."""
    limit = limits.get("retained_fraction", {}).get("value")
    retained = quantities["retained_fraction"]
    if limit is None or limit.lower is None or retained.u is None:
        return []
    margin = 1.0 - limit.lower
    rate_u = numbers.rate.u * numbers.required_h * 3600  # u of a tight tank's retained fraction
    if float(ndtri(procedure.rule.accept)) * rate_u <= margin:
        return []
    hours = numbers.main.hold_s / 3600
    advised = float(f"{hours * (_ADVISED_Z * rate_u / margin) ** (1 / _power(numbers.main)):.2g}")
    why = f"{hours:.3g} h: too short or too uncertain to tell even a sound tank; hold for about {advised:g} h"
    longer = Limit(lower=advised, otherwise="retest", source="rough length that the uncertainty of this hold asks for")
    return [judge_count("hold_h", "length", hours, "h", longer, why)]


def _next_step(
    findings: Sequence[Finding], measured: Sequence[Measured], procedure: TankProcedure, ended: str | None
) -> str | None:
    """Say whether the tank leaks or how much longer to hold it; None where the hold is enough or cannot say."""
    kept = next((f for f in findings if f.quantity == "retained_fraction" and f.aspect == "value"), None)
    if not measured or kept is None or kept.value is None or kept.u is None or kept.lower is None:
        return None
    if kept.verdict == "reject":
        return "It leaks: find and mend the leak, then hold it again."
    main = max(measured, key=lambda m: m.hold_s)
    hours = main.hold_s / 3600
    too_short = next((f for f in findings if f.quantity == "hold_h" and f.aspect == "length"), None)
    if too_short is not None and too_short.lower is not None:
        more = too_short.lower - hours
    elif kept.verdict == "accept" or kept.value <= kept.lower:
        return None
    else:
        wanted = (kept.value - kept.lower) / float(ndtri(procedure.rule.accept))
        more = hours * ((kept.u / wanted) ** (1 / _power(main)) - 1)
    if more > _MOST_MORE * hours:
        return "Log temperature and barometer beside the gauge and hold it again; a longer hold alone will hardly do."
    until = _until(ended, more)
    return (
        f"Keep holding {until}{max(more, 0.1):.2g} h more; "
        f"if the tank is open already, hold it again for {hours + more:.2g} h."
    )


def _until(ended: str | None, more_h: float) -> str:
    """Say the time of day at which a hold is long enough, where the log tells when it ended."""
    try:
        end = datetime.datetime.fromisoformat(ended or "")
    except ValueError:
        return "for "
    until = end + datetime.timedelta(hours=max(more_h, 0.1))
    return f"until {until:%H:%M}" + ("" if until.date() == end.date() else f" on {until:%Y-%m-%d}") + ", "


def _power(main: Measured) -> float:
    """Power of the length by which the uncertainty falls: 1.5 where readings scatter, 0.5 where weather rules."""
    return 1.5 if main.temperature_measured and main.barometer_measured else 0.5


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
