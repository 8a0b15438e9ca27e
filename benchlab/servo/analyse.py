"""A servo's logs to its result: cycles, quantities, trends, events, findings, verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from benchlab.airframe import Servo
from benchlab.procedure import ServoProcedure
from benchlab.quantities import unit_of
from benchlab.results import Analysis, Event, NotMeasured, PartResult, worst
from benchlab.servo import tables as table_of
from benchlab.servo.course import INNER
from benchlab.servo.cycle_uncertainty import typical_u
from benchlab.servo.cycles import Cycles, find_cycles
from benchlab.servo.diagnosis import diagnose
from benchlab.servo.events import find_events, trend_events
from benchlab.servo.findings import Case, judge_all
from benchlab.servo.quantities import PER_CYCLE, RAW_OF, Measured, measure
from benchlab.servo.samples import Samples, join
from benchlab.servo.strokes import find_strokes
from benchlab.stats.trend import TrendFit, fit_trend

_NO_RUN_IN = ("temperature_c", "voltage_min_v", "overshoot_deg", "peak_current_a")
"""Quantities that settle for other reasons than a servo's running in, or say nothing of their own about it."""
_LEFT_DEG, _LEFT_SHARE = 0.03, 0.01
"""A settling of which less than this is left (deg; share of the settled value) is done: far inside every limit."""
_JUDGED_ON = {"position_deg": "position", "current_a": "current"}


def analyse_servo(
    tables: Sequence[pd.DataFrame],
    part: Servo,
    procedure: ServoProcedure,
    log_events: Sequence[Event] = (),
    log_names: Sequence[str] = (),
) -> Analysis:
    """Analyse and judge one servo.

    Parameters
    ----------
    tables
        One canonical table per log of the servo, in order.
    part
        Its entry in the register.
    procedure
        How servo logs are cut, fitted and judged.
    log_events
        Events of the logs themselves; supply dips among them count for the servo.
    log_names
        Names of the logs, for the result.
    """
    samples = join(tables, procedure)
    cycles = find_cycles(samples, procedure)
    if cycles.shape is None:
        samples = samples.without("command_us")  # nothing that repeats, or another servo's
    strokes = find_strokes(samples, cycles, procedure)
    measured = measure(samples, cycles, strokes, procedure, part.supply_v)
    trends = fit_trends(measured, procedure)
    inside, unseen = find_events(samples, cycles, strokes, measured, procedure)
    inside += [e for e in log_events if e.kind == "supply_dip"]
    each = typical_u(samples, cycles, strokes, measured)
    complete, needed = _run_in(trends)
    case = Case(
        samples=samples, measured=measured, trends=trends, events=inside, visible=unseen, run_in_complete=complete,
        cycles_needed=needed, doubt=cycles.doubt, procedure=procedure,
    )  # fmt: skip
    findings = judge_all(case, part.limits)
    events = (*trend_events(trends, measured), *inside)
    result = PartResult(
        id=part.id, kind="servo", type=part.type, position=part.position,
        verdict=worst([f.verdict for f in findings]),
        judged_on=tuple(word for channel, word in _JUDGED_ON.items() if channel in samples.channels),
        logs=tuple(log_names), cycles=len(cycles), run_in_complete=complete if trends else None,
        cycles_needed=needed if trends else None, quantities={name: fit.trend for name, fit in trends.items()},
        findings=findings, events=events, diagnosis=diagnose(case, findings, events),
        not_measured=_not_measured(measured, unseen), notes=_notes(samples, cycles, measured, case, each),
    )  # fmt: skip
    return Analysis(
        result=result,
        tables={
            "cycles": measured.cycles,
            "cycle_uncertainty": table_of.cycle_uncertainty(each, trends),
            "trend_curves": table_of.trend_curves(trends),
            "waveform": table_of.waveform(samples, cycles),
            "current_map": table_of.current_map(samples, cycles),
            "stroke_curve": table_of.stroke_curve(samples, cycles, strokes, measured),
        },
    )


def fit_trends(measured: Measured, procedure: ServoProcedure) -> dict[str, TrendFit]:
    """Fit the trend of every quantity that at least two comparable cycles show."""
    frame = measured.cycles[measured.usual]
    t = procedure.trends
    return {
        name: fit_trend(
            frame["cycle"].to_numpy(), frame[name].to_numpy(), unit=unit_of(name), outlier_alpha=t.outlier_alpha,
            max_outlier_share=t.max_outlier_share, settled_share=t.settled_share,
        )
        for name in PER_CYCLE
        if frame[name].notna().sum() >= 2
    }  # fmt: skip


def _run_in(trends: dict[str, TrendFit]) -> tuple[bool, int]:
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


def _not_measured(measured: Measured, unseen: dict[str, str]) -> tuple[NotMeasured, ...]:
    return tuple(NotMeasured(quantity=name, why=why) for name, why in (measured.missing | unseen).items())


def _notes(
    samples: Samples, cycles: Cycles, measured: Measured, case: Case, each: Mapping[str, float]
) -> tuple[str, ...]:
    notes = [*samples.notes, *cycles.notes, *measured.notes]
    if cycles.doubt is not None:
        notes.append(f"It is not certain that {len(cycles)} cycles were made: {cycles.doubt}.")
    if case.trends and not case.run_in_complete:
        notes.append(f"Run-in not complete: about {case.cycles_needed} more cycles.")
    if "jitter_deg" in case.trends and (step := samples.steps.get("position_deg", 0.0)) > 0:
        notes.append(
            f"jitter_deg is as recorded: the sensor's step of {step:.3g} deg alone makes up {step / 12**0.5:.2g} deg."
        )
    if "tooth" not in case.visible:
        notes.append(
            f"Damaged teeth are looked for from {100 * INNER[0]:.0f} % to {100 * INNER[1]:.0f} % of each stroke: "
            "nearer its ends the current of starting and stopping hides them."
        )
    told = [f"{name} {each[name]:.2g} {unit_of(name)}" for name in PER_CYCLE if name in each and name not in RAW_OF]
    if told:
        notes.append(
            f"Standard uncertainty of one cycle from sampling, resolution and noise of the readings: {', '.join(told)}."
        )
    return tuple(notes)
