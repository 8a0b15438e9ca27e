"""A servo's logs to its result: cycles, quantities, trends, events, findings, verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from benchlab.airframe import Servo
from benchlab.logs.record import Record
from benchlab.procedure import ServoProcedure
from benchlab.quantities import unit_of
from benchlab.results import Analysis, Event, NotMeasured, PartResult, worst
from benchlab.servo import tables as table_of
from benchlab.servo.course import INNER
from benchlab.servo.diagnosis import diagnose
from benchlab.servo.events import trend_events
from benchlab.servo.findings import Case, judge_all
from benchlab.servo.observe import Observed, observe_servo
from benchlab.servo.quantities import PER_CYCLE, RAW_OF
from benchlab.stats.trend import TrendFit

_NO_RUN_IN = ("temperature_c", "voltage_min_v", "overshoot_deg", "peak_current_a")
"""Quantities that settle for other reasons than a servo's running in, or say nothing of their own about it."""
_LEFT_DEG, _LEFT_SHARE = 0.03, 0.01
"""A settling of which less than this is left (deg; share of the settled value) is done: far inside every limit."""
_JUDGED_ON = {"position_deg": "position", "current_a": "current"}


def analyse_servo(
    tables: Sequence[Record | pd.DataFrame],
    part: Servo,
    procedure: ServoProcedure,
    log_events: Sequence[Event] = (),
    log_names: Sequence[str] = (),
) -> Analysis:
    """Observe and judge one servo; parameters as of ``observe_servo`` and ``judge_servo``."""
    return judge_servo(observe_servo(tables, part, procedure), part, procedure, log_events, log_names)


def judge_servo(
    observed: Observed,
    part: Servo,
    procedure: ServoProcedure,
    log_events: Sequence[Event] = (),
    log_names: Sequence[str] = (),
) -> Analysis:
    """Judge what was observed of one servo.

    Parameters
    ----------
    observed
        What its logs show.
    part
        Its entry in the register.
    procedure
        The limits and how they are applied.
    log_events
        Events of the logs themselves; supply dips among them count for the servo.
    log_names
        Names of the logs, for the result.
    """
    trends = observed.trends
    inside = [*observed.events, *(e for e in log_events if e.kind == "supply_dip")]
    complete, needed = _run_in(trends)
    case = Case(
        observed=observed, events=inside, run_in_complete=complete, cycles_needed=needed, procedure=procedure,
    )  # fmt: skip
    findings = judge_all(case, part.limits)
    events = (*trend_events(trends, observed.cycles), *inside)
    result = PartResult(
        id=part.id, kind="servo", type=part.type, position=part.position,
        verdict=worst([f.verdict for f in findings]),
        judged_on=tuple(word for channel, word in _JUDGED_ON.items() if channel in observed.channels),
        logs=tuple(log_names), cycles=len(observed.cycles), run_in_complete=complete if trends else None,
        cycles_needed=needed if trends else None, quantities={name: fit.trend for name, fit in trends.items()},
        findings=findings, events=events, diagnosis=diagnose(case, findings, events),
        not_measured=tuple(
            NotMeasured(quantity=name, why=why) for name, why in {**observed.missing, **observed.unseen}.items()
        ),
        notes=_notes(case),
    )  # fmt: skip
    return Analysis(
        result=result,
        tables={
            "cycles": observed.cycles,
            "cycle_uncertainty": table_of.cycle_uncertainty(observed.u_one_cycle, trends),
            "trend_curves": table_of.trend_curves(trends),
            **observed.tables,
        },
    )


def _run_in(trends: Mapping[str, TrendFit]) -> tuple[bool, int]:
    """Whether all quantities have settled that can show run-in, and how many more cycles the slowest needs.

    A trend whose settling is not done counts only if what is left of it matters: the time constant of a settling that
    has almost vanished in the noise says little.
    """
    beside = {RAW_OF[name] for name in trends if name in RAW_OF}
    needed = max(
        (fit.cycles_needed for name, fit in trends.items()
         if name not in beside and name not in _NO_RUN_IN and _left_matters(name, fit)), default=0,
    )  # fmt: skip
    return needed == 0, needed


def _left_matters(name: str, fit: TrendFit) -> bool:
    end, settled = fit.trend.end.value, fit.trend.settled.value
    if end is None or settled is None:
        return False
    least = _LEFT_DEG if unit_of(name) == "deg" else _LEFT_SHARE * abs(settled)
    return abs(end - settled) > least


def _notes(case: Case) -> tuple[str, ...]:
    o = case.observed
    notes = [*o.notes]
    if o.doubt is not None:
        notes.append(f"It is not certain that {len(o.cycles)} cycles were made: {o.doubt}.")
    if o.trends and not case.run_in_complete:
        notes.append(f"Run-in not complete: about {case.cycles_needed} more cycles.")
    if "jitter_deg" in o.trends and (step := o.steps.get("position_deg", 0.0)) > 0:
        notes.append(
            f"jitter_deg is as recorded: the sensor's step of {step:.3g} deg alone makes up {step / 12**0.5:.2g} deg."
        )
    if "tooth" not in o.unseen:
        notes.append(
            f"Damaged teeth are looked for from {100 * INNER[0]:.0f} % to {100 * INNER[1]:.0f} % of each stroke: "
            "nearer its ends the current of starting and stopping hides them."
        )
    each = o.u_one_cycle
    told = [f"{name} {each[name]:.2g} {unit_of(name)}" for name in PER_CYCLE if name in each and name not in RAW_OF]
    if told:
        notes.append(
            f"Standard uncertainty of one cycle from sampling, resolution and noise of the readings: {', '.join(told)}."
        )
    return tuple(notes)
