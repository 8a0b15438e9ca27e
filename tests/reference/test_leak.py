"""Leak rates against published and recomputed values; the source stands beside each."""

import csv
import math
from pathlib import Path

import pytest

from benchlab.tank.leak import (
    MU_AIR,
    MU_LIQUID,
    PATH_M,
    R,
    equivalent_bore_um,
    liquid_weep_ml_h,
    mol_per_s,
    molar_leak,
    standard_ml_min,
    throughput,
)


def test_leak_verification_example_of_40_cfr_1065_644():
    # 40 CFR 1065.644 example: V 0.00200 m3, 25300 Pa to 50600 Pa at 293.15 K in 70 s (inputs read on mirrored pages);
    # printed result 0.00030 mol/s from memory; recomputed 2.965705e-4 with R = 8.314472. Sign there: a rise.
    rate = -molar_leak(0.00200, (25300.0, 293.15), (50600.0, 293.15), 70.0)
    assert rate == pytest.approx(2.965705e-4, rel=2e-6)  # the gas constant of 2010 differs by 1e-6
    assert round(rate, 5) == 0.00030


def test_half_a_kelvin_doubles_an_apparent_leak():
    # computed case: 250 mL, 121325 to 121125 Pa in 300 s at 293.15 K: 1.666667e-4 Pa m3/s; with the gas then at
    # 293.65 K it is 3.385337e-4 Pa m3/s, 1.3889218e-7 mol/s
    assert throughput(250e-6, 200 / 300, 293.15) == pytest.approx(1.666667e-4, rel=1e-6)
    warmer = molar_leak(250e-6, (121325.0, 293.15), (121125.0, 293.65), 300.0)
    assert warmer == pytest.approx(1.3889218e-7, rel=1e-6)
    assert warmer * R * 293.15 == pytest.approx(3.385337e-4, rel=1e-6)


def test_standard_millilitres_refer_to_0_c_and_101_325_kpa():
    # computed: 1 standard cm3/min (0 C) is 7.4358389e-7 mol/s, 1.8124000e-3 Pa m3/s of gas at 20 C
    assert standard_ml_min(1.8124e-3) == pytest.approx(1.0, rel=1e-6)
    assert mol_per_s(1.8124e-3) == pytest.approx(7.4358389e-7, rel=1e-5)
    # 1 umol/s = 1.3448 standard cm3/min (abstracts of the national metrology institute, second-hand)
    assert standard_ml_min(1e-6 * R * 293.15) == pytest.approx(1.3448, abs=5e-5)


def test_liquid_weep_and_bore_of_the_worked_case():
    # computed: 121325 to 101325 Pa, 20 C, 1 atm cm3/min = 1.68875e-3 Pa m3/s: n-dodecane (1488.53 uPa s) 667.92 mm3/h,
    # bore 48.70 um for a path of 10 mm (air 18.2057 uPa s there, 18.21 here: 0.02 %)
    assert liquid_weep_ml_h(1.68875e-3, 121325, 101325, mu=1.48853e-3) == pytest.approx(0.66792, rel=5e-4)
    assert equivalent_bore_um(1.68875e-3, 121325, 101325) == pytest.approx(48.70, rel=5e-4)


LEAK = Path(__file__).parent / "leak"
PRESSURE_PA = {
    "mbar": 100.0, "bar": 1e5, "kPa": 1e3, "atm": 101325.0, "Torr": 101325 / 760,
    "psi": 0.45359237 * 9.80665 / 0.0254**2,
}  # fmt: skip
VOLUME_M3 = {"L": 1e-3, "cm3": 1e-6, "in3": 0.0254**3}
TIME_S = {"s": 1.0, "min": 60.0}


def table(name: str) -> list[dict[str, str]]:
    with (LEAK / name).open() as f:
        return list(csv.DictReader(f))


