"""Copper wire by gauge, length and temperature: resistance, drop, heating; loss of a linear regulator."""

from __future__ import annotations

import math

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
