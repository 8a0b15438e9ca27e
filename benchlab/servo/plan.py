"""How many cycles a run-in needs: to show that drifts keep their limits, and for the settling to be done."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from benchlab.airframe import Servo
from benchlab.errors import BenchlabError
from benchlab.judgement import merged_limits
from benchlab.logs.record import Record
from benchlab.procedure import Limit, Rule, ServoProcedure
from benchlab.results import Trend
from benchlab.servo.observe import observe_servo
from benchlab.servo.quantities import RAW_OF
from benchlab.stats.autocorrelation import whiten
from benchlab.stats.trend import TrendFit

_MOST = 20_000
"""Cycles beyond which nobody would go on."""
_MODEL_UNKNOWN, _MODEL_UNKNOWN_SETTLING = 2.05, 1.5
"""The fit does not know beforehand whether there is settling. Its uncertainty is larger than that of a known model by
these factors, at the level that 95 % of series keep; the second where settling is there to be seen and counted already.
Own simulation: tests/benchmarks/servo_plan.py."""
_FEWEST_PILOT = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclePlan:
    """Cycles needed for one quantity, and why."""

    for_drift: int | None
    """Cycles after which a servo that truly drifts by the expected amount is accepted with the wanted probability;
    None where no number of cycles within reason would do."""
    for_run_in: int | None
    """Cycles until the settling is seen to be done; None without a time constant."""
    total: int | None
    """The larger of the two, none below ``at_least``."""
    u_wanted: float | None
    """Standard uncertainty of the drift per 1000 cycles that has to be reached."""
    u_reached: float | None
    """Standard uncertainty of the drift per 1000 cycles to be expected after ``total`` cycles."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInPlan:
    """Cycles needed by all quantities that a pilot log shows."""

    cycles_seen: int
    quantities: Mapping[str, CyclePlan]
    total: int | None
    """None where one of the quantities needs more than is within reason."""
    notes: tuple[str, ...] = ()


def drift_uncertainty(
    cycles: int, sd: float, rho: float, tau_cycles: float | None = None, amplitude: float = 0.0
) -> float:
    """Standard uncertainty of a drift per 1000 cycles, by generalised least squares with AR(1) noise.

    With a time constant the settling's amplitude and time constant are unknowns of the fit too (columns
    ``exp(-k/tau)`` and its derivative by tau), which costs most of the early cycles. JCGM 100, 5.2; the covariance is
    ``sd^2 (J' R^-1 J)^-1``.
    """
    return _uncertainties(cycles, sd, rho, tau_cycles, amplitude)[0]


def _uncertainties(cycles: int, sd: float, rho: float, tau: float | None, amplitude: float) -> tuple[float, float]:
    """Standard uncertainties of the drift per 1000 cycles and of tau (0 where there is none)."""
    k = np.arange(cycles, dtype=float)
    columns = [np.ones(cycles), k / 1000]
    if tau is not None:
        decay = np.exp(-k / tau)
        columns += [decay] + ([decay * k / tau**2] if amplitude else [])
    j = whiten(np.column_stack(columns), k + 1, rho)
    covariance = np.linalg.pinv(j.T @ j)
    of_tau = sd * math.sqrt(covariance[3, 3]) / abs(amplitude) if len(columns) > 3 else 0.0
    return sd * math.sqrt(covariance[1, 1]), of_tau


