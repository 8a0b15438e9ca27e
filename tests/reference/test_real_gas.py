"""Size of the real-gas error that a tank's ideal gas law neglects, from CIPM-2007 (Picard et al., Metrologia 45, 149).

Constants read second-hand in two transcriptions of the paper, not in the paper; dry air, so terms in x_v fall away.
"""

import pytest

A0, A1, A2, D = 1.58123e-6, -2.9331e-8, 1.1043e-10, 1.83e-11
MOLAR_MASS, R = 28.96546e-3, 8.314472


def compressibility(p_pa: float, celsius: float) -> float:
    q = p_pa / (celsius + 273.15)
    return 1 - q * (A0 + A1 * celsius + A2 * celsius**2) + D * q**2


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
