"""Size of the real-gas error that a tank's ideal gas law neglects, from CIPM-2007 (Picard et al., Metrologia 45, 149).

Constants read second-hand in two transcriptions of the paper, not in the paper. Densities of a published table and of a
mass laboratory's worked examples are second-hand too (leak/SOURCE.md); those of CoolProp were computed with it.
"""

import csv
import math
from pathlib import Path

import pytest

A0, A1, A2, D = 1.58123e-6, -2.9331e-8, 1.1043e-10, 1.83e-11
B0, B1, C0, C1, E = 5.707e-6, -2.051e-8, 1.9898e-4, -2.376e-6, -0.765e-8
MOLAR_MASS, WATER_MASS, R = 28.96546e-3, 18.01528e-3, 8.314472
MMHG = 133.322387415  # conventional millimetre of mercury, Pa


def compressibility(p_pa: float, celsius: float, x_v: float = 0.0) -> float:
    q, t = p_pa / (celsius + 273.15), celsius
    of_air = A0 + A1 * t + A2 * t**2 + (B0 + B1 * t) * x_v + (C0 + C1 * t) * x_v**2
    return 1 - q * of_air + q**2 * (D + E * x_v**2)


def vapour_share(p_pa: float, celsius: float, humidity: float) -> float:
    """Mole fraction of water vapour of air of a relative humidity of 0 to 1."""
    kelvin = celsius + 273.15
    saturated = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    return humidity * (1.00062 + 3.14e-8 * p_pa + 5.6e-7 * celsius**2) * saturated / p_pa


def ideal_density(p_pa: float, celsius: float, x_v: float) -> float:
    return p_pa * MOLAR_MASS / (R * (celsius + 273.15)) * (1 - x_v * (1 - WATER_MASS / MOLAR_MASS))


def density(p_pa: float, celsius: float, humidity: float) -> float:
    x_v = vapour_share(p_pa, celsius, humidity)
    return ideal_density(p_pa, celsius, x_v) / compressibility(p_pa, celsius, x_v)


def rows() -> list[dict[str, float | str]]:
    with (Path(__file__).parent / "leak" / "moist_air_density.csv").open() as f:
        return list(csv.DictReader(f))


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['t_C']} C {r['p_mmHg']} mmHg {r['rh_percent']} %")
def test_density_of_moist_air(row):
    # recomputed with this formula elsewhere, five digits; printed tables use older constants: 1e-4
    p, t, h = float(row["p_mmHg"]) * MMHG, float(row["t_C"]), float(row["rh_percent"]) / 100
    assert density(p, t, h) == pytest.approx(float(row["rho_cipm2007_recomputed_kg_m3"]), abs=1.1e-5)
    assert density(p, t, h) == pytest.approx(float(row["rho_published_kg_m3"]), rel=1e-4)
    # the ideal gas law, of one and the same moist air, is low by a thousandth at most
    assert 0 < density(p, t, h) / ideal_density(p, t, vapour_share(p, t, h)) - 1 < 1e-3


@pytest.mark.parametrize(
    ("p_pa", "celsius", "humidity", "coolprop"),
    [
        (730 * MMHG, 10.0, 0.40, 1.19574), (760 * MMHG, 40.0, 0.40, 1.11508), (748.1 * MMHG, 22.3, 0.37, 1.17204),
        (612.3 * MMHG, 23.4, 0.23, 0.95634), (101325.0, 20.0, 0.50, 1.199359), (101325.0, 20.0, 0.0, 1.204603),
    ],
)  # fmt: skip
def test_two_formulas_of_real_moist_air_agree(p_pa, celsius, humidity, coolprop):
    # CoolProp's humid air lies 3.8e-5 above CIPM-2007 throughout; its five printed digits add 5e-6
    assert coolprop / density(p_pa, celsius, humidity) - 1 == pytest.approx(3.8e-5, abs=1e-5)


def test_moisture_shut_in_with_the_gas_leaves_the_retained_fraction_alone():
    # x_v stays as it was sealed: it enters amount = p / Z only through dZ, a thousandth of dZ itself
    for humidity in (0.0, 0.5, 1.0):
        x_v = vapour_share(101325, 20, humidity)
        z = [compressibility(p, 20, x_v) for p in (120e3, 110e3, 100e3)]
        ideal, real = 0.5, (110e3 / z[1] - 100e3 / z[2]) / (120e3 / z[0] - 100e3 / z[2])
        assert abs(real - ideal) < 1e-3


def test_density_of_dry_air_at_20_c():
    # our own recomputation of the published formula: 1.204557 kg/m3; the ideal gas is 0.04 % low (1.204127)
    ideal = 101325 * MOLAR_MASS / (R * 293.15)
    assert ideal == pytest.approx(1.204127, abs=1e-6)
    assert ideal / compressibility(101325, 20) == pytest.approx(1.204557, abs=1e-6)


def test_neglecting_the_real_gas_moves_the_retained_fraction_by_less_than_a_thousandth():
    # gas amount is p / Z: from 120 to 100 kPa absolute at 20 C the loss is off by dZ = 7e-5 of the amount
    start, atmosphere = 120e3, 100e3
    assert abs(compressibility(start, 20) - compressibility(atmosphere, 20)) < 8e-5
    for end in (104e3, 110e3, 116e3, 119e3):
        z0, z1, za = (compressibility(p, 20) for p in (start, end, atmosphere))
        ideal = (end - atmosphere) / (start - atmosphere)
        real = (end / z1 - atmosphere / za) / (start / z0 - atmosphere / za)
        assert abs(real - ideal) < 1e-3
