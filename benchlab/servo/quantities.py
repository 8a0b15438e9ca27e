"""The per-cycle quantities of a servo (DESIGN section 6), for all cycles at once, and why some were not measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchlab.procedure import ServoProcedure
from benchlab.servo import wave_quantities, windows
from benchlab.servo.cycles import Cycles
from benchlab.servo.dwells import HIGH, LOW, NEUTRAL
from benchlab.servo.samples import Samples
from benchlab.servo.strokes import Strokes
from benchlab.servo.sweep import Swept
from benchlab.servo.windows import Array

POSITION = ("centre_deg", "hysteresis_deg", "end_high_deg", "end_low_deg", "travel_deg")
PER_CYCLE = (
    *POSITION, "transit_s_per_60deg", "transit_ref_s_per_60deg", "overshoot_deg", "jitter_deg", "moving_current_a",
    "moving_current_ref_a", "peak_current_a", "idle_current_a", "voltage_min_v", "temperature_c",
)  # fmt: skip
RAW_OF = {"moving_current_ref_a": "moving_current_a", "transit_ref_s_per_60deg": "transit_s_per_60deg"}
"""Quantities at reference conditions -> the quantity as measured, which stands in where they cannot be had."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Per-cycle quantities and what goes with them."""

    cycles: pd.DataFrame
    """One row per cycle: ``cycle``, ``time_s`` and every quantity of PER_CYCLE, NaN where not measured."""
    usual: NDArray[np.bool_]
    """Cycles whose command moved between the ends that most cycles have: only those are comparable."""
    missing: dict[str, str]
    """Quantity -> why the log cannot show it."""
    notes: tuple[str, ...]


def measure(
    samples: Samples, cycles: Cycles, swept: Swept, procedure: ServoProcedure, supply_v: float | None
) -> Measured:
    """Compute every per-cycle quantity that the record can show."""
    n, strokes = len(cycles), swept.strokes
    values: dict[str, Array] = {}
    missing: dict[str, str] = {}
    notes: list[str] = []
    if strokes is not None:
        _at_rest(samples, strokes, n, values, missing, notes)
        _on_the_way(samples, cycles, strokes, n, values, missing)
    else:
        wave_quantities.measure(samples, cycles, swept.of_cycle, values, missing)
    _currents(samples, n, swept, values, missing, notes)
    _supply_and_heat(samples, n, swept, values, missing)
    _references(samples, n, swept, procedure, supply_v, values, missing, notes)
    frame = pd.DataFrame({"cycle": cycles.number, "time_s": swept.of_cycle.get("time_s", np.zeros(0))})
    for name in PER_CYCLE:
        frame[name] = values.get(name, np.full(n, np.nan))
        if name not in missing and not np.isfinite(frame[name]).any():
            missing[name] = "no cycle shows it"
    usual = _usual(samples, cycles, swept, notes)
    return Measured(
        cycles=frame, usual=usual, missing={k: missing[k] for k in PER_CYCLE if k in missing},
        notes=tuple(notes),
    )  # fmt: skip


def per_type(value: Array, kind: NDArray[np.intp], cycle: NDArray[np.intp], n: int) -> Array:
    """Mean over all kinds of stroke of each cycle, a kind missing in a cycle replaced by what it usually differs by.

    ``value``, ``kind`` and ``cycle`` (-1 in either: none) have one entry per stroke. Shape (n,).
    """
    kinds = np.unique(kind[(kind >= 0) & (cycle >= 0) & np.isfinite(value)])
    if not len(kinds):
        return np.full(n, np.nan)
    table = np.stack([windows.group_mean(np.where(kind == k, value, np.nan), cycle, n) for k in kinds])
    usual = np.array([windows.middle(row) for row in table])
    deviation = table - usual[:, None]
    seen = np.isfinite(deviation)
    count = seen.sum(axis=0)
    total = np.where(seen, deviation, 0.0).sum(axis=0)
    mean = np.divide(total, count, out=np.full(n, np.nan), where=count > 0)
    return np.asarray(mean + usual.mean())


