"""What to do with a tank after its hold: it is enough, hold on and until when, mend it, or log more."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace

from scipy.special import ndtri

from benchlab.judgement import judge, judge_count
from benchlab.procedure import Limit, Limits, TankProcedure
from benchlab.results import Estimate, Finding
from benchlab.tank.measure import Measured
from benchlab.tank.numbers import SETTLING, Numbers, retained

SOUND_SHARE, WANTED = 0.25, 0.9
"""A longer hold is advised, and planned, so that a tank which uses up this share of the loss that is allowed is
accepted with this probability (starting values of this project)."""
_LONG, _MOST_MORE = 2.0, 9.0
"""Beyond a hold three times as long what was not logged is advised first, beyond ten times nothing else."""
_LARGE = 0.5
"""Share of the variance of the leak beyond which settling rules it."""


def long_enough(
    quantities: Mapping[str, Estimate], limits: Limits, procedure: TankProcedure, numbers: Numbers
) -> list[Finding]:
    """Ask for a longer hold where even a sound tank would not have been accepted with this one's uncertainty."""
    limit = limits.get("retained_fraction", {}).get("value")
    kept = quantities["retained_fraction"]
    if limit is None or limit.lower is None or kept.u is None:
        return []
    if judge("retained_fraction", "value", kept, limit, procedure.rule).verdict == "reject":
        return []  # that it leaks is told already
    margin = 1.0 - limit.lower
    rate_u = numbers.rate.u * numbers.required_h * 3600  # u of a tight tank's retained fraction
    if float(ndtri(procedure.rule.accept)) * rate_u <= margin:
        return []
    hours = numbers.main.hold_s / 3600
    wanted = (1 - SOUND_SHARE) * margin / _z(procedure)
    advised = float(f"{hours * (rate_u / wanted) ** (1 / _power(numbers.main)):.2g}")
    why = f"{hours:.3g} h: too short or too uncertain to tell even a sound tank; hold for about {advised:g} h"
    longer = Limit(lower=advised, otherwise="retest", source="rough length that the uncertainty of this hold asks for")
    return [judge_count("hold_h", "length", hours, "h", longer, why)]


def enough_note(findings: Sequence[Finding], numbers: Numbers) -> str | None:
    """Say that the hold is long enough: the retained fraction is told, either way, with the wanted probability."""
    kept = _kept(findings)
    if kept is None or kept.p_conform is None or kept.verdict == "retest":
        return None
    if any(f.verdict == "retest" for f in findings if f.quantity == "hold_h" or f.aspect == "consistency"):
        return None  # a part of the hold is in doubt
    held = f"{numbers.main.hold_s / 3600:.2g} h" if numbers.rate.holds == 1 else f"{numbers.rate.holds} holds"
    bound = f"keeps at least {kept.lower:g} of its pressure over {numbers.required_h:g} h"
    if kept.verdict == "accept":
        return f"Enough: after {held} the tank {bound} with a probability of {_percent(kept.p_conform)}."
    return (
        f"Enough: after {held} the tank leaks; that it {bound} has a probability of {_percent(kept.p_conform)}. "
        "Holding longer would not change that."
    )


