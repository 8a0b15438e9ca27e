"""What happened at single cycles: steps and outliers of the trends, stalls, short strokes, teeth, binding, dips."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from benchlab.procedure import ServoProcedure
from benchlab.quantities import unit_of
from benchlab.results import Event
from benchlab.servo import profile_events, stroke_events, supply_events
from benchlab.servo.cycles import Cycles
from benchlab.servo.quantities import Measured
from benchlab.servo.samples import Samples
from benchlab.servo.sweep import Swept
from benchlab.stats.trend import TrendFit

EVENT_KINDS = ("stall", "short_stroke", "tooth", "binding", "supply_dip")


def trend_events(trends: Mapping[str, TrendFit], cycles: pd.DataFrame) -> list[Event]:
    """Steps of the trends, and cycles that their fits left out."""
    events = []
    row = {int(c): i for i, c in enumerate(cycles["cycle"])}
    for name, fit in trends.items():
        events += [
            Event(kind="step", quantity=name, cycle=s.cycle, size=s.size.value, unit=unit_of(name), lo=s.lo, hi=s.hi)
            for s in fit.steps
        ]
        for cycle in fit.outliers:
            value = float(cycles[name].to_numpy()[row[cycle]])
            events.append(Event(kind="outlier", quantity=name, cycle=cycle, size=value, unit=unit_of(name)))
    return events


def find_events(
    samples: Samples, cycles: Cycles, swept: Swept, measured: Measured, procedure: ServoProcedure
) -> tuple[list[Event], dict[str, str]]:
    """Return the events inside cycles, and which kinds the log cannot show, and why."""
    events: list[Event] = []
    unseen: dict[str, str] = {}
    for found, missing in (
        stroke_events.find(samples, cycles, swept, measured, procedure),
        profile_events.find(samples, cycles, swept, measured, procedure),
        supply_events.find(samples, cycles, swept.of_cycle, swept.lowest, swept.ohm, procedure),
    ):
        events += found
        unseen |= missing
    return events, unseen
