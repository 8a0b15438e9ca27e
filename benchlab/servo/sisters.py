"""Servos of one type compared with each other: robust z-scores on what they settled at."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np

from benchlab.airframe import Servo
from benchlab.judgement import judge, merged_limits
from benchlab.procedure import Limit, ServoProcedure
from benchlab.results import Analysis, Diagnosis, Estimate, Finding, Trend, worst
from benchlab.servo.quantities import RAW_OF
from benchlab.stats.outliers import modified_z
from benchlab.stats.uncertainty import estimate

_ASPECTS = ("sister", "sister_percent")
_OFTEN_MEANS = {
    "moving_current_ref_a": "Drawing more than its sisters often means a tight or dry gear train, or a worn motor.",
    "idle_current_a": "Drawing more at rest than its sisters often means hunting or being held off the target.",
    "transit_ref_s_per_60deg": "Being slower than its sisters often means a weak motor or a tight gear train.",
    "hysteresis_deg": "More play than its sisters often means worn gears, a loose arm or a wide dead band.",
}


def compare_sisters(
    analyses: Mapping[str, Analysis], servos: Sequence[Servo], procedure: ServoProcedure
) -> dict[str, Analysis]:
    """Return the analyses with the findings of the comparison added and the verdicts formed anew.

    A batch is what has the same type; below ``procedure.sisters_min`` servos nothing is claimed. A servo is unlike its
    sisters only if its robust z-score exceeds the limit's *and* it is worse than the batch's median by more than the
    limit allows. All servos enter the median, the suspect ones too. A servo's own limits in the register win.
    """
    out = dict(analyses)
    own = {s.id: merged_limits(procedure.limits, s.limits) for s in servos}
    asked = {(q, a) for limits in own.values() for q, aspects in limits.items() for a in aspects if a in _ASPECTS}
    for kind, batch in _batches(analyses, servos).items():
        if kind is None or len(batch) < procedure.sisters_min:
            why = (
                "the register states no type for it" if kind is None
                else f"{len(batch)} of its type, {procedure.sisters_min} are needed"
            )  # fmt: skip
            for name in batch:
                out[name] = _noted(out[name], f"Not compared with sisters: {why}.")
            continue
        for quantity, aspect in sorted(asked):
            limits = {name: own[name].get(quantity, {}).get(aspect) for name in batch}
            for name, finding in _compare(analyses, quantity, aspect, limits, procedure).items():
                out[name] = _with(out[name], finding)
    return out


def _batches(analyses: Mapping[str, Analysis], servos: Sequence[Servo]) -> dict[str | None, list[str]]:
    kinds: dict[str | None, list[str]] = {}
    for servo in servos:
        if servo.id in analyses:
            kinds.setdefault(servo.type, []).append(servo.id)
    return kinds


def _settled(analysis: Analysis, quantity: str) -> Estimate | None:
    for name in (quantity, RAW_OF.get(quantity)):
        trend = analysis.result.quantities.get(name) if name else None
        if isinstance(trend, Trend) and trend.settled.value is not None:
            return trend.settled
    return None


def _compare(
    analyses: Mapping[str, Analysis], quantity: str, aspect: str, limits: Mapping[str, Limit | None],
    procedure: ServoProcedure,
) -> dict[str, Finding]:  # fmt: skip
    """Compare one quantity over a batch (the keys of ``limits``); no finding for a servo without a limit."""
    found = {name: e for name in limits if (e := _settled(analyses[name], quantity)) is not None}
    if len(found) < procedure.sisters_min:
        return {}
    values = np.array([e.value for e in found.values()], dtype=float)
    middle = float(np.median(values))
    z = modified_z(values)
    relative = aspect == "sister_percent"
    if relative and middle == 0:
        return {}
    scale = 100 / abs(middle) if relative else 1.0
    findings = {}
    for (name, e), value, score in zip(found.items(), values, z, strict=True):
        if (limit := limits[name]) is None:
            continue
        unit = "%" if relative else e.unit
        excess = scale * (value - middle)
        finding = judge(quantity, aspect, estimate(excess, scale * (e.u or 0.0), unit, e.dof), limit, procedure.rule)
        # the bad side is the limited one: upper limits condemn what is higher than its sisters
        signed = score if limit.upper is not None else -score
        if limit.robust_z is not None and signed <= limit.robust_z:
            reason = (
                f"{excess:+.3g} {unit} from the median of {len(found)} sisters, robust z {score:.1f}: like its sisters"
            )
            findings[name] = dataclasses.replace(finding, verdict="accept", p_conform=None, reason=reason)
        else:
            reason = f"{finding.reason}; robust z {score:.1f} among {len(found)} sisters"
            findings[name] = dataclasses.replace(finding, reason=reason)
    return findings


def _with(analysis: Analysis, finding: Finding) -> Analysis:
    findings = (*analysis.result.findings, finding)
    result = dataclasses.replace(analysis.result, findings=findings, verdict=worst([f.verdict for f in findings]))
    if finding.verdict != "accept" and (text := _OFTEN_MEANS.get(finding.quantity)):
        evidence = (f"{finding.quantity} {finding.aspect} {finding.value:+.3g} {finding.unit}",)
        diagnosis = Diagnosis(pattern="unlike_sisters", text=text, evidence=evidence)
        result = dataclasses.replace(result, diagnosis=(*result.diagnosis, diagnosis))
    return dataclasses.replace(analysis, result=result)


def _noted(analysis: Analysis, note: str) -> Analysis:
    return dataclasses.replace(
        analysis, result=dataclasses.replace(analysis.result, notes=(*analysis.result.notes, note))
    )
