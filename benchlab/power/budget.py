"""Will the pack carry the flight: charge per flight, reserve, endurance, voltage at the end, discharge rate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from benchlab.airframe import Circuit, FlightPhase, Pack
from benchlab.judgement import required_missing
from benchlab.power.capacity import capacity_of
from benchlab.power.endvoltage import end_voltage
from benchlab.power.judge import at_least, judge_all, judged_on, limits_of
from benchlab.procedure import CurrentProcedure, Limit
from benchlab.results import Analysis, BudgetLine, Estimate, NotMeasured, PartResult, worst
from benchlab.stats.uncertainty import combine, effective_dof, estimate

_BUDGET = ("flight_charge_mah", "reserve_fraction", "endurance_min", "mean_discharge_rate_per_h")


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """What one circuit takes from one pack in one phase of the flight."""

    circuit: str
    phase: str
    minutes: float
    share: float
    mean: Estimate

    @property
    def charge_mah(self) -> float:
        """Charge of this phase, mAh: share x mean current x time."""
        return self.share * (self.mean.value or 0.0) * self.minutes / 60 * 1e3

    @property
    def u_mah(self) -> float:
        """Its standard uncertainty."""
        return self.share * (self.mean.u or 0.0) * self.minutes / 60 * 1e3


@dataclass(slots=True, kw_only=True)
class _Book:
    """What is being gathered about one pack."""

    quantities: dict[str, Estimate] = field(default_factory=dict)
    missing: list[NotMeasured] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    budget: list[BudgetLine] = field(default_factory=list)


def analyse_pack(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    flight: Sequence[FlightPhase],
    flight_minutes: float | None,
    procedure: CurrentProcedure,
    own: Analysis | None,
) -> Analysis:
    """Budget of one pack over one flight.

    Parameters
    ----------
    circuits
        The circuits that the pack feeds, with their analyses; each counts with its share.
    flight, flight_minutes
        The flight profile; without one the mean current of the whole log counts for ``flight_minutes``.
    own
        Analysis of the pack's own discharge log, if it has one.

    Returns
    -------
    Analysis
        Kind ``pack``; tables: those of its own log, and ``budget`` (circuit, phase, minutes, charge_mah, u_mah).
    """
    book = _Book()
    if own is not None:
        book.quantities |= {k: v for k, v in own.result.quantities.items() if isinstance(v, Estimate)}
        book.missing += own.result.not_measured
        book.notes += own.result.notes
    capacity = capacity_of(pack, own, procedure, book.notes, book.missing)
    if capacity is not None:
        book.quantities["capacity_mah"] = capacity
    draws, why = _draws(pack, circuits, flight, flight_minutes, book.notes)
    if why:
        book.missing += [NotMeasured(quantity=q, why=why) for q in _BUDGET]
    else:
        _charge(draws, capacity, pack, book)
    _peak(pack, circuits, capacity, book)
    _resistance(circuits, own, book)
    if note := _parts_of_resistance(pack, circuits, own, book.quantities):
        book.notes.append(note)
    volts = end_voltage(pack, circuits, own, book.quantities, {} if why else _by_circuit(draws), _minutes(draws))
    if isinstance(volts, str):
        book.missing.append(NotMeasured(quantity="voltage_end_v", why=volts))
    else:
        book.quantities["voltage_end_v"] = volts
        book.notes.append(
            "voltage_end_v takes the pack as full at the start of the log, and all peaks as falling together."
        )
    return _result(pack, circuits, procedure, own, book, draws)


def _draws(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    flight: Sequence[FlightPhase],
    flight_minutes: float | None,
    notes: list[str],
) -> tuple[list[Draw], str | None]:
    """What every circuit takes in every phase; or why that cannot be said."""
    if not circuits:
        return [], "no circuit of the register is fed by this pack: name it in packs = [...] of a circuit"
    if not flight and flight_minutes is None:
        return [], "the register has neither flight_minutes nor a [[flight]] profile"
    if not flight:
        notes.append("No flight profile: the mean current of the whole log was taken for the whole flight.")
    draws = []
    for circuit, analysis in circuits:
        share = circuit.pack_shares[pack.id]
        for phase, minutes in [(f.phase, f.minutes) for f in flight] or [("flight", flight_minutes or 0.0)]:
            mean = _mean_in(analysis.result, phase if flight else None, notes)
            if isinstance(mean, str):
                return [], f'circuit "{circuit.id}": {mean}'
            draws.append(Draw(circuit=circuit.id, phase=phase, minutes=minutes, share=share, mean=mean))
    return draws, None


def _mean_in(result: PartResult, phase: str | None, notes: list[str]) -> Estimate | str:
    """Mean current of a circuit in a phase (None: whole log); or why it is not known."""
    whole = result.quantities.get("mean_current_a")
    refused = [m.why for m in result.not_measured if m.quantity == "mean_current_a"]
    if not isinstance(whole, Estimate) or whole.value is None or refused:
        return f"no mean current ({refused[0] if refused else 'its log could not be read'})"
    if phase is None:
        return whole
    phases = result.phases or {}
    by_name = {name.strip().casefold(): values for name, values in phases.items()}
    found = by_name.get(phase.strip().casefold())
    if found is not None and found.get("mean_current_a"):
        return found["mean_current_a"]
    if not phases or set(phases) == {"quiet", "active"}:
        note = f'The log of circuit "{result.id}" labels no phases: its mean over the whole log stands for each.'
        if note not in notes:
            notes.append(note)
        return whole
    return f"its log has no phase {phase!r}, only {', '.join(repr(p) for p in phases)}"


def _charge(draws: Sequence[Draw], capacity: Estimate | None, pack: Pack, book: _Book) -> None:
    """Charge per flight, reserve, endurance and mean rate, with their budget.

    The phases of one circuit share its sensor, so their uncertainties add; circuits are independent.
    """
    circuits = _by_circuit(draws)
    charge = sum(c for c, _, _ in circuits.values())
    parts = [(u, dof) for _, u, dof in circuits.values()]
    u = combine(*(p[0] for p in parts))
    dof = effective_dof(parts) if u > 0 else float("inf")
    minutes = _minutes(draws)
    book.quantities["flight_charge_mah"] = estimate(charge, u, "mAh", dof)
    if charge <= 0:
        book.missing += [NotMeasured(quantity=q, why="the circuits draw no charge") for q in _BUDGET[1:]]
        return
    if capacity is None or capacity.value is None:
        why = "the capacity is not known: give capacity_mah in the register"
        book.missing += [NotMeasured(quantity=q, why=why) for q in _BUDGET[1:]]
        return
    usable = capacity.value * pack.usable_fraction
    u_usable = (capacity.u or 0.0) * pack.usable_fraction
    used = charge / usable
    contributions = {name: (value / usable, cu / usable, cd) for name, (value, cu, cd) in circuits.items()}
    u_used = combine(u / usable, used * u_usable / usable)
    dof_used = effective_dof([*((cu, cd) for _, cu, cd in contributions.values()), (used * u_usable / usable, np.inf)])
    book.quantities["reserve_fraction"] = estimate(1 - used, u_used, "1", dof_used)
    endurance = minutes / used
    book.quantities["endurance_min"] = estimate(endurance, endurance * u_used / used, "min", dof_used)
    mean = charge / (minutes / 60)
    book.quantities["mean_discharge_rate_per_h"] = estimate(
        mean / capacity.value, mean / capacity.value * u_used / used, "1/h", dof_used
    )
    for name, (value, cu, _) in circuits.items():
        book.budget.append(BudgetLine(
            quantity="reserve_fraction", source=f"mean current of {name} (other minutes, sensor)", value=value,
            unit="mAh", distribution="normal", u=cu, sensitivity=-1 / usable, contribution=cu / usable,
        ))  # fmt: skip
    book.budget.append(BudgetLine(
        quantity="reserve_fraction", source="usable capacity", value=usable, unit="mAh", distribution="rectangular",
        u=u_usable, sensitivity=used / usable, contribution=used * u_usable / usable,
    ))  # fmt: skip


def _by_circuit(draws: Sequence[Draw]) -> dict[str, tuple[float, float, float]]:
    """Circuit -> charge per flight from this pack, its standard uncertainty (mAh) and degrees of freedom."""
    out: dict[str, tuple[float, float, float]] = {}
    for d in draws:
        charge, u, dof = out.get(d.circuit, (0.0, 0.0, float("inf")))
        out[d.circuit] = (charge + d.charge_mah, u + d.u_mah, min(dof, d.mean.dof or float("inf")))
    return out


def _minutes(draws: Sequence[Draw]) -> float:
    first = draws[0].circuit if draws else None
    return sum(d.minutes for d in draws if d.circuit == first)


def _peak(pack: Pack, circuits: Sequence[tuple[Circuit, Analysis]], capacity: Estimate | None, book: _Book) -> None:
    """Peak of the pack: the sum of the shares of its circuits' peaks, and the discharge rate that this is."""
    peaks = [
        (c.pack_shares[pack.id], p)
        for c, a in circuits
        if isinstance(p := a.result.quantities.get("peak_current_a"), Estimate) and p.value is not None
    ]
    if not peaks or len(peaks) < len(circuits):
        why = "no circuit names this pack" if not circuits else "not every circuit of this pack has a peak current"
        book.missing += [NotMeasured(quantity=q, why=why) for q in ("pack_peak_current_a", "discharge_rate_per_h")]
        return
    peak = estimate(sum(s * (p.value or 0.0) for s, p in peaks), combine(*(s * (p.u or 0.0) for s, p in peaks)), "A")
    book.quantities["pack_peak_current_a"] = peak
    if capacity is None or not capacity.value or peak.value is None:
        book.missing.append(NotMeasured(quantity="discharge_rate_per_h", why="the capacity is not known"))
        return
    rate = peak.value / (capacity.value / 1e3)
    u = combine((peak.u or 0.0) / (capacity.value / 1e3), rate * (capacity.u or 0.0) / capacity.value)
    book.quantities["discharge_rate_per_h"] = estimate(rate, u, "1/h")