def ambiguity_note(numbers: Numbers, limits: Limits, procedure: TankProcedure, *, undecided: bool) -> str | None:
    """Say where settling that the log cannot tell from a leak decides: what either reading of it would come to.

    What is ambiguous is taken at its one-sided 95 % bounds: all of it leak (a higher rate), all of it creep (a lower
    one); the rest of the uncertainty stays. Nothing is said where the verdict would be the same.
    """
    limit = limits.get("retained_fraction", {}).get("value")
    unclear = numbers.rate.parts.get(SETTLING, 0.0)
    share = (unclear / numbers.rate.u) ** 2
    if limit is None or share < _LARGE:
        return None
    told = {}
    for name, sign in (("leak", 1), ("creep", -1)):
        rate = numbers.rate
        u = max(rate.u**2 - unclear**2, (0.01 * rate.u) ** 2) ** 0.5
        value = rate.value + sign * float(ndtri(0.95)) * unclear
        read = replace(rate, value=value, u=u, lo=value - 1.96 * u, hi=value + 1.96 * u)
        kept = retained(read, numbers.main, numbers.required_h)
        told[name] = kept.value or 0.0, judge("retained_fraction", "value", kept, limit, procedure.rule).verdict
    if told["leak"][1] == told["creep"][1]:
        return None
    text = (
        f"{100 * share:.0f} % of the variance of the leak rate is settling (gas that cools, a wall that creeps) that "
        f"this log does not tell from a leak. Were all that is unclear leak, the tank would keep "
        f"{told['leak'][0]:.3g}: {told['leak'][1]}; were it all creep, {told['creep'][0]:.3g}: {told['creep'][1]}."
    )
    if not undecided:
        return text
    # simulated: one hold of 4 h tells three times as much as two of 2 h (tests/benchmarks/tank_refills.py)
    return (
        f"{text} One longer hold tells them apart best; fill an open tank again soon: a wall that crept settles less."
    )


def next_step(
    findings: Sequence[Finding], numbers: Numbers, procedure: TankProcedure, ended: str | None, *, still_held: bool
) -> str | None:
    """Say whether the tank leaks or how much longer to hold it; None where the hold is enough or cannot say."""
    kept = _kept(findings)
    if kept is None or kept.value is None or kept.u is None or kept.lower is None:
        return None
    if kept.verdict == "reject":
        return "It leaks: find and mend the leak, then hold it again."
    hours = numbers.main.hold_s / 3600
    too_short = next((f for f in findings if f.quantity == "hold_h" and f.aspect == "length"), None)
    if too_short is not None and too_short.lower is not None:
        more = too_short.lower - hours
    elif kept.verdict == "accept":
        return None
    else:
        wanted = max(abs(kept.value - kept.lower), 1e-9) / _z(procedure)
        more = hours * ((kept.u / wanted) ** (1 / _power(numbers.main)) - 1)
    more = max(more, 0.1)
    unlogged = _unlogged(numbers.main)
    if unlogged and more > _LONG * hours:
        alone = "a longer hold alone will hardly do" if more > _MOST_MORE * hours else f"else for {hours + more:.2g} h"
        return f"Log {unlogged} beside the gauge and hold it again; {alone}."
    if more > _MOST_MORE * hours:
        return f"Hold it again for {2 * hours:.2g} h or longer: what it keeps lies close to the limit."
    if not still_held:
        return f"Hold it again, for {hours + more:.2g} h."
    return (
        f"Keep holding {_until(ended, more)}{more:.2g} h more; "
        f"if the tank is open already, hold it again for {hours + more:.2g} h."
    )


def _unlogged(main: Measured) -> str:
    names = (
        ("temperature", main.temperature_measured),
        ("barometer", main.barometer_measured or main.pressures.absolute),
    )
    return " and ".join(name for name, there in names if not there)


def _kept(findings: Sequence[Finding]) -> Finding | None:
    return next((f for f in findings if f.quantity == "retained_fraction" and f.aspect == "value"), None)


def _until(ended: str | None, more_h: float) -> str:
    """Say the time of day at which a hold is long enough, where the log tells when it ended."""
    try:
        end = datetime.datetime.fromisoformat(ended or "")
    except ValueError:
        return "for "
    until = end + datetime.timedelta(hours=more_h)
    return f"until {until:%H:%M}" + ("" if until.date() == end.date() else f" on {until:%Y-%m-%d}") + ", "


def _z(procedure: TankProcedure) -> float:
    """How many u a tank must lie within its limit to be accepted with the wanted probability."""
    return float(ndtri(procedure.rule.accept) + ndtri(WANTED))


def _power(main: Measured) -> float:
    """Power of the length by which the uncertainty falls: 1.5 where readings scatter, 0.5 where weather rules."""
    return 1.5 if main.temperature_measured and main.barometer_measured else 0.5


def _percent(p: float) -> str:
    return "over 99.9 %" if p > 0.999 else "under 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"