@pytest.mark.parametrize("row", table("leak_units_to_Pa_m3_s.csv"), ids=lambda r: r["unit"])
def test_a_vessel_of_one_unit_that_loses_one_unit_leaks_one_unit(row):
    # exact definitions (international foot and pound, atmosphere, torr); the table has eight digits
    p, v, t = row["unit"].replace("/", "*").split("*")
    assert throughput(VOLUME_M3[v], PRESSURE_PA[p] / TIME_S[t], 293.15) == pytest.approx(
        float(row["Pa_m3_s_per_unit"]), rel=1e-7
    )


@pytest.mark.parametrize("row", table("std_cm3_per_min_to_mol_s.csv"), ids=lambda r: r["std_T_C"])
def test_the_standard_cubic_centimetre_depends_on_its_reference_temperature(row):
    # one cm3 of gas per minute at 101.325 kPa and the stated temperature (computed from the molar gas constant)
    q = throughput(1e-6, 101325 / 60, float(row["std_T_C"]) + 273.15)
    assert mol_per_s(q) == pytest.approx(float(row["mol_s_per_std_cm3_min"]), rel=1e-7)


def test_a_standard_millilitre_at_0_c_is_7_percent_more_gas_than_at_20_c():
    at_0, at_20 = throughput(1e-6, 101325 / 60, 273.15), throughput(1e-6, 101325 / 60, 293.15)
    assert standard_ml_min(at_0) == pytest.approx(1.0, rel=1e-12)
    assert at_0 / at_20 - 1 == pytest.approx(0.073, abs=5e-4)


def test_worked_case_in_atmospheres_and_what_a_kelvin_does():
    # computed: 250 mL, 200 Pa in 300 s = 0.0986923 atm cm3/min; a sealed vessel at 121325 Pa and 293.15 K moves by
    # 413.867 Pa per kelvin
    assert throughput(250e-6, 200 / 300, 293.15) / 1.68875e-3 == pytest.approx(0.0986923, rel=1e-6)
    still = molar_leak(250e-6, (121325.0, 293.15), (121325.0 + 413.867, 294.15), 1.0)
    assert still * R * 293.15 / 250e-6 == pytest.approx(0.0, abs=1e-3)


def test_viscosities_against_reference_equations_of_state():
    # CoolProp at 20 C and 101325 Pa: air 18.20568 uPa s (Lemmon and Jacobsen 2004), n-decane 913.499 uPa s
    assert pytest.approx(18.20568e-6, rel=5e-4) == MU_AIR
    assert pytest.approx(913.499e-6, rel=5e-5) == MU_LIQUID


@pytest.mark.parametrize(("mu", "ml_h"), [(1.48853e-3, 0.66792), (0.585278e-3, 1.69871)])
def test_weep_of_a_thick_and_of_a_thin_liquid(mu, ml_h):
    # computed worked case: n-dodecane 667.92 mm3/h, methanol 1698.71 mm3/h
    assert liquid_weep_ml_h(1.68875e-3, 121325, 101325, mu=mu) == pytest.approx(ml_h, rel=5e-4)
    # as V' = pi d^4 dp / (128 mu L) through the equivalent bore
    bore = equivalent_bore_um(1.68875e-3, 121325, 101325) * 1e-6
    poiseuille = math.pi * bore**4 * 20000 / (128 * mu * PATH_M)
    assert poiseuille * 3600e6 == pytest.approx(ml_h, rel=5e-4)


def test_the_equivalent_bore_is_laminar_and_continuous():
    # computed worked case: Re 29, Kn 0.0014 for 1 atm cm3/min through 48.70 um; mass flow = M q / (R T)
    q, bore = 1.68875e-3, equivalent_bore_um(1.68875e-3, 121325, 101325) * 1e-6
    mass = mol_per_s(q) * 28.96546e-3
    assert 4 * mass / (math.pi * bore * MU_AIR) == pytest.approx(29, abs=0.5)
    mean_free_path = MU_AIR / 111325 * math.sqrt(math.pi * R * 293.15 / (2 * 28.96546e-3))  # at the mean pressure
    assert mean_free_path / bore == pytest.approx(0.0014, abs=2e-4)
