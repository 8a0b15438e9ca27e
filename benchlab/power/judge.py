"""Findings of a circuit or pack: only what the register or the procedure sets limits for is judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchlab.airframe import Circuit, Pack
from benchlab.judgement import judge, judge_count, merged_limits, not_measured
from benchlab.procedure import CurrentProcedure, Limit, Limits
from benchlab.quantities import QUANTITIES, unit_of
from benchlab.results import BudgetLine, Estimate, Event, Finding, NotMeasured

CAPACITY = "usable capacity"
"""Name of the line of the uncertainty budget that stands for the pack itself."""


def limits_of(part: Circuit | Pack, procedure: CurrentProcedure) -> Limits:
    """All limits in force for a part; the register's win over the procedure's."""
    kind = "pack" if isinstance(part, Pack) else "circuit"
    out: Limits = {}
    for quantity, aspects in procedure.limits.items():
        known = QUANTITIES.get(quantity)
        if known is None or known.kind == kind or (known.kind != "pack" and kind == "circuit"):
            out[quantity] = dict(aspects)
    if isinstance(part, Circuit):
        if part.min_voltage_v is not None:
            out.setdefault("voltage_min_v", {})["value"] = Limit(
                lower=part.min_voltage_v, source="min_voltage_v in the register"
            )
        if part.max_current_a is not None:
            out.setdefault("peak_current_a", {})["value"] = Limit(
                upper=part.max_current_a, source="max_current_a in the register"
            )
    return merged_limits(out, part.limits)


def judge_all(
    limits: Limits,
    quantities: Mapping[str, Estimate],
    events: Sequence[Event],
    missing: Sequence[NotMeasured],
    procedure: CurrentProcedure,
) -> list[Finding]:
    """Judge every limit. A limit on what was not measured is a finding to retest, with the reason."""
    why = {m.quantity: m.why for m in missing}
    out = []
    for quantity, aspects in limits.items():
        for aspect, limit in aspects.items():
            if aspect == "events":
                count = sum(e.kind == quantity for e in events)
                out.append(judge_count(quantity, aspect, count, "events", limit))
            elif quantity in why or quantity not in quantities or aspect != "value":
                reason = why.get(quantity, f"{quantity} has no aspect {aspect!r} here" if quantity in quantities else
                                 "it is no quantity of this kind of part")  # fmt: skip
                out.append(_unmeasured(quantity, aspect, limit, reason))
            else:
                out.append(judge(quantity, aspect, quantities[quantity], limit, procedure.rule))
    return out


def _unmeasured(quantity: str, aspect: str, limit: Limit, why: str) -> Finding:
    finding = not_measured(quantity, aspect, unit_of(quantity), why)
    return replace(finding, lower=limit.lower, upper=limit.upper, limit_source=limit.source)


NOT_JUDGED = "Described, not judged: the register sets no min_voltage_v, max_current_a or limits for this circuit."


def judged_on(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Channels that findings with a value rest on."""
    found = [f.quantity for f in findings if f.value is not None]
    voltage = [q for q in found if q.endswith(("_v", "_wh", "_ohm", "_w")) or q == "supply_dip"]
    current = [q for q in found if q not in voltage or q.endswith(("_wh", "_ohm", "_w"))]
    return tuple(word for word, names in (("current", current), ("voltage", voltage)) if names)


READ_LOW = frozenset({
    "mean_current_a", "rms_current_a", "p95_current_a", "p99_current_a", "p999_current_a", "peak_current_a",
    "inrush_current_a", "charge_mah", "energy_wh", "pack_peak_current_a", "discharge_rate_per_h", "flight_charge_mah",
    "mean_discharge_rate_per_h",
})  # fmt: skip
"""What a sensor at the end of its range shows too low ..."""
_READ_HIGH = frozenset({"voltage_end_v", "reserve_fraction", "endurance_min"})
"""... and what is reckoned too high from it."""


def at_least(findings: Sequence[Finding]) -> list[Finding]:
    """A current cut off by the sensor's range can show that a limit is broken, never that it is kept."""
    return [
        replace(
            f,
            verdict="retest",
            p_conform=None,
            reason=f"{f.reason}; but the current sensor was at the end of its range, the true current is at least what "
            "it shows: repeat with a sensor of a wider range",
        )
        if f.verdict == "accept"
        and ((f.quantity in READ_LOW and f.upper is not None) or (f.quantity in _READ_HIGH and f.lower is not None))
        else f
        for f in findings
    ]


_STEPS = (
    ("end of its range", "Repeat the log with a current sensor of a wider range."),
    ("no voltage channel", "Log the supply voltage beside the current."),
    ("nothing tells which way", "Check which way round the current sensor is connected; if its sign is reversed, state "
     "calibration scale = -1 in the register."),
    ("sensor is not connected", "Check that the current sensor is connected, then log again."),
    ("shows no load", "Log the current while it is drawn, not while the pack is charged."),
    ("without a sign", "Log the current with its sign, or the discharge alone."),
    ("at rest: a servo was not connected", "Check that every servo of the circuit is connected, then log it again."),
    ("capacity_mah in the register", "State capacity_mah of the pack in the register."),
    ("neither flight_minutes", "State flight_minutes or a [[flight]] profile in the register."),
    ("has no phase", "Log every phase of the flight profile, or name its phases as the log does."),
    ("less than one interval", "Log every phase of the flight profile for longer."),
    ("a whole flight's charge", "Log as long as a whole flight."),
)  # fmt: skip
"""What a reason to retest asks for; the first that applies."""


def next_step(findings: Sequence[Finding], budget: Sequence[BudgetLine] = ()) -> str | None:
    """Say in one sentence what would settle a retest, where that is known; None where it is not, or nothing is open."""
    doubtful = [f for f in findings if f.verdict == "retest"]
    if not doubtful or any(f.verdict == "reject" for f in findings):
        return None
    for fragment, step in _STEPS:
        if any(fragment in f.reason for f in doubtful):
            return step
    lines = [line for line in budget if any(line.quantity == f.quantity for f in doubtful)]
    if not lines:
        return None
    largest = max(lines, key=lambda line: line.contribution).source
    if largest == CAPACITY:
        return "Log a whole discharge of the pack: how much it really holds is the largest doubt."
    if largest.startswith("mean current"):
        return "Log the circuits of the pack for longer: other minutes of the load are the largest doubt."
    return None
