"""What the rows of a servo's logs show, before anything is judged: all that is kept of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.airframe import Servo
from benchlab.logs.record import Record
from benchlab.procedure import ServoProcedure
from benchlab.quantities import unit_of
from benchlab.results import Event
from benchlab.servo import tables as table_of
from benchlab.servo.cycle_uncertainty import typical_u
from benchlab.servo.cycles import find_cycles
from benchlab.servo.events import find_events
from benchlab.servo.quantities import PER_CYCLE, measure
from benchlab.servo.samples import Samples, join
from benchlab.servo.sweep import sweep
from benchlab.stats.trend import TrendFit, fit_trend


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """One servo's logs in numbers: nothing in it depends on a limit, or is as long as the log."""

    channels: tuple[str, ...]
    """Channels that hold numbers and belong to this servo."""
    steps: Mapping[str, float]
    """Step of the reading of each channel, 0 where none is seen."""
    noise: Mapping[str, float]
    """Standard deviation of a single reading of each channel."""
    cycles: pd.DataFrame
    """One row per cycle: ``cycle``, ``time_s`` and every quantity of PER_CYCLE, NaN where not measured."""
    usual: NDArray[np.bool_]
    """Cycles whose command moved between the ends that most cycles have: only those are comparable. Shape (cycles,)."""
    missing: Mapping[str, str]
    """Quantity -> why the log cannot show it."""
    notes: tuple[str, ...]
    cycle_notes: tuple[str, ...]
    """Those of the notes that say how the cycles were found, or why there are none."""
    doubt: str | None
    """Why it is not certain that so many cycles were made."""
    events: tuple[Event, ...]
    """Stalls, short strokes, teeth, binding and dips of the supply."""
    unseen: Mapping[str, str]
    """Kind of event -> why the log cannot show it."""
    u_one_cycle: Mapping[str, float]
    """Quantity -> standard uncertainty of one cycle's value from sampling, resolution and noise of the readings."""
    tables: Mapping[str, pd.DataFrame]
    """``waveform``, ``current_map`` and ``stroke_curve``, for figures and matching."""
    trends: Mapping[str, TrendFit]
    """Quantity -> its trend over the cycles."""


def observe_servo(tables: Sequence[Record | pd.DataFrame], part: Servo, procedure: ServoProcedure) -> Observed:
    """Find and measure the cycles of one servo, the events in them, and the trends over them.

    Parameters
    ----------
    tables
        One record or canonical table per log of the servo, in order.
    part
        Its entry in the register, of which only ``supply_v`` is used.
    procedure
        How servo logs are cut and fitted; its limits are not used.
    """
    seen = observe_rows(join(tables, procedure), part.supply_v, procedure)
    return replace(seen, trends=fit_trends(seen.cycles[seen.usual], procedure))


def observe_rows(samples: Samples, supply_v: float | None, procedure: ServoProcedure) -> Observed:
    """Return what the rows show, trends left out."""
    cycles = find_cycles(samples, procedure)
    if cycles.shape is None:
        samples = samples.without("command_us")  # nothing that repeats, or another servo's
    swept = sweep(samples, cycles, procedure)
    measured = measure(samples, cycles, swept, procedure, supply_v)
    events, unseen = find_events(samples, cycles, swept, measured, procedure)
    return Observed(
        channels=samples.channels, steps=samples.steps, noise=samples.noise, cycles=measured.cycles,
        usual=measured.usual, missing=measured.missing, notes=(*samples.notes, *cycles.notes, *measured.notes),
        cycle_notes=cycles.notes, doubt=cycles.doubt, events=tuple(events), unseen=unseen,
        u_one_cycle=typical_u(samples, cycles, swept, measured),
        tables={
            "waveform": table_of.waveform(samples, cycles),
            "current_map": swept.current_map.table() if swept.current_map is not None else pd.DataFrame(),
            "stroke_curve": table_of.stroke_curve(samples, cycles, swept.strokes, measured),
        },
        trends={},
    )  # fmt: skip


def fit_trends(comparable: pd.DataFrame, procedure: ServoProcedure) -> dict[str, TrendFit]:
    """Fit the trend of every quantity that at least two of the comparable cycles show."""
    t = procedure.trends
    return {
        name: fit_trend(
            comparable["cycle"].to_numpy(), comparable[name].to_numpy(), unit=unit_of(name),
            outlier_alpha=t.outlier_alpha, max_outlier_share=t.max_outlier_share, settled_share=t.settled_share,
        )
        for name in PER_CYCLE
        if comparable[name].notna().sum() >= 2
    }  # fmt: skip