def plan_cycles(
    *,
    sd: float,
    rho: float,
    limit: Limit,
    rule: Rule,
    expected_per_1000: float = 0.0,
    probability: float = 0.95,
    tau_cycles: float | None = None,
    amplitude: float = 0.0,
    settled_share: float = 0.95,
    at_least: int = 0,
) -> CyclePlan:
    """Return the cycles needed to show a drift within its limit and to complete the run-in.

    Parameters
    ----------
    sd, rho
        Standard deviation of one cycle's value about the trend, and its lag-1 correlation.
    limit
        Limit on the drift per 1000 cycles, in the unit of ``sd`` per 1000 cycles.
    rule
        Decision rule: accepted at a probability of conformity of ``rule.accept`` or more.
    expected_per_1000
        Drift that a sound servo is expected to have.
    probability
        Wanted probability that such a servo is accepted.
    tau_cycles, amplitude
        Time constant and size of the run-in; ``settled_share`` of it has to be done.

    Raises
    ------
    ValueError
        If ``sd`` is negative, ``rho`` not between -1 and 1 or ``tau_cycles`` not positive.
    """
    if sd < 0 or not -1 < rho < 1 or (tau_cycles is not None and tau_cycles <= 0):
        msg = f"need sd >= 0, -1 < rho < 1 and tau > 0, not sd {sd!r}, rho {rho!r}, tau {tau_cycles!r}"
        raise ValueError(msg)
    margin = min(
        limit.upper - expected_per_1000 if limit.upper is not None else math.inf,
        expected_per_1000 - limit.lower if limit.lower is not None else math.inf,
    )
    if margin <= 0:
        why = "the expected drift lies outside the limit: no number of cycles would show it within"
        return CyclePlan(for_drift=None, for_run_in=None, total=None, u_wanted=None, u_reached=None, reason=why)
    # accepted if the estimate stays z_a u inside the limit; it scatters by u itself, so z_p u more are needed
    wanted = margin / (float(ndtri(rule.accept)) + float(ndtri(probability)))
    factor = _MODEL_UNKNOWN if tau_cycles is None else _MODEL_UNKNOWN_SETTLING

    def reached(n: int) -> float:
        return factor * drift_uncertainty(n, sd, rho, tau_cycles, amplitude)

    drift = _first(lambda n: reached(n) <= wanted)
    run_in = None
    if tau_cycles is not None:
        tau, times = tau_cycles, -math.log(1 - settled_share)
        z = float(ndtri(probability))
        run_in = _first(lambda n: n >= times * (tau + z * _uncertainties(n, sd, rho, tau, amplitude)[1]))
    if drift is None or (tau_cycles is not None and run_in is None):
        total, reason = None, f"more than {_MOST} cycles: the noise of a single cycle is too large for this limit"
    else:
        total = max(drift, run_in or 0, at_least)
        reason = f"standard uncertainty of the drift must come down to {wanted:.3g} per 1000 cycles"
    return CyclePlan(
        for_drift=drift, for_run_in=run_in, total=total, u_wanted=wanted,
        u_reached=None if total is None else reached(total), reason=reason,
    )  # fmt: skip


def _first(enough: Callable[[int], bool]) -> int | None:
    """Fewest cycles (10 or more) that are enough; what is enough once stays so."""
    low, high = 9, 10
    while not enough(high):
        low, high = high, 2 * high
        if high > _MOST:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


# --- from a pilot log -------------------------------------------------------------------------------------------------


def plan_from_pilot(
    tables: Sequence[Record | pd.DataFrame], part: Servo, procedure: ServoProcedure, probability: float = 0.95
) -> RunInPlan:
    """Plan a servo's run-in from a shorter log of the same servo or one of its kind.

    Noise, correlation and run-in of each quantity that has a limit on its drift are taken from the pilot; the servo is
    taken to be sound (no drift apart from the run-in).

    Parameters
    ----------
    tables
        Canonical tables of the pilot log(s), as ``logs.reader.read_log`` returns them.

    Raises
    ------
    BenchlabError
        If the pilot shows fewer than 50 cycles: too few to learn the noise and the run-in from.
    """
    seen = observe_servo(tables, part, procedure)
    if len(seen.cycles) < _FEWEST_PILOT:
        why = " ".join(seen.cycle_notes)
        msg = f"the pilot log shows {len(seen.cycles)} cycles, {_FEWEST_PILOT} are needed to plan from. {why}".strip()
        raise BenchlabError(msg, do="log more cycles, or state the noise of a cycle")
    trends = seen.trends
    limits = merged_limits(procedure.limits, part.limits)
    plans = {}
    for quantity, aspects in limits.items():
        name = quantity if quantity in trends else RAW_OF.get(quantity, quantity)
        for aspect in ("drift", "drift_percent"):
            if name in trends and aspect in aspects:
                plans[name] = _one(trends[name], aspects[aspect], aspect, procedure, probability)
    count = limits.get("cycles", {}).get("count")
    least = int(count.lower or 0) if count is not None else 0
    totals = [p.total for p in plans.values()]
    total = None if None in totals else max([least, *(t for t in totals if t is not None)])
    notes: tuple[str, ...] = ("No quantity of the pilot log has a limit on its drift.",) if not plans else ()
    if total is not None and total == least:
        notes += (f"The procedure asks for {least} cycles in any case.",)
    return RunInPlan(cycles_seen=len(seen.cycles), quantities=plans, total=total, notes=notes)


