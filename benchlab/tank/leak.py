"""Leak rates in the trade's terms, and what they would mean for a liquid."""

from __future__ import annotations

import math

T_REF = 293.15
"""Temperature (K) to which the throughput is referred: 20 C."""
T_STANDARD = 273.15
P_STANDARD = 101325.0
"""Reference of the standard millilitre: 0 C and 101.325 kPa."""
R = 8.314462618
"""Molar gas constant, J/(mol K) (SI, exact to the digits given)."""
MU_AIR = 18.21e-6
"""Viscosity of air at 20 C and 101.325 kPa, Pa s."""
MU_LIQUID = 0.9135e-3
"""Viscosity of n-decane at 20 C, Pa s: a thin fuel, so that the bound holds for thicker ones too."""
PATH_M = 0.010
"""Length of the path assumed for the equivalent bore."""


def throughput(volume_m3: float, slope_pa_s: float, gas_k: float) -> float:
    """Leak rate in Pa m3/s at 20 C of a vessel that loses ``slope_pa_s`` at the gas temperature ``gas_k``.

    V dp/dt is the throughput at the gas's own temperature; the same amount of gas at 20 C takes T_ref / T of it.
    """
    return volume_m3 * slope_pa_s * T_REF / gas_k


def standard_ml_min(throughput_pa_m3_s: float) -> float:
    """Millilitres per minute at 0 C and 101.325 kPa of a throughput in Pa m3/s at 20 C."""
    return throughput_pa_m3_s / P_STANDARD * T_STANDARD / T_REF * 60e6


def mol_per_s(throughput_pa_m3_s: float) -> float:
    """Amount of gas per second of a throughput at 20 C."""
    return throughput_pa_m3_s / (R * T_REF)


def molar_leak(volume_m3: float, first: tuple[float, float], last: tuple[float, float], seconds: float) -> float:
    """Loss of gas in mol/s between two states (absolute Pa, K) of a rigid vessel (40 CFR 1065.644).

    Positive where gas is lost.
    """
    return volume_m3 / R * (first[0] / first[1] - last[0] / last[1]) / seconds


def liquid_weep_ml_h(throughput_pa_m3_s: float, inside_pa: float, outside_pa: float, mu: float = MU_LIQUID) -> float:
    """Liquid (mL/h) that the same laminar path would pass between the same absolute pressures: an upper bound.

    V' = q 2 mu_gas / (mu_liquid (p1 + p2)), from Poiseuille flow of a gas and of a liquid through one path.
    """
    return throughput_pa_m3_s * 2 * MU_AIR / (mu * (inside_pa + outside_pa)) * 3600e6


def equivalent_bore_um(throughput_pa_m3_s: float, inside_pa: float, outside_pa: float) -> float:
    """Bore (um) of one straight round path of 10 mm that passes this throughput in laminar flow."""
    driving = math.pi * (inside_pa**2 - outside_pa**2)
    return float((256 * MU_AIR * PATH_M * max(throughput_pa_m3_s, 0.0) / driving) ** 0.25 * 1e6)
