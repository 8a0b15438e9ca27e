"""Charge of one flight from one pack: what each circuit takes in each phase, and what that leaves of the pack."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from benchlab.airframe import Circuit, FlightPhase, Pack
from benchlab.power.judge import CAPACITY
from benchlab.procedure import CurrentProcedure
from benchlab.results import Analysis, BudgetLine, Estimate, NotMeasured, PartResult
from benchlab.stats.uncertainty import combine, effective_dof, estimate, rectangular

LEFT = ("reserve_fraction", "endurance_min", "mean_discharge_rate_per_h")
COLUMNS = ("circuit", "phase", "minutes", "share", "mean_current_a", "charge_mah", "u_mah")
WHOLE = "whole log"
_RECHARGED = 0.05
"""Charge into the pack that is told, as a share of what flowed out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """What one circuit takes from one pack in one phase of the flight."""

    circuit: str
    phase: str
    minutes: float
    share: float
    mean: Estimate
    own: bool
    """Whether the log shows this phase by itself; else the mean of the whole log stands for it."""
    u_sensor_a: float
    """Part of the uncertainty that all readings of the circuit's sensor share."""

    @property
    def mah_per_a(self) -> float:
        """Charge per ampere of mean current: share x time."""
        return self.share * self.minutes / 60 * 1e3

    @property
    def charge_mah(self) -> float:
        """Charge of this phase: share x mean current x time."""
        return self.mah_per_a * (self.mean.value or 0.0)

    @property
    def u_sensor_mah(self) -> float:
        """Standard uncertainty from the sensor."""
        return self.mah_per_a * self.u_sensor_a

    @property
    def u_load_mah(self) -> float:
        """Standard uncertainty from other minutes of the same load drawing otherwise."""
        return self.mah_per_a * math.sqrt(max((self.mean.u or 0.0) ** 2 - self.u_sensor_a**2, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source of uncertainty of the charge per flight."""

    source: str
    charge_mah: float
    u_mah: float
    dof: float
    distribution: str


def draws_of(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    flight: Sequence[FlightPhase],
    flight_minutes: float | None,
    procedure: CurrentProcedure,
    notes: list[str],
) -> tuple[list[Draw], str | None]:
    """What every circuit takes in every phase; or why that cannot be said."""
    if not circuits:
        return [], "no circuit of the register is fed by this pack: name it in packs = [...] of a circuit"
    if not flight and flight_minutes is None:
        return [], "the register has neither flight_minutes nor a [[flight]] profile"
    if not flight:
        notes.append("No flight profile: the mean current of the whole log was taken for the whole flight.")
    channel = procedure.channels.get("current_a")
    u_sensor = rectangular(channel.accuracy) if channel else 0.0
    draws = []
    for circuit, analysis in circuits:
        share = circuit.pack_shares[pack.id]
        for phase, minutes in [(f.phase, f.minutes) for f in flight] or [("flight", flight_minutes or 0.0)]:
            found = _mean_in(analysis.result, phase if flight else None, notes)
            if isinstance(found, str):
                return [], f'circuit "{circuit.id}": {found}'
            mean, own = found
            if (note := _recharged(analysis.result)) and note not in notes:
                notes.append(note)
            draws.append(Draw(
                circuit=circuit.id, phase=phase, minutes=minutes, share=share, mean=mean, own=own, u_sensor_a=u_sensor,
            ))  # fmt: skip
    return draws, None


def _mean_in(result: PartResult, phase: str | None, notes: list[str]) -> tuple[Estimate, bool] | str:
    """Mean current of a circuit in a phase (None: whole log) and whether it is the phase's own; or why not known."""
    whole = result.quantities.get("mean_current_a")
    refused = [m.why for m in result.not_measured if m.quantity == "mean_current_a"]
    if not isinstance(whole, Estimate) or whole.value is None or refused:
        return f"no mean current ({refused[0] if refused else 'its log could not be read'})"
    if phase is None:
        return whole, False
    phases = result.phases or {}
    by_name = {name.strip().casefold(): values for name, values in phases.items()}
    found = by_name.get(phase.strip().casefold())
    if found is not None and (mean := found.get("mean_current_a")) is not None:
        return mean, True
    if found is not None:
        return f"its log shows phase {phase!r} for less than one interval: log it for longer"
    if not phases or set(phases) == {"quiet", "active"}:
        note = f'The log of circuit "{result.id}" labels no phases: its mean over the whole log stands for each.'
        if note not in notes:
            notes.append(note)
        return whole, False
    return f"its log has no phase {phase!r}, only {', '.join(repr(p) for p in phases)}"


def _recharged(result: PartResult) -> str | None:
    into, out = (result.quantities.get(q) for q in ("charged_mah", "discharged_mah"))
    if not isinstance(into, Estimate) or not isinstance(out, Estimate):
        return None
    if (into.value or 0.0) < _RECHARGED * (out.value or 0.0):
        return None
    return (
        f'The log of circuit "{result.id}" also charges the pack ({into.value:.4g} mAh): its mean is net of that. '
        "If that was not part of the load, give a log of the load alone."
    )


def contributions(draws: Sequence[Draw]) -> list[Contribution]:
    """Sources of uncertainty of the charge: independent of each other, what is not was added up before.

    Phases that the log shows apart scatter apart; phases that one mean stands for, and the sensor of a circuit, are
    wrong together. Circuits are independent.
    """
    out = []
    for name in dict.fromkeys(d.circuit for d in draws):
        mine = [d for d in draws if d.circuit == name]
        shown = dict.fromkeys(d.phase.casefold() for d in mine if d.own)
        groups = [
            (f"mean current of {name}, {phase}", [d for d in mine if d.own and d.phase.casefold() == phase])
            for phase in shown
        ]
        if together := [d for d in mine if not d.own]:
            groups.append((f"mean current of {name}, {WHOLE}", together))
        for source, group in groups:
            out.append(Contribution(
                source=f"{source} (other minutes of the load)", charge_mah=sum(d.charge_mah for d in group),
                u_mah=sum(d.u_load_mah for d in group), dof=min(d.mean.dof or math.inf for d in group),
                distribution="normal",
            ))  # fmt: skip
        if (u := sum(d.u_sensor_mah for d in mine)) > 0:
            out.append(Contribution(
                source=f"current sensor of {name}", charge_mah=sum(d.charge_mah for d in mine), u_mah=u, dof=math.inf,
                distribution="rectangular",
            ))  # fmt: skip
    return out


def minutes_of(draws: Sequence[Draw]) -> float:
    """Length of the flight."""
    first = draws[0].circuit if draws else None
    return sum(d.minutes for d in draws if d.circuit == first)


def flight_budget(
    draws: Sequence[Draw], capacity: Estimate | None, usable_fraction: float
) -> tuple[dict[str, Estimate], list[NotMeasured], list[BudgetLine]]:
    """Charge per flight, reserve, endurance and mean rate, with the lines of their uncertainty budget."""
    parts = contributions(draws)
    charge = sum(d.charge_mah for d in draws)
    u = combine(*(p.u_mah for p in parts))
    dof = effective_dof([(p.u_mah, p.dof) for p in parts]) if u > 0 else math.inf
    found = {"flight_charge_mah": estimate(charge, u, "mAh", dof)}
    lines = [_line("flight_charge_mah", p, 1.0) for p in parts]
    why = None
    if charge <= 0:
        why = "the circuits draw no charge"
    elif capacity is None or capacity.value is None:
        why = "the capacity is not known: give capacity_mah in the register"
    if why or capacity is None or capacity.value is None:
        return found, [NotMeasured(quantity=q, why=why or "") for q in LEFT], lines
    usable, u_usable = capacity.value * usable_fraction, (capacity.u or 0.0) * usable_fraction
    used = charge / usable
    u_used = combine(u / usable, used * u_usable / usable)
    dof = effective_dof([*((p.u_mah / usable, p.dof) for p in parts), (used * u_usable / usable, math.inf)])
    minutes = minutes_of(draws)
    mean = charge / (minutes / 60)
    for name, value, unit in (
        ("endurance_min", minutes / used, "min"),
        ("mean_discharge_rate_per_h", mean / capacity.value, "1/h"),
    ):
        found[name] = estimate(value, value * u_used / used, unit, dof)
    found["reserve_fraction"] = estimate(1 - used, u_used, "1", dof)
    lines += [_line("reserve_fraction", p, -1 / usable) for p in parts]
    lines.append(BudgetLine(
        quantity="reserve_fraction", source=CAPACITY, value=usable, unit="mAh", distribution="rectangular",
        u=u_usable, sensitivity=used / usable, contribution=used * u_usable / usable,
    ))  # fmt: skip
    return found, [], lines


def _line(quantity: str, part: Contribution, sensitivity: float) -> BudgetLine:
    return BudgetLine(
        quantity=quantity, source=part.source, value=part.charge_mah, unit="mAh", distribution=part.distribution,
        u=part.u_mah, sensitivity=sensitivity, contribution=abs(sensitivity) * part.u_mah,
    )  # fmt: skip


def by_circuit(draws: Sequence[Draw]) -> Mapping[str, tuple[float, float]]:
    """Circuit -> charge per flight from this pack and its standard uncertainty, mAh."""
    out = {}
    for name in dict.fromkeys(d.circuit for d in draws):
        mine = [d for d in draws if d.circuit == name]
        out[name] = (sum(d.charge_mah for d in mine), combine(*(p.u_mah for p in contributions(mine))))
    return out


def budget_table(draws: Sequence[Draw]) -> pd.DataFrame:
    """One row per circuit and phase."""
    rows = [
        (d.circuit, d.phase, d.minutes, d.share, d.mean.value, d.charge_mah, combine(d.u_load_mah, d.u_sensor_mah))
        for d in draws
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))