def _at_rest(
    samples: Samples, s: Strokes, n: int, values: dict[str, Array], missing: dict[str, str], notes: list[str]
) -> None:
    d = s.dwells
    if "position_deg" not in samples.channels:
        missing.update(dict.fromkeys((*POSITION, "jitter_deg"), "no position channel"))
        return

    def mean_of(chosen: NDArray[np.bool_]) -> Array:
        return windows.group_mean(np.where(chosen, s.rest_deg, np.nan), d.cycle, n)

    high, low = mean_of(d.kind == HIGH), mean_of(d.kind == LOW)
    travel = high - low
    creep = windows.middle(np.abs(s.creep_deg))
    if creep > max(0.01 * abs(windows.middle(travel)), 2 * samples.steps["position_deg"]):
        why = f"the dwells are too short: the servo still moves ({creep:.2g} deg) where it should rest"
        missing.update(dict.fromkeys((*POSITION, "jitter_deg"), why))
        return
    values["end_high_deg"], values["end_low_deg"], values["travel_deg"] = high, low, np.abs(travel)
    from_high = mean_of((d.kind == NEUTRAL) & (s.came_from == HIGH))
    from_low = mean_of((d.kind == NEUTRAL) & (s.came_from == LOW))
    sense = np.sign(windows.middle(travel))
    if sense < 0:
        notes.append("The position falls as the command rises: the high command end is the lower position.")
    if not (d.kind == NEUTRAL).any():
        missing["centre_deg"] = "the command jumps from end to end without passing neutral"
        missing["hysteresis_deg"] = "there is no dwell at neutral"
    elif not (np.isfinite(from_high).any() and np.isfinite(from_low).any()):
        why = "neutral is approached from one side only"
        missing.update(centre_deg=why, hysteresis_deg=why)
    else:
        values["centre_deg"] = (from_high + from_low) / 2
        values["hysteresis_deg"] = sense * (from_high - from_low)
    if windows.middle(s.rest_n) < 3:
        missing["jitter_deg"] = "fewer than 3 samples at rest in a dwell"
    else:
        weight = np.maximum(s.rest_n - 1, 0)
        square = windows.group_mean(np.where(weight > 0, weight * s.rest_sd_deg**2, np.nan), d.cycle, n)
        values["jitter_deg"] = np.sqrt(square / windows.group_mean(weight, d.cycle, n))


def _on_the_way(
    samples: Samples, cycles: Cycles, s: Strokes, n: int, values: dict[str, Array], missing: dict[str, str]
) -> None:
    if "position_deg" not in samples.channels:
        missing.update(dict.fromkeys(("transit_s_per_60deg", "overshoot_deg"), "no position channel"))
        return
    kind = s.kind
    values["overshoot_deg"] = per_type(s.overshoot_deg, kind, s.dwells.cycle, n)
    commanded = (s.dwells.start - s.begin) * 0.8 * samples.sampling_s
    if "command_us" not in samples.channels:
        missing["transit_s_per_60deg"] = "no command channel: a slow command could not be told from a slow servo"
    elif not np.isfinite(s.transit_s).any():
        missing["transit_s_per_60deg"] = f"sampled too coarsely ({samples.sampling_s:.3g} s) to time a stroke"
    elif cycles.shape != "step" and windows.middle(s.transit_s / np.maximum(commanded, 1e-9)) < 1.2:
        missing["transit_s_per_60deg"] = "the command moves no faster than the servo"
    else:
        per_60 = 60 * s.transit_s / (0.8 * np.abs(s.way_deg))
        values["transit_s_per_60deg"] = per_type(per_60, kind, s.dwells.cycle, n)


def _currents(
    samples: Samples, n: int, swept: Swept, values: dict[str, Array], missing: dict[str, str], notes: list[str]
) -> None:
    if "current_a" not in samples.channels:
        missing.update(dict.fromkeys(("moving_current_a", "peak_current_a", "idle_current_a"), "no current channel"))
        return
    s, none = swept.strokes, np.full(n, np.nan)
    values["peak_current_a"] = swept.of_cycle.get("peak_current_a", none)
    if s is not None and swept.moves:
        values["moving_current_a"] = per_type(s.moving_a, s.kind, s.dwells.cycle, n)
    elif swept.moves:
        values["moving_current_a"] = swept.of_cycle["moving_current_a"]
    else:
        values["moving_current_a"] = swept.of_cycle.get("mean_current_a", none)
        notes.append("The log does not show when the servo moves: moving_current_a is the mean over the whole cycle.")
    if s is not None:
        values["idle_current_a"] = per_type(s.rest_a, s.dwells.place, s.dwells.cycle, n)
    else:
        missing["idle_current_a"] = "the log does not show when the servo rests"


