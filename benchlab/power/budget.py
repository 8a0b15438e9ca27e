"""Will the pack carry the flight: charge per flight, reserve, endurance, voltage at the end, discharge rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import pandas as pd

from benchlab.airframe import Circuit, FlightPhase, Pack
from benchlab.judgement import required_missing
from benchlab.power import packsource
from benchlab.power.capacity import capacity_of
from benchlab.power.charge import LEFT, Draw, budget_table, by_circuit, draws_of, flight_budget, minutes_of
from benchlab.power.endvoltage import end_voltage
from benchlab.power.judge import READ_LOW, at_least, judge_all, judged_on, limits_of, next_step
from benchlab.procedure import CurrentProcedure, Limit
from benchlab.results import Analysis, BudgetLine, Estimate, NotMeasured, PartResult, worst
from benchlab.stats.uncertainty import combine, estimate


@dataclass(slots=True, kw_only=True)
class _Book:
    """What is being gathered about one pack."""

    quantities: dict[str, Estimate] = field(default_factory=dict)
    missing: list[NotMeasured] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    budget: list[BudgetLine] = field(default_factory=list)
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)

    def enter(self, quantity: str, found: Estimate | str) -> None:
        """Enter an estimate, or the reason why there is none."""
        self.missing = [m for m in self.missing if m.quantity != quantity]
        if isinstance(found, Estimate):
            self.quantities[quantity] = found
        else:
            self.missing.append(NotMeasured(quantity=quantity, why=found))


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
        Kind ``pack``; tables: those of its own log, and as far as known ``budget`` (circuit, phase, minutes, share,
        mean_current_a, charge_mah, u_mah), ``open_circuit`` (charge_mah, voltage_v, u_v), ``resistance_parts``
        (part, resistance_ohm, u_ohm, share) and ``cross_check`` (servo, mean_current_a, cycles, ...).
    """
    book = _Book()
    if own is not None:
        book.quantities |= {k: v for k, v in own.result.quantities.items() if isinstance(v, Estimate)}
        book.missing += own.result.not_measured
        book.notes += own.result.notes
        book.tables |= own.tables
    capacity = capacity_of(pack, own, procedure, book.notes, book.missing)
    if capacity is not None:
        book.quantities["capacity_mah"] = capacity
    draws, why = draws_of(pack, circuits, flight, flight_minutes, procedure, book.notes)
    if why:
        book.missing += [NotMeasured(quantity=q, why=why) for q in ("flight_charge_mah", *LEFT)]
    else:
        found, missing, book.budget = flight_budget(draws, capacity, pack.usable_fraction)
        book.quantities |= found
        book.missing += missing
    book.tables["budget"] = budget_table(draws)
    _peak(pack, circuits, capacity, book)
    _source(pack, circuits, procedure, own, draws, book)
    book.tables |= packsource.cross_check_table(circuits)
    return _result(pack, circuits, procedure, own, book)


def _source(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    procedure: CurrentProcedure,
    own: Analysis | None,
    draws: Sequence[Draw],
    book: _Book,
) -> None:
    """Resistance and its parts, open-circuit curve, voltage under load and at the end of the flight."""
    found = packsource.resistance_of(circuits, own)
    if isinstance(found, str):
        book.enter("source_resistance_ohm", found)
    else:
        book.enter("source_resistance_ohm", found[0])
        parts, said = packsource.parts_of_resistance(pack, circuits, own, found[0])
        book.notes += [note for note in (found[1], said) if note]
        if parts is not None:
            book.tables["resistance_parts"] = parts
    curve = packsource.open_circuit_table(pack, circuits, own)
    if curve is not None:
        book.tables["open_circuit"] = curve
        shown = own if own is not None and "source_resistance_ohm" in own.result.quantities else circuits[0][1]
        if "polarisation_s" not in shown.result.quantities:
            book.notes.append(
                "No slow answer of the voltage could be told from its fall: the open-circuit curve holds what there is "
                "of it at the log's own mean current."
            )
    u_reading = packsource.voltage_reading_u(procedure)
    book.enter("voltage_under_load_v", packsource.voltage_under_load(pack, circuits, own, curve, u_reading))
    volts = end_voltage(pack, circuits, own, book.quantities, by_circuit(draws), minutes_of(draws), u_reading)
    book.enter("voltage_end_v", volts)
    if isinstance(volts, Estimate):
        book.notes.append(
            "voltage_end_v takes the pack as full at the start of the log, and all peaks as falling together."
        )


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


def _result(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    procedure: CurrentProcedure,
    own: Analysis | None,
    book: _Book,
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
        book.quantities = {q: replace(e, hi=None) if q in READ_LOW else e for q, e in book.quantities.items()}
        book.notes.append("A current sensor was at the end of its range: the pack gives at least the currents shown.")
    result = PartResult(
        id=pack.id, kind="pack", position=pack.position, verdict=worst([f.verdict for f in findings]),
        judged_on=judged_on(findings), logs=own.result.logs if own is not None else pack.logs,
        quantities=book.quantities,
        phases=own.result.phases if own is not None else None, budget=tuple(book.budget), findings=tuple(findings),
        events=tuple(events), not_measured=tuple(dict.fromkeys(book.missing)), notes=tuple(dict.fromkeys(book.notes)),
        next_step=next_step(findings, book.budget),
    )  # fmt: skip
    return Analysis(result=result, tables=book.tables)
