"""Trends, counts and events of a servo judged against the limits of procedure and register."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchlab.judgement import judge, judge_count, merged_limits, not_measured, required_missing
from benchlab.procedure import Limit, Limits, ServoProcedure
from benchlab.quantities import unit_of
from benchlab.results import Estimate, Event, Finding
from benchlab.servo.events import EVENT_KINDS
from benchlab.servo.instrument import with_instrument
from benchlab.servo.observe import Observed
from benchlab.servo.quantities import PER_CYCLE, RAW_OF
from benchlab.stats.uncertainty import estimate

TREND_ASPECTS = ("settled", "drift", "change", "step", "drift_percent", "step_percent")
SISTER_ASPECTS = ("sister", "sister_percent")
_OTHER = {"cycles": ("count",), "run_in": ("complete",)} | dict.fromkeys(EVENT_KINDS, ("events",))


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is judged: everything known of one servo."""

    observed: Observed
    events: Sequence[Event]
    """Those of the logs themselves too."""
    run_in_complete: bool
    cycles_needed: int
    procedure: ServoProcedure


def judge_all(case: Case, own: Limits) -> tuple[Finding, ...]:
    """Judge everything that has a limit and was measured; what must have been measured and was not is ``retest``."""
    findings: list[Finding] = []
    for quantity, aspects in merged_limits(case.procedure.limits, own).items():
        for aspect, limit in aspects.items():
            asked = aspect in own.get(quantity, {})
            findings += _one(case, quantity, aspect, limit, asked)
    return (*findings, *_required(case, findings))


def _one(case: Case, quantity: str, aspect: str, limit: Limit, asked: bool) -> list[Finding]:
    known = TREND_ASPECTS + SISTER_ASPECTS if quantity in PER_CYCLE else _OTHER.get(quantity, ())
    if aspect not in known:
        return [_unknown(quantity, aspect, known)]
    if quantity == "cycles" and case.observed.doubt is not None:
        return [not_measured("cycles", "count", "cycles", case.observed.doubt)]
    if quantity == "cycles":
        return [judge_count("cycles", "count", len(case.observed.cycles), "cycles", limit)]
    if quantity == "run_in":
        return [_run_in(case, limit)] if case.observed.trends else []
    if quantity in EVENT_KINDS:
        return _counted(case, quantity, limit, asked)
    if aspect in SISTER_ASPECTS:
        return []
    name = quantity
    if name not in case.observed.trends and RAW_OF.get(name) in case.observed.trends:
        name = RAW_OF[name]
    if name not in case.observed.trends:
        why = case.observed.missing.get(quantity, "too few cycles show it")
        return [not_measured(quantity, aspect, unit_of(quantity), why)] if asked else []
    return [_trend(case, name, aspect, limit)]


def _unknown(quantity: str, aspect: str, known: Sequence[str]) -> Finding:
    if known:
        why = f"the limit on {quantity} cannot be applied: no aspect {aspect!r}, only {', '.join(known)}"
    else:
        why = f"the limit on {quantity!r} cannot be applied: a servo has no such quantity"
    return not_measured(quantity, aspect, "1", why)


def _run_in(case: Case, limit: Limit) -> Finding:
    if case.run_in_complete:
        return judge_count("run_in", "complete", 1, "1", limit, "run-in complete")
    what = f"run-in not complete: about {case.cycles_needed} more cycles"
    return judge_count("run_in", "complete", 0, "1", limit, what)


def _counted(case: Case, kind: str, limit: Limit, asked: bool) -> list[Finding]:
    if kind in case.observed.unseen:
        return [not_measured(kind, "events", "1", case.observed.unseen[kind])] if asked else []
    found = [e for e in case.events if e.kind == kind]
    if not found:
        return [judge_count(kind, "events", 0, "events", limit)]
    cycles = [e.cycle for e in found if e.cycle is not None]
    where = f"; first in cycle {min(cycles)}" if cycles else ""
    what = f"{len(found)} found, at most {limit.upper:g} allowed{where}" if limit.upper is not None else ""
    return [judge_count(kind, "events", len(found), "events", limit, what)]


def _trend(case: Case, name: str, aspect: str, limit: Limit) -> Finding:
    fit, rule = case.observed.trends[name], case.procedure.rule
    t = fit.trend
    if aspect in ("step", "step_percent"):
        return _step(case, name, aspect, limit)
    if aspect == "settled":
        return judge(name, aspect, with_instrument(t.settled, name, "settled", case), limit, rule)
    if aspect == "change":
        return judge(name, aspect, with_instrument(t.change, name, "change", case), limit, rule)
    drift = with_instrument(t.drift_per_1000, name, "drift", case)
    if aspect == "drift":
        return judge(name, aspect, drift, limit, rule)
    return judge(name, aspect, percent_of(drift, t.settled, "%/1000 cycles"), limit, rule)


def percent_of(part: Estimate, whole: Estimate, unit: str) -> Estimate:
    """``part`` in percent of ``|whole|``; both uncertainties count (JCGM 100, 5.1.2, taken as uncorrelated)."""
    if part.value is None or whole.value is None or whole.value == 0:
        return Estimate(value=None, unit=unit)
    share = 100 * part.value / abs(whole.value)
    if part.u is None:
        return Estimate(value=share, unit=unit)
    u = math.hypot(100 * part.u / whole.value, share * (whole.u or 0.0) / whole.value)
    return estimate(share, u, unit, part.dof)


def _step(case: Case, name: str, aspect: str, limit: Limit) -> Finding:
    """Judge the largest step, whichever way it goes."""
    fit, unit = case.observed.trends[name], "%" if aspect == "step_percent" else unit_of(name)
    sizes = [s.size for s in fit.steps if s.size.value is not None]
    if not sizes:
        return judge_count(name, aspect, 0, unit, limit, "no step found")
    largest = max(sizes, key=lambda e: abs(e.value or 0.0))
    size = estimate(abs(largest.value or 0.0), largest.u, unit_of(name), largest.dof)
    if aspect == "step_percent":
        size = percent_of(size, fit.trend.settled, "%")
    return judge(name, aspect, size, limit, case.procedure.rule)


def _required(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """Make a retest finding for each required quantity or channel that was not measured (one of each list suffices)."""
    judged = {f.quantity for f in findings if f.value is not None}
    has = judged | set(case.observed.channels) | set(case.observed.trends)
    if len(case.observed.cycles):
        has.add("cycles")
    return required_missing(case.procedure.required, has, case.observed.missing, "the procedure requires it")
