"""Are two values equal within a tolerance? Two one-sided tests, read as a probability of conformity.

A pair is accepted only when the difference is *shown* to lie inside the tolerance, never because no difference was
shown. The two one-sided tests are those of Schuirmann (1987); ``p_inside`` is the same evidence as JCGM 106:2012, 7.4
states it. Accepting at ``p_inside >= 0.95`` is never laxer than both tests at 5 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr, stdtr

from benchlab.judgement import judge, not_measured
from benchlab.procedure import Limit, Rule, Tolerance
from benchlab.results import Estimate, Finding
from benchlab.stats.conformity import probability_of_conformity
from benchlab.stats.uncertainty import combine, effective_dof, estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """A difference against +- ``tolerance``.

    ``p_below`` and ``p_above`` are the p-values of the two one-sided tests: of the null hypotheses that the true
    difference lies at or below -tolerance, at or above +tolerance. ``p_value`` is the larger one.
    """

    difference: Estimate
    tolerance: float
    p_below: float
    p_above: float
    p_inside: float

    @property
    def p_value(self) -> float:
        """P-value of the equivalence test."""
        return max(self.p_below, self.p_above)


def equivalence(value: float, u: float, tolerance: float, unit: str = "1", dof: float | None = None) -> Equivalence:
    """Test whether a difference lies within +- ``tolerance``.

    Parameters
    ----------
    value, u
        Difference and its standard uncertainty, in ``unit``.
    tolerance
        Half-width of what counts as equal, in the same unit.
    dof
        Degrees of freedom of ``u``; None or inf for the normal distribution.

    Raises
    ------
    ValueError
        If ``u`` is negative or not a number, or the tolerance is not positive.
    """
    if not tolerance > 0:
        msg = f"tolerance must be positive, not {tolerance!r}"
        raise ValueError(msg)
    inside = probability_of_conformity(value, u, -tolerance, tolerance, dof)
    return Equivalence(
        difference=estimate(value, u, unit, dof),
        tolerance=tolerance,
        p_below=_upper_tail(value + tolerance, u, dof),
        p_above=_upper_tail(tolerance - value, u, dof),
        p_inside=inside,
    )


def _upper_tail(margin: float, u: float, dof: float | None) -> float:
    """Probability of a margin at least this large if the true margin were zero."""
    if u == 0:
        return float(margin < 0)
    z = -margin / u
    return float(ndtr(z)) if dof is None or math.isinf(dof) else float(stdtr(dof, z))


def difference(a: Estimate, b: Estimate) -> Estimate:
    """Return ``a - b`` of two independent estimates; degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4)."""
    if a.value is None or b.value is None:
        return Estimate(value=None, unit=a.unit)
    if a.u is None or b.u is None:
        return Estimate(value=a.value - b.value, unit=a.unit)
    return estimate(a.value - b.value, combine(a.u, b.u), a.unit, _dof([(a.u, a.dof), (b.u, b.dof)]))


def relative_difference(a: Estimate, b: Estimate) -> Estimate:
    """Return ``100 (a - b) / mean(a, b)`` in percent, uncertainty propagated to first order (JCGM 100, 5.1.2).

    No value where the mean is not at least three standard uncertainties from zero: the quotient then says nothing.
    """
    if a.value is None or b.value is None:
        return Estimate(value=None, unit="%")
    total = a.value + b.value
    u_total = combine(a.u or 0.0, b.u or 0.0)
    if total == 0 or abs(total) < 3 * u_total:
        return Estimate(value=None, unit="%")
    value = 200 * (a.value - b.value) / abs(total)
    if a.u is None or b.u is None:
        return Estimate(value=value, unit="%")
    part_a, part_b = 400 * abs(b.value) / total**2 * a.u, 400 * abs(a.value) / total**2 * b.u
    return estimate(value, combine(part_a, part_b), "%", _dof([(part_a, a.dof), (part_b, b.dof)]))


def compare(
    quantity: str, aspect: str, a: Estimate, b: Estimate, tolerance: Tolerance, rule: Rule
) -> tuple[Finding, float | None]:
    """Judge the difference of two estimates; also return the mismatch ``|difference| / tolerance``.

    With an absolute and a percent tolerance the pair must meet both: the finding is of the one that is met less well.
    """
    found: list[tuple[Finding, float | None]] = []
    if tolerance.absolute is not None:
        found.append(judge_difference(quantity, aspect, difference(a, b), tolerance.absolute, tolerance.source, rule))
    if tolerance.percent is not None:
        found.append(
            judge_difference(quantity, aspect, relative_difference(a, b), tolerance.percent, tolerance.source, rule)
        )
    return max(found, key=lambda f: math.inf if f[1] is None else f[1])


def judge_difference(
    quantity: str, aspect: str, gap: Estimate, tolerance: float, source: str, rule: Rule
) -> tuple[Finding, float | None]:
    """Judge a difference against +- ``tolerance``; also return ``|difference| / tolerance``, None if not measured.

    Effective degrees of freedom are rounded down (JCGM 100, G.6.4): with few readings and unequal uncertainties the
    fraction would accept slightly too much.
    """
    if gap.value is None:
        why = "mean too near to zero for a difference in percent" if gap.unit == "%" else "missing for one of the two"
        return not_measured(quantity, aspect, gap.unit, why), None
    mismatch = abs(gap.value) / tolerance
    if gap.u is None:
        why = f"difference {gap.value:.4g} {gap.unit}, but its uncertainty is not known; state or measure it"
        return not_measured(quantity, aspect, gap.unit, why), mismatch
    if gap.dof is not None:
        gap = estimate(gap.value, gap.u, gap.unit, max(math.floor(gap.dof), 1))
    return judge(quantity, aspect, gap, Limit(lower=-tolerance, upper=tolerance, source=source), rule), mismatch


def _dof(parts: list[tuple[float, float | None]]) -> float | None:
    nu = effective_dof([(u, math.inf if dof is None else dof) for u, dof in parts])
    return None if math.isinf(nu) else nu