def _one(fit: TrendFit, limit: Limit, aspect: str, procedure: ServoProcedure, probability: float) -> CyclePlan:
    scale = 1.0 if aspect == "drift" else abs(fit.trend.settled.value or 0.0) / 100
    absolute = limit.model_copy(
        update={end: None if (x := getattr(limit, end)) is None else x * scale for end in ("lower", "upper")}
    )
    sd, rho, tau, amplitude = noise_of(fit)
    return plan_cycles(
        sd=sd, rho=rho, limit=absolute, rule=procedure.rule, probability=probability, tau_cycles=tau,
        amplitude=amplitude, settled_share=procedure.trends.settled_share,
    )  # fmt: skip


def noise_of(fit: TrendFit) -> tuple[float, float, float | None, float]:
    """Return sd, rho, time constant and amplitude of the settling of a trend, as ``plan_cycles`` takes them."""
    t: Trend = fit.trend
    rho = min(max(t.rho or 0.0, -0.95), 0.95)
    if t.tau_cycles is None or t.tau_cycles.value is None or t.start.value is None or t.end.value is None:
        return fit.sigma, rho, None, 0.0
    # the settling done so far, scaled to the whole of it
    span = max(float(fit.curve["cycle"].iloc[-1] - fit.curve["cycle"].iloc[0]), 1.0)
    drift = (t.drift_per_1000.value or 0.0) * span / 1000
    done = 1 - math.exp(-span / t.tau_cycles.value)
    return fit.sigma, rho, t.tau_cycles.value, (t.start.value - t.end.value + drift) / max(done, 0.05)


# --- in words ---------------------------------------------------------------------------------------------------------


def plan_text(plan: CyclePlan | RunInPlan) -> str:
    """Say the plan in lines of at most 80 columns for the terminal."""
    if isinstance(plan, CyclePlan):
        return "\n".join(_in_words(plan))
    lines = [f"Pilot log: {plan.cycles_seen} cycles. Cycles needed", ""]
    lines.append(f"  {'':<27}{'for the drift':>14}{'for the run-in':>16}{'u wanted':>10}{'u then':>10}")
    lines += [_row(name, p) for name, p in plan.quantities.items()]
    lines += ["", "u: standard uncertainty of the drift per 1000 cycles, in the quantity's unit.", *plan.notes]
    if plan.total is None:
        lines.append("No number of cycles within reason shows every drift within its limit.")
    else:
        more = max(plan.total - plan.cycles_seen, 0)
        lines.append(f"In all: {plan.total} cycles, {more} more than the pilot log.")
    return "\n".join(lines)


def _row(name: str, plan: CyclePlan) -> str:
    wanted, then = (_figure(x) for x in (plan.u_wanted, plan.u_reached))
    drift, run_in = (_figure(x) for x in (plan.for_drift, plan.for_run_in))
    return f"  {name:<27}{drift:>14}{run_in:>16}{wanted:>10}{then:>10}"


def _figure(x: float | None) -> str:
    return "-" if x is None else f"{x:.3g}" if isinstance(x, float) else str(x)


def _in_words(plan: CyclePlan) -> list[str]:
    if plan.total is None:
        return [f"Not to be shown: {plan.reason}."]
    lines = [f"In all: {plan.total} cycles.", f"  to show the drift: {plan.for_drift}"]
    if plan.for_run_in is not None:
        lines.append(f"  to complete the run-in: {plan.for_run_in}")
    reached = _figure(plan.u_reached)
    return [*lines, f"  {plan.reason};", f"  {reached} is to be expected then"]
