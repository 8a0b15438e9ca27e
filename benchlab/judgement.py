"""From an estimate and a limit to a finding: probability of conformity and verdict (JCGM 106:2012, 7 and 8)."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from benchlab.procedure import Limit, Limits, Rule
from benchlab.quantities import unit_of
from benchlab.results import Estimate, Finding, Verdict
from benchlab.stats.conformity import probability_of_conformity


def judge(quantity: str, aspect: str, estimate: Estimate, limit: Limit, rule: Rule) -> Finding:
    """Judge one estimate against one limit.

    ``p_conform`` is the probability that the true value lies within the limit; accept at or above ``rule.accept``,
    reject (or what the limit says) at or below ``rule.reject``, else retest. No value: retest.
    """
    if estimate.value is None or estimate.u is None:
        return _finding(quantity, aspect, estimate, limit, None, "retest", f"{quantity} {aspect} not measured")
    p = probability_of_conformity(estimate.value, estimate.u, limit.lower, limit.upper, estimate.dof)
    verdict: Verdict
    if p >= rule.accept:
        verdict, word = "accept", "within"
    elif p <= rule.reject:
        verdict, word = limit.otherwise, "outside"
    else:
        verdict, word = "retest", "not shown to be within"
    reason = (
        f"{_plus_minus(estimate)}: {word} {_bounds(limit, estimate.unit)} (probability of conformity {_percent(p)})"
    )
    return _finding(quantity, aspect, estimate, limit, p, verdict, reason)


def judge_count(quantity: str, aspect: str, count: float, unit: str, limit: Limit, what: str = "") -> Finding:
    """Judge a count or a yes/no, which has no uncertainty: inside the limit is accept."""
    inside = (limit.lower is None or count >= limit.lower) and (limit.upper is None or count <= limit.upper)
    verdict: Verdict = "accept" if inside else limit.otherwise
    reason = what or f"{count:g} {unit}: {'within' if inside else 'outside'} {_bounds(limit, unit)}"
    return Finding(
        quantity=quantity, aspect=aspect, value=count, u=None, unit=unit, lower=limit.lower, upper=limit.upper,
        limit_source=limit.source, p_conform=None, verdict=verdict, reason=reason,
    )  # fmt: skip


def not_measured(quantity: str, aspect: str, unit: str, why: str) -> Finding:
    """Return the retest finding for a required quantity that the log could not show."""
    return Finding(
        quantity=quantity, aspect=aspect, value=None, u=None, unit=unit, lower=None, upper=None,
        limit_source=None, p_conform=None, verdict="retest", reason=f"not measured: {why}",
    )  # fmt: skip


def merged_limits(shipped: Limits, own: Limits) -> Limits:
    """Return the limits in force: the procedure's, with the register's laid over them by quantity and aspect."""
    return {q: shipped.get(q, {}) | own.get(q, {}) for q in dict.fromkeys([*shipped, *own])}


def required_missing(
    required: Sequence[Sequence[str]], have: Collection[str], why: Mapping[str, str], default: str
) -> list[Finding]:
    """Return a retest finding for each list of required quantities or channels of which nothing is in ``have``.

    ``why`` tells, by name, why something was not measured; ``default`` is said where it does not.
    """
    return [
        not_measured(names[0], "required", unit_of(names[0]), why.get(names[0], default))
        for names in required
        if not any(name in have for name in names)
    ]


def _finding(
    quantity: str, aspect: str, e: Estimate, limit: Limit, p: float | None, verdict: Verdict, reason: str
) -> Finding:
    return Finding(
        quantity=quantity, aspect=aspect, value=e.value, u=e.u, unit=e.unit, lower=limit.lower, upper=limit.upper,
        limit_source=limit.source, p_conform=p, verdict=verdict, reason=reason,
    )  # fmt: skip


def _plus_minus(e: Estimate) -> str:
    return f"{e.value:.4g} {e.unit}, standard uncertainty {e.u:.2g}".replace(" 1,", ",")


def _bounds(limit: Limit, unit: str) -> str:
    tail = "" if unit in {"1", ""} else f" {unit}"
    if limit.lower is None:
        return f"at most {limit.upper:g}{tail}"
    if limit.upper is None:
        return f"at least {limit.lower:g}{tail}"
    if limit.lower == -limit.upper:
        return f"±{limit.upper:g}{tail}"
    return f"{limit.lower:g} to {limit.upper:g}{tail}"


def _percent(p: float) -> str:
    return "over 99.9 %" if p > 0.999 else "under 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"
