"""What the servos on a circuit draw by their own logs, beside what the circuit draws.

Servos are cycled one by one on the bench, without the loads of flight, and a circuit feeds more than servos: the
comparison shows what cannot be, not that a load is right. One thing cannot be: that a circuit draws less on average
than its servos draw at rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from benchlab.power import load
from benchlab.power.judge import NOT_JUDGED, judged_on, next_step
from benchlab.power.record import prepare
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, Estimate, Finding, Trend, worst
from benchlab.stats.uncertainty import combine, estimate

_REST_SHARE = 0.8
"""Current at rest may be this much lower on another supply at another temperature (common practice, no source)."""
_SIGMAS = 3.0
COLUMNS = ("servo", "mean_current_a", "cycles", "idle_current_a", "moving_current_a")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServoLoad:
    """What one servo drew on the bench; None where its log does not show it."""

    id: str
    mean: Estimate | None
    """Over its whole log, rests included."""
    idle: Estimate | None
    moving: Estimate | None
    cycles: int | None


def mean_current(tables: Sequence[pd.DataFrame], procedure: CurrentProcedure) -> Estimate | None:
    """Return the mean current (A) over a servo's tables of time and current; None where they show no current."""
    record = prepare(tables, procedure) if tables else None
    return load.mean_current(record) if record is not None else None


def servo_load(servo_id: str, mean: Estimate | None, analysis: Analysis | None) -> ServoLoad:
    """Put a servo's mean current beside its currents at rest and while moving, which its analysis tells."""
    found = analysis.result.quantities if analysis is not None else {}

    def now(quantity: str) -> Estimate | None:
        trend = found.get(quantity)
        return trend.settled if isinstance(trend, Trend) else None

    return ServoLoad(
        id=servo_id, mean=mean, idle=now("idle_current_a"), moving=now("moving_current_a"),
        cycles=analysis.result.cycles if analysis is not None else None,
    )  # fmt: skip


def with_servos(circuit: Analysis, servos: Sequence[ServoLoad]) -> Analysis:
    """Return a circuit's analysis with what its servos draw beside it: notes, table, a finding if that cannot be."""
    if not servos:
        return circuit
    result = circuit.result
    mean = result.quantities.get("mean_current_a")
    mean = mean if isinstance(mean, Estimate) else None
    notes = [*result.notes, *against_servos(mean, servos)]
    if doubts := less_than_at_rest(mean, servos):
        findings = (*result.findings, *doubts)
        result = replace(
            result, findings=findings, verdict=worst([f.verdict for f in findings]), judged_on=judged_on(findings),
            next_step=next_step(findings),
        )  # fmt: skip
        notes = [n for n in notes if n != NOT_JUDGED]
    return Analysis(result=replace(result, notes=tuple(notes)), tables={**circuit.tables, **servo_table(servos)})


def servo_table(servos: Sequence[ServoLoad]) -> dict[str, pd.DataFrame]:
    """Table ``cross_check``: one row per servo, NaN where not measured."""
    rows = [(s.id, _value(s.mean), s.cycles, _value(s.idle), _value(s.moving)) for s in servos]
    return {"cross_check": pd.DataFrame(rows, columns=list(COLUMNS))}


def against_servos(mean: Estimate | None, servos: Sequence[ServoLoad]) -> list[str]:
    """Say what the servos draw in all, beside the circuit, and what that can and cannot show."""
    known = [s for s in servos if s.mean is not None and s.mean.value is not None]
    lacking = [s.id for s in servos if s not in known]
    notes = []
    if known:
        parts = [f"{_said(_sum([s.mean for s in known]))} on average"]
        for word, all_of in (("at rest", [s.idle for s in known]), ("if all move at once", [s.moving for s in known])):
            if all(e is not None for e in all_of):
                parts.append(f"{_said(_sum(all_of))} {word}")
        circuit = (
            f"this circuit {_said(mean)} on average" if mean is not None else "the circuit's own mean is not known"
        )
        notes.append(
            f"Cross-check: {', '.join(s.id for s in known)}, cycled one by one on the bench, draw {', '.join(parts)} "
            f"in all; {circuit}. What the circuit draws beyond that is other consumers, other motion or load on the "
            "surfaces; agreement does not show that the load of a flight is right."
        )
    if lacking:
        notes.append(f"Cross-check: no current in the servo logs of {', '.join(lacking)}.")
    return notes


def less_than_at_rest(mean: Estimate | None, servos: Sequence[ServoLoad]) -> list[Finding]:
    """Return a finding to retest if the circuit draws less on average than its servos draw at rest; else nothing."""
    idle = [s.idle for s in servos if s.idle is not None and s.idle.value is not None]
    if mean is None or mean.value is None or not idle:
        return []
    rest = _sum(idle)
    least = _REST_SHARE * (rest.value or 0.0)
    if mean.value + _SIGMAS * combine(mean.u or 0.0, _REST_SHARE * (rest.u or 0.0)) >= least:
        return []
    return [
        Finding(
            quantity="mean_current_a", aspect="servos_at_rest", value=mean.value, u=mean.u, unit="A", lower=least,
            upper=None, limit_source="its servos' own logs", p_conform=None, verdict="retest",
            reason=f"the circuit draws {_said(mean)} on average, its servos {_said(rest)} at rest: a servo was not "
            "connected, the register lists servos that hang elsewhere, or a current sensor reads wrongly",
        )
    ]  # fmt: skip


def _sum(currents: Sequence[Estimate | None]) -> Estimate:
    known = [e for e in currents if e is not None]
    return estimate(sum(e.value or 0.0 for e in known), combine(*(e.u or 0.0 for e in known)), "A")


def _said(e: Estimate) -> str:
    return f"{e.value:.3g} A" + (f" (u {e.u:.1g} A)" if e.u else "")


def _value(e: Estimate | None) -> float:
    return float("nan") if e is None or e.value is None else e.value