def _supply_and_heat(samples: Samples, n: int, swept: Swept, values: dict[str, Array], missing: dict[str, str]) -> None:
    for channel, name in (("voltage_v", "voltage_min_v"), ("temperature_c", "temperature_c")):
        if channel not in samples.channels:
            missing[name] = f"no {channel.split('_')[0]} channel"
        else:
            values[name] = swept.of_cycle.get(name, np.full(n, np.nan))


def _references(
    samples: Samples, n: int, swept: Swept, procedure: ServoProcedure, supply_v: float | None,
    values: dict[str, Array], missing: dict[str, str], notes: list[str],
) -> None:  # fmt: skip
    """Correct current to the reference temperature and transit to the nominal supply."""
    c = procedure.correction
    if "moving_current_a" not in values:
        missing["moving_current_ref_a"] = missing["moving_current_a"]
    elif "temperature_c" not in values:
        missing["moving_current_ref_a"] = "no temperature channel to correct with: the current as measured is judged"
    else:
        warmer = values["temperature_c"] - c.reference_temperature_c
        values["moving_current_ref_a"] = values["moving_current_a"] / (1 + c.current_per_kelvin * warmer)
        away = windows.middle(warmer)
        notes.append(
            f"moving_current_ref_a is corrected to {c.reference_temperature_c:g} C with "
            f"{100 * c.current_per_kelvin:g} ± {100 * c.current_per_kelvin_u:g} % per kelvin: "
            f"by {-100 * c.current_per_kelvin * away:+.2g} % in the usual cycle, standard uncertainty "
            f"{100 * c.current_per_kelvin_u * abs(away):.2g} %."
        )
    if "voltage_v" not in samples.channels:
        missing["transit_ref_s_per_60deg"] = missing.get(
            "transit_s_per_60deg", "no voltage channel to correct with: the transit time as measured is judged"
        )
        return
    nominal = supply_v if supply_v is not None else samples.middle("voltage_v")
    if "transit_s_per_60deg" not in values:
        missing["transit_ref_s_per_60deg"] = missing["transit_s_per_60deg"]
        return
    under_load = swept.of_cycle.get("under_load_v", np.full(n, np.nan))
    factor = (under_load / nominal) ** c.supply_exponent
    values["transit_ref_s_per_60deg"] = values["transit_s_per_60deg"] * factor
    told = "of the register" if supply_v is not None else "(median of the log)"
    by = 100 * (windows.middle(factor) - 1)
    u = 100 * c.supply_exponent_u * abs(float(np.log(windows.middle(under_load) / nominal)))
    notes.append(
        f"transit_ref_s_per_60deg is corrected to a supply of {nominal:.3g} V {told}, taken as going with its power "
        f"-{c.supply_exponent:g} ± {c.supply_exponent_u:g}: by {by:+.2g} % in the usual cycle, standard uncertainty "
        f"{u:.2g} %."
    )


def _usual(samples: Samples, cycles: Cycles, swept: Swept, notes: list[str]) -> NDArray[np.bool_]:
    """Find the cycles in which the command moved between its usual ends."""
    if "command_us" not in samples.channels or not len(cycles):
        return np.ones(len(cycles), dtype=bool)
    low, high = swept.of_cycle["command_low"], swept.of_cycle["command_high"]
    middle_low, middle_high = windows.middle(low), windows.middle(high)
    near = 0.02 * (middle_high - middle_low)
    usual = (np.abs(low - middle_low) <= near) & (np.abs(high - middle_high) <= near)
    if (other := int((~usual).sum())) > 0:
        first = int(cycles.number[np.flatnonzero(~usual)[0]])
        notes.append(
            f"In {other} cycles (first: {first}) the command moved between other ends than usual "
            f"({middle_low:.0f} and {middle_high:.0f}): they are shown, but left out of the trends."
        )
    return usual
