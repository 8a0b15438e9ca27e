"""Copper wire by gauge, length and temperature: resistance, drop, heating; loss of a linear regulator."""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchlab.airframe import Circuit
from benchlab.procedure import CurrentProcedure
from benchlab.results import Estimate
from benchlab.stats.uncertainty import combine, estimate, rectangular

RESISTIVITY_20C_OHM_M = 1e-6 / 58
"""Annealed copper at 20 C: 1/58 ohm mm2/m (IEC 60028)."""
PER_KELVIN = 0.00393
"""Temperature coefficient of resistance at 20 C, constant mass (IEC 60028)."""


def awg_diameter_mm(awg: int) -> float:
    """Diameter of a solid conductor: ``0.127 mm x 92^((36 - n) / 39)`` (ASTM B258); n = 0 to -3 for 1/0 to 4/0."""
    return float(0.127 * 92 ** ((36 - awg) / 39))


def copper_ohm_per_m(awg: int, temperature_c: float = 20.0) -> float:
    """Resistance of one metre of annealed copper wire.

    A stranded wire of the gauge has about the same copper section and is a few per cent higher for its twist.
    """
    area_m2 = math.pi * (awg_diameter_mm(awg) * 1e-3) ** 2 / 4
    return RESISTIVITY_20C_OHM_M * (1 + PER_KELVIN * (temperature_c - 20.0)) / area_m2


def wire_ohm(awg: int, one_way_m: float, temperature_c: float = 20.0) -> float:
    """Resistance of lead and return of a pair of wires, ``one_way_m`` long each."""
    return 2 * one_way_m * copper_ohm_per_m(awg, temperature_c)


def linear_regulator_loss_w(input_v: float, output_v: float, current_a: float) -> float:
    """Heat in a linear regulator: the whole current falls through the difference of the voltages; 0 in drop-out."""
    return max(input_v - output_v, 0.0) * current_a


_WIRE_SHARE = 0.05
"""Half-width, as a share, within which a wire has its nominal resistance: strand, twist, length (common practice)."""


def wiring(
    circuit: Circuit, quantities: Mapping[str, Estimate], procedure: CurrentProcedure, notes: list[str]
) -> dict[str, Estimate]:
    """Drop and heating of the declared wire at rms and peak current, and loss of a declared linear regulator.

    How the source resistance is made up is said in ``notes``.
    """
    out: dict[str, Estimate] = {}
    if circuit.wire_awg is not None and circuit.wire_length_m is not None:
        r = wire_ohm(circuit.wire_awg, circuit.wire_length_m, procedure.wire_temperature_c)
        out["wire_resistance_ohm"] = wire = estimate(r, rectangular(_WIRE_SHARE * r), "ohm")
        for word, name in (("rms", "rms_current_a"), ("peak", "peak_current_a")):
            if name in quantities:
                out[f"wire_drop_{word}_v"] = _product(wire, quantities[name], 1, "V")
                out[f"wire_heat_{word}_w"] = _product(wire, quantities[name], 2, "W")
    elif circuit.wire_awg is not None or circuit.wire_length_m is not None:
        notes.append("The wire needs both wire_awg and wire_length_m in the register for its drop and heating.")
    if note := _shares(circuit, quantities, out.get("wire_resistance_ohm")):
        notes.append(note)
    lowest = quantities.get("voltage_min_v")
    if circuit.regulator_out_v is not None and lowest and (lowest.value or 0.0) < circuit.regulator_out_v:
        notes.append(
            f"The supply falls to {lowest.value:.4g} V, below the regulator's output of {circuit.regulator_out_v:g} V: "
            "it cannot hold its output there."
        )
    return out | _regulator(circuit, quantities)


def _product(r: Estimate, i: Estimate, power: int, unit: str) -> Estimate:
    """R I or R I^2 with first-order uncertainty (JCGM 100, 5.1.2)."""
    if r.value is None or i.value is None:
        return Estimate(value=None, unit=unit)
    value = r.value * i.value**power
    return estimate(
        value, combine(i.value**power * (r.u or 0.0), power * r.value * i.value ** (power - 1) * (i.u or 0.0)), unit
    )


def _shares(circuit: Circuit, quantities: Mapping[str, Estimate], wire: Estimate | None) -> str | None:
    source = quantities.get("source_resistance_ohm")
    known = [("wire", wire.value if wire else None), ("connectors", circuit.connector_ohm)]
    parts = [(name, value) for name, value in known if value is not None]
    if source is None or not source.value or not parts:
        return None
    rest = source.value - sum(value for _, value in parts)
    if rest < -2 * (source.u or 0.0):
        return (
            "Wire and connectors as declared resist more than the whole source: the voltage was read before them, or "
            "they are declared wrongly."
        )
    said = ", ".join(f"{name} {1e3 * value:.3g} mohm" for name, value in parts)
    return (
        f"Of the source resistance of {1e3 * source.value:.4g} mohm: {said}, pack and what is not declared "
        f"{1e3 * rest:.3g} mohm, if the voltage was read behind them."
    )


def _regulator(circuit: Circuit, quantities: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Mean loss (from energy and charge, so that voltage and current are taken together) and loss at peak current."""
    charge, energy = quantities.get("charge_mah"), quantities.get("energy_wh")
    mean, peak = quantities.get("mean_current_a"), quantities.get("peak_current_a")
    volts = quantities.get("voltage_mean_v")
    out_v = circuit.regulator_out_v
    if out_v is None or not charge or not energy or not mean or not peak or not volts or not charge.value:
        return {}
    hours = charge.value / 1e3 / mean.value if mean.value else 0.0
    loss = (energy.value or 0.0) / hours - out_v * (mean.value or 0.0) if hours else 0.0
    at_peak = linear_regulator_loss_w(volts.value or 0.0, out_v, peak.value or 0.0)
    drop = max((volts.value or 0.0) - out_v, 0.0)
    return {
        "regulator_loss_w": estimate(
            max(loss, 0.0), combine(drop * (mean.u or 0.0), (mean.value or 0.0) * (volts.u or 0.0)), "W"
        ),
        "regulator_loss_peak_w": estimate(
            at_peak, combine(drop * (peak.u or 0.0), (peak.value or 0.0) * (volts.u or 0.0)), "W"
        ),
    }