def _resistance(circuits: Sequence[tuple[Circuit, Analysis]], own: Analysis | None, book: _Book) -> None:
    """Source resistance of the pack: from its own log, else from a circuit that it feeds alone."""
    if "source_resistance_ohm" in book.quantities:
        return
    for circuit, analysis in circuits:
        found = analysis.result.quantities.get("source_resistance_ohm")
        if len(circuits) == 1 and len(circuit.pack_shares) == 1 and isinstance(found, Estimate):
            book.quantities["source_resistance_ohm"] = found
            book.notes.append(f'source_resistance_ohm is that of circuit "{circuit.id}", wire and connectors included.')
            book.missing = [m for m in book.missing if m.quantity != "source_resistance_ohm"]
            return
    if own is None:
        why = "no log of its own, and no circuit that it feeds alone shows it"
        book.missing.append(NotMeasured(quantity="source_resistance_ohm", why=why))


def _parts_of_resistance(
    pack: Pack, circuits: Sequence[tuple[Circuit, Analysis]], own: Analysis | None, quantities: Mapping[str, Estimate]
) -> str | None:
    """Say how the source resistance is made up: pack as its maker states it, wire, connectors, and the rest."""
    found = quantities.get("source_resistance_ohm")
    if pack.resistance_ohm is None or found is None or found.value is None:
        return None
    parts = [("pack as stated", pack.resistance_ohm)]
    if own is None or "source_resistance_ohm" not in own.result.quantities:
        circuit, analysis = circuits[0]
        wire = analysis.result.quantities.get("wire_resistance_ohm")
        parts += [("wire", wire.value)] if isinstance(wire, Estimate) and wire.value is not None else []
        parts += [("connectors", circuit.connector_ohm)] if circuit.connector_ohm is not None else []
    rest = found.value - sum(ohm for _, ohm in parts)
    said = ", ".join(f"{name} {1e3 * ohm:.3g} mohm" for name, ohm in parts)
    return f"Of the source resistance of {1e3 * found.value:.4g} mohm: {said}, not accounted for {1e3 * rest:.3g} mohm."


