"""Worst-case voltage at peak load at the end of a flight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from benchlab.airframe import Circuit, Pack
from benchlab.results import Analysis, Estimate
from benchlab.stats.uncertainty import combine, estimate

Charges = Mapping[str, tuple[float, float]]
"""Circuit -> charge per flight and its standard uncertainty, mAh."""


def end_voltage(
    pack: Pack,
    circuits: Sequence[tuple[Circuit, Analysis]],
    own: Analysis | None,
    quantities: Mapping[str, Estimate],
    charges: Charges,
    minutes: float,
    u_reading_v: float,
) -> Estimate | str:
    """Open-circuit voltage after one flight's charge, less polarisation at mean load and prompt drop at peak.

    ``U = U_oc(q) - R_slow I_mean - R_prompt I_peak``, from the pack's own log (then less the drop in wire and
    connectors of its worst circuit), else from the log of the one circuit that it feeds. A string says why it
    cannot be said; nothing is read beyond the charge that the log draws. ``u_reading_v`` is the standard uncertainty
    that all readings of the voltage share.
    """
    if not charges:
        return "the charge per flight is not known"
    if own is not None and "source_resistance_ohm" in own.result.quantities:
        peak = quantities.get("pack_peak_current_a")
        if peak is None or peak.value is None:
            return "the peak of the pack is not known"
        charge = sum(c for c, _ in charges.values())
        u = combine(*(u for _, u in charges.values()))
        volts = _voltage(own, charge, u, peak, minutes, u_reading_v)
        return volts if isinstance(volts, str) else _less_wires(volts, circuits)
    if len(circuits) != 1:
        return "the pack feeds several circuits and has no discharge log of its own with voltage"
    circuit, analysis = circuits[0]
    peak = analysis.result.quantities.get("peak_current_a")  # type: ignore[assignment]
    if not isinstance(peak, Estimate) or "source_resistance_ohm" not in analysis.result.quantities:
        return "neither the circuit's log nor one of the pack's own shows the source resistance"
    # the circuit's own charge, whatever share of it this pack carries
    share = circuit.pack_shares[pack.id]
    charge, u = charges[circuit.id]
    return _voltage(analysis, charge / share, u / share, peak, minutes, u_reading_v)


def _voltage(
    analysis: Analysis, charge: float, u_charge: float, peak: Estimate, minutes: float, u_reading_v: float
) -> Estimate | str:
    curve, found = analysis.tables.get("discharge"), analysis.result.quantities
    resistance, slow = found["source_resistance_ohm"], found.get("polarisation_resistance_ohm")
    if curve is None or not isinstance(resistance, Estimate) or resistance.value is None or peak.value is None:
        return "the log shows no open-circuit voltage"
    curve = curve.dropna(subset=["open_circuit_v"])
    if (
        len(curve) < 2 or float(curve["charge_mah"].iloc[-1]) < 0.98 * charge
    ):  # the last stretch's middle lies before its end
        drawn = float(curve["charge_mah"].iloc[-1]) if len(curve) else 0.0
        return f"the log draws {drawn:.4g} mAh only, a flight {charge:.4g} mAh: log a whole flight's charge"
    q = curve["charge_mah"].to_numpy()
    open_v, scatter = (np.interp(charge, q, curve[c].to_numpy()) for c in ("open_circuit_v", "open_circuit_u_v"))
    mean = charge / 1e3 / (minutes / 60)
    r_slow = slow.value if isinstance(slow, Estimate) and slow.value is not None else 0.0
    value = float(open_v) - r_slow * mean - resistance.value * peak.value
    u = combine(
        float(scatter), slope_at(curve, charge) * u_charge, (resistance.u or 0.0) * peak.value,
        resistance.value * (peak.u or 0.0), 0.5 * r_slow * mean, u_reading_v,
    )  # fmt: skip
    return estimate(value, u, "V")


def slope_at(curve: pd.DataFrame, charge: float) -> float:
    """Fall of the open-circuit voltage per mAh at a charge, over a tenth of the curve around it."""
    q, v = curve["charge_mah"].to_numpy(), curve["open_circuit_v"].to_numpy()
    lo, hi = charge - 0.05 * q[-1], min(charge + 0.05 * q[-1], q[-1])
    return abs(float(np.interp(hi, q, v) - np.interp(lo, q, v))) / (hi - lo) if hi > lo else 0.0


def _less_wires(volts: Estimate, circuits: Sequence[tuple[Circuit, Analysis]]) -> Estimate:
    """Take the worst drop in a circuit's wire and connectors off a voltage at the pack."""
    worst, u_worst = 0.0, 0.0
    for circuit, analysis in circuits:
        wire, peak = (analysis.result.quantities.get(q) for q in ("wire_resistance_ohm", "peak_current_a"))
        ohm = (wire.value or 0.0) if isinstance(wire, Estimate) else 0.0
        ohm += circuit.connector_ohm or 0.0
        amps = (peak.value or 0.0) if isinstance(peak, Estimate) else 0.0
        if ohm * amps > worst:
            worst = ohm * amps
            u_worst = combine(
                ((wire.u or 0.0) if isinstance(wire, Estimate) else 0.0) * amps,
                ohm * ((peak.u or 0.0) if isinstance(peak, Estimate) else 0.0),
            )
    return estimate((volts.value or 0.0) - worst, combine(volts.u or 0.0, u_worst), "V")
