"""How far two parts are from each other, quantity by quantity, against the tolerances of their coupling."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from benchlab.airframe import Part
from benchlab.judgement import not_measured
from benchlab.matching.equivalence import compare, judge_difference
from benchlab.matching.stroke import Stroke, negated, reversed_channel, stroke_of
from benchlab.matching.trim import Trim, trim
from benchlab.procedure import Procedure, Rule, ServoProcedure, Tolerance
from benchlab.quantities import unit_of
from benchlab.results import Analysis, Estimate, Finding, Trend
from benchlab.stats.uncertainty import combine, rectangular

STROKE = "stroke_mismatch_deg"
# Less of the stroke in common than this is no comparison of the stroke (starting value of this project)
_COMMON_SHARE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A part with what was measured on it, ready to be compared."""

    part: Part
    analysis: Analysis
    stroke: Stroke | str
    """The servo's stroke, or why there is none."""

    @property
    def id(self) -> str:
        """The part's id."""
        return self.part.id


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two parts compared: one finding per quantity, the mismatches (None: not measured) and remarks."""

    a: str
    b: str
    findings: tuple[Finding, ...]
    mismatches: Mapping[str, float | None]
    notes: tuple[str, ...] = ()

    @property
    def mismatch(self) -> float | None:
        """Largest ``|difference| / tolerance`` over the quantities measured."""
        known = [m for m in self.mismatches.values() if m is not None]
        return max(known, default=None)

    @property
    def acceptable(self) -> bool:
        """True where every difference is shown to lie inside its tolerance."""
        return bool(self.findings) and all(f.verdict == "accept" for f in self.findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    finding: Finding | None
    mismatch: float | None
    notes: tuple[str, ...] = field(default=())


def member(part: Part, analysis: Analysis) -> Member:
    """Prepare a part for comparison."""
    return Member(part=part, analysis=analysis, stroke=stroke_of(analysis.tables))


def compare_pair(
    a: Member, b: Member, tolerances: Mapping[str, Tolerance], procedure: Procedure, *, opposed: bool = False
) -> Pair:
    """Compare two parts in every quantity that their coupling names.

    Parameters
    ----------
    opposed
        The angles of ``b`` count with opposite sign.
    """
    aspect = f"{a.id} / {b.id}"
    findings: list[Finding] = []
    notes: list[str] = []
    mismatches: dict[str, float | None] = {}
    for name, tolerance in tolerances.items():
        if name == STROKE:
            points = procedure.trim.points if isinstance(procedure, ServoProcedure) else 9
            encoder = procedure.channels.get("position_deg")
            accuracy = 0.0 if encoder is None else rectangular(encoder.accuracy)
            done = _compare_strokes(a, b, aspect, tolerance, procedure.rule, points, accuracy, opposed=opposed)
        else:
            done = _compare_values(name, a, b, aspect, tolerance, procedure.rule, opposed)
        mismatches[name] = done.mismatch
        notes += done.notes
        if done.finding is not None:
            findings.append(done.finding)
    if not findings and tolerances:
        findings.append(not_measured("match", aspect, "1", "nothing that their coupling compares was measured on both"))
    return Pair(a=a.id, b=b.id, findings=tuple(findings), mismatches=mismatches, notes=tuple(notes))


# --- single values ----------------------------------------------------------------------------------------------------


def value_of(m: Member, name: str) -> Estimate | None:
    """Return a quantity of a part: where a trend is now (settled), a measured value, or one from the register.

    A register value ``volume_ml`` has its standard uncertainty in ``volume_u_ml``.
    """
    found = m.analysis.result.quantities.get(name)
    measured = found.settled if isinstance(found, Trend) else found
    if measured is not None and measured.value is not None:
        return measured
    stated = getattr(m.part, name, None)
    if not isinstance(stated, int | float):
        return None
    stem, _, unit = name.rpartition("_")
    u = getattr(m.part, f"{stem}_u_{unit}", None)
    return Estimate(value=float(stated), u=u, unit=unit_of(name))


def _compare_values(
    name: str, a: Member, b: Member, aspect: str, tolerance: Tolerance, rule: Rule, opposed: bool
) -> _Compared:
    # corrected to reference conditions where both logs allow it, else as recorded
    for used in dict.fromkeys((name, name.replace("_ref", ""))):
        first, second = value_of(a, used), _counterpart(b, used) if opposed else value_of(b, used)
        if first is None or second is None:
            continue
        if opposed and used == "travel_deg":  # a length, whichever way the angles were counted
            first, second = _absolute(first), _absolute(second)
        finding, mismatch = compare(used, aspect, first, second, tolerance, rule)
        return _Compared(finding=finding, mismatch=mismatch)
    lacking = [m for m in (a, b) if not any(value_of(m, n) for n in (name, name.replace("_ref", "")))]
    why = "; ".join(f"{m.id}: {_why(m, name)}" for m in lacking) or "recorded differently on the two"
    if len(lacking) == 2 and not tolerance.required:
        return _Compared(finding=None, mismatch=None, notes=(f"{aspect}: {name} not compared ({why}).",))
    return _Compared(finding=not_measured(name, aspect, unit_of(name), why), mismatch=None)


def _absolute(e: Estimate) -> Estimate:
    return e if e.value is None or e.value >= 0 else _negative(e)


def _negative(e: Estimate) -> Estimate:
    value, lo, hi = (None if x is None else -x for x in (e.value, e.hi, e.lo))
    return replace(e, value=value, lo=lo, hi=hi)


def _counterpart(m: Member, name: str) -> Estimate | None:
    """Return a quantity as it is when the angles count with opposite sign: the high end then is the low one."""
    swap = {"end_high_deg": "end_low_deg", "end_low_deg": "end_high_deg"}
    found = value_of(m, swap.get(name, name))
    return _negative(found) if found is not None and (name in swap or name == "centre_deg") else found


def _why(m: Member, name: str) -> str:
    said = {n.quantity: n.why for n in m.analysis.result.not_measured}
    return said.get(name) or said.get(name.replace("_ref", "")) or f"{name} not measured"


# --- strokes ----------------------------------------------------------------------------------------------------------


def follower_stroke(leader: Stroke, follower: Stroke, *, opposed: bool) -> Stroke:
    """Return the follower's stroke as it counts on the leader's side.

    ``opposed`` negates its angles; if it then still runs against the leader, its channel is taken as reversed.
    """
    if not opposed:
        return follower
    counted = negated(follower)
    return reversed_channel(counted) if counted.falling != leader.falling else counted


def trim_pair(leader: Member, follower: Member, points: int, *, opposed: bool) -> Trim | str:
    """Trim of ``follower`` against ``leader``, or why there is none."""
    for m in (leader, follower):
        if isinstance(m.stroke, Stroke) and not m.stroke.hysteresis:
            return f"{m.id}: no command level was approached from both directions; cycle with a neutral dwell or a ramp"
    if isinstance(leader.stroke, str):
        return f"{leader.id}: {leader.stroke}"
    if isinstance(follower.stroke, str):
        return f"{follower.id}: {follower.stroke}"
    counted = follower_stroke(leader.stroke, follower.stroke, opposed=opposed)
    if counted.falling != leader.stroke.falling:
        return (
            "their angles run in opposite directions; set opposed = true for counterparts, "
            "else one of them is mounted, wired or recorded reversed"
        )
    return trim(leader.stroke, counted, points)


def _compare_strokes(
    a: Member, b: Member, aspect: str, tolerance: Tolerance, rule: Rule, points: int, accuracy: float, *, opposed: bool
) -> _Compared:
    """Judge the largest mismatch after trim, the worse of either leading.

    ``accuracy`` is the standard uncertainty of a position from the sensor's accuracy, which averaging does not reduce.
    """
    ways = [trim_pair(a, b, points, opposed=opposed), trim_pair(b, a, points, opposed=opposed)]
    trims = [t for t in ways if isinstance(t, Trim)]
    if len(trims) < 2:
        why = next(t for t in ways if isinstance(t, str))
        return _Compared(finding=not_measured(STROKE, aspect, "deg", why), mismatch=None)
    shared = min(common_share(t) for t in trims)
    worst = max(trims, key=lambda t: -1.0 if math.isnan(t.worst[0]) else t.worst[0])
    value, at_us, direction = worst.worst
    if shared < _COMMON_SHARE or math.isnan(value):
        why = f"only {max(100 * shared, 0):.0f} % of their strokes is common; measure both over the same range"
        return _Compared(finding=not_measured(STROKE, aspect, "deg", why), mismatch=None)
    u = combine(worst.u_deg, accuracy, accuracy) if math.isfinite(worst.u_deg) else None
    percent = math.inf if tolerance.percent is None else tolerance.percent / 100 * worst.travel_deg
    size = percent if tolerance.absolute is None else min(percent, tolerance.absolute)
    finding, mismatch = judge_difference(
        STROKE, aspect, Estimate(value=value, u=u, unit="deg"), size, tolerance.source, rule
    )
    reason = f"{finding.reason}; largest at {at_us:.0f} us, command {direction}"
    levels = min(m.stroke.levels_us.size for m in (a, b) if isinstance(m.stroke, Stroke))
    sparse = any(m.stroke.sparse for m in (a, b) if isinstance(m.stroke, Stroke))
    notes = (f"{aspect}: strokes compared at {levels} command levels only, not in between.",) if sparse else ()
    return _Compared(finding=replace(finding, reason=reason), mismatch=mismatch, notes=notes)


def common_share(t: Trim) -> float:
    """Share of the leader's commands that the follower can follow."""
    return (t.reach_us[1] - t.reach_us[0]) / float(t.command_us[-1] - t.command_us[0])