def _result(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    procedure: CurrentProcedure,
    own: Analysis | None,
    book: _Book,
    draws: Sequence[Draw],
) -> Analysis:
    limits = limits_of(pack, procedure)
    lowest = [(c.min_voltage_v, c.id) for c, _ in circuits if c.min_voltage_v is not None]
    if lowest and "voltage_end_v" in book.quantities and "value" not in limits.get("voltage_end_v", {}):
        volts, name = max(lowest)
        limits["voltage_end_v"] = {"value": Limit(lower=volts, source=f'min_voltage_v of circuit "{name}"')}
    events = own.result.events if own is not None else ()
    findings = judge_all(limits, book.quantities, events, book.missing, procedure)
    if own is not None:
        findings += required_missing(
            procedure.required, [*book.quantities, "current_a"], {m.quantity: m.why for m in book.missing},
            "its log does not show it",
        )  # fmt: skip
    if any(e.kind == "clipping" for _, a in circuits for e in a.result.events):
        findings = at_least(findings)
    result = PartResult(
        id=pack.id, kind="pack", position=pack.position, verdict=worst([f.verdict for f in findings]),
        judged_on=judged_on(findings), logs=own.result.logs if own is not None else pack.logs,
        quantities=book.quantities,
        phases=own.result.phases if own is not None else None, budget=tuple(book.budget), findings=tuple(findings),
        events=tuple(events), not_measured=tuple(dict.fromkeys(book.missing)), notes=tuple(dict.fromkeys(book.notes)),
    )  # fmt: skip
    table = pd.DataFrame(
        [(d.circuit, d.phase, d.minutes, d.charge_mah, d.u_mah) for d in draws],
        columns=["circuit", "phase", "minutes", "charge_mah", "u_mah"],
    )
    return Analysis(result=result, tables=(dict(own.tables) if own is not None else {}) | {"budget": table})
