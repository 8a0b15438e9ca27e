"""Servos of one type compared with each other: robust z-scores on what they settled at."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from benchlab.judgement import judge, judge_count
from benchlab.procedure import Limit, ServoProcedure
from benchlab.results import Analysis, Estimate, Finding, Trend, worst
from benchlab.servo.quantities import RAW_OF
from benchlab.stats.outliers import modified_z
from benchlab.stats.uncertainty import estimate

_ASPECTS = ("sister", "sister_percent")


def compare_sisters(
    analyses: Mapping[str, Analysis], types: Mapping[str, str | None], procedure: ServoProcedure
) -> dict[str, Analysis]:
    """Return the analyses with the findings of the comparison added and the verdicts formed anew.

    A batch is what has the same type; below ``procedure.sisters_min`` servos nothing is claimed. A servo is unlike its
    sisters only if its robust z-score exceeds the limit's *and* it is worse than the batch's median by more than the
    limit allows. All servos enter the median, the suspect ones too.
    """
    out = dict(analyses)
    limits = {
        (quantity, aspect): limit
        for quantity, aspects in procedure.limits.items()
        for aspect, limit in aspects.items()
        if aspect in _ASPECTS
    }
    for batch in _batches(analyses, types):
        if len(batch) < procedure.sisters_min:
            for name in batch:
                out[name] = _noted(out[name], len(batch), procedure.sisters_min)
            continue
        for (quantity, aspect), limit in limits.items():
            for name, finding in _compare(batch, analyses, quantity, aspect, limit, procedure).items():
                out[name] = _with(out[name], finding)
    return out


def _batches(analyses: Mapping[str, Analysis], types: Mapping[str, str | None]) -> list[list[str]]:
    kinds: dict[str, list[str]] = {}
    for name in analyses:
        if (kind := types.get(name)) is not None:
            kinds.setdefault(kind, []).append(name)
    return list(kinds.values())


def _settled(analysis: Analysis, quantity: str) -> Estimate | None:
    for name in (quantity, RAW_OF.get(quantity)):
        trend = analysis.result.quantities.get(name) if name else None
        if isinstance(trend, Trend) and trend.settled.value is not None:
            return trend.settled
    return None


def _compare(
    batch: list[str], analyses: Mapping[str, Analysis], quantity: str, aspect: str, limit: Limit,
    procedure: ServoProcedure,
) -> dict[str, Finding]:  # fmt: skip
    found = {name: e for name in batch if (e := _settled(analyses[name], quantity)) is not None}
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
    for (name, e), score in zip(found.items(), z, strict=True):
        unit = "%" if relative else e.unit
        excess = scale * (values[list(found).index(name)] - middle)
        # the bad side is the limited one: upper limits condemn what is higher than its sisters
        signed = score if limit.upper is not None else -score
        if limit.robust_z is not None and signed <= limit.robust_z:
            unlike = Limit(upper=None, lower=-np.inf, source=limit.source)
            text = (
                f"{excess:+.3g} {unit} from the median of {len(found)} sisters, robust z {score:.1f}: like its sisters"
            )
            finding = judge_count(quantity, aspect, excess, unit, unlike, text)
            findings[name] = dataclasses.replace(finding, lower=limit.lower, upper=limit.upper)
            continue
        finding = judge(quantity, aspect, estimate(excess, scale * (e.u or 0.0), unit, e.dof), limit, procedure.rule)
        reason = f"{finding.reason}; robust z {score:.1f} among {len(found)} sisters"
        findings[name] = dataclasses.replace(finding, reason=reason)
    return findings


def _with(analysis: Analysis, finding: Finding) -> Analysis:
    findings = (*analysis.result.findings, finding)
    result = dataclasses.replace(analysis.result, findings=findings, verdict=worst([f.verdict for f in findings]))
    return dataclasses.replace(analysis, result=result)


def _noted(analysis: Analysis, n: int, least: int) -> Analysis:
    note = f"Not compared with sisters: {n} of its type, {least} are needed."
    return dataclasses.replace(
        analysis, result=dataclasses.replace(analysis.result, notes=(*analysis.result.notes, note))
    )
