"""Every accepted unit spelling's factor against pint, a general units library."""

from __future__ import annotations

import math

import pytest

from benchlab.logs import units

pint = pytest.importorskip("pint")

# what pint calls the first spelling of each line of the table
PINT = {
    "s": "s", "ms": "ms", "us": "us", "ns": "ns", "min": "minute", "h": "hour", "d": "day",
    "A": "A", "mA": "mA", "uA": "uA", "V": "V", "mV": "mV", "uV": "uV",
    "deg": "degree", "rad": "radian", "mrad": "milliradian", "turn": "turn", "arcmin": "arcminute",
    "kPa": "kPa", "Pa": "Pa", "hPa": "hPa", "MPa": "MPa", "bar": "bar", "psi": "psi", "atm": "atm", "torr": "torr",
    "mmHg": "mmHg", "inHg": "inHg", "mmH2O": "mmH2O", "cmH2O": "cmH2O", "inH2O": "inH2O",
    "C": "degC", "K": "kelvin", "F": "degF", "mbar": "mbar",
}  # fmt: skip
CANONICAL = {"s": "s", "us": "us", "A": "A", "V": "V", "deg": "degree", "kPa": "kPa", "C": "degC"}
WATER_4C = {"mmH2O", "cmH2O", "inH2O"}


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


def lines() -> list[tuple[str, str, units.Unit]]:
    """One spelling for each distinct conversion of the table."""
    out = []
    for canonical, table in units.TABLE.items():
        seen = set()
        for spelling, unit in table.items():
            if canonical != "1" and (unit.factor, unit.offset) not in seen:
                seen.add((unit.factor, unit.offset))
                out.append((canonical, spelling, unit))
    return out


@pytest.mark.parametrize(("canonical", "spelling", "unit"), lines(), ids=lambda x: str(x))
def test_factor_agrees_with_a_units_library(registry, canonical: str, spelling: str, unit: units.Unit) -> None:
    if spelling in {"mmH2O", "cmH2O", "inH2O"}:
        expected = (
            registry.Quantity(1.0, "m") * registry.Quantity(1000.0, "kg/m^3") * registry.Quantity(9.80665, "m/s^2")
        )
        length = {"mmH2O": 1e-3, "cmH2O": 1e-2, "inH2O": 25.4e-3}[spelling]
        assert math.isclose(unit.factor, expected.to("kPa").magnitude * length, rel_tol=1e-12)
        return
    for logged in (0.0, 1.0, 37.5):
        ours = unit.factor * logged + unit.offset
        theirs = registry.Quantity(logged, PINT[spelling]).to(CANONICAL[canonical]).magnitude
        assert math.isclose(ours, theirs, rel_tol=1e-6, abs_tol=1e-9)  # mmHg: pint carries fewer digits


def test_all_spellings_of_one_conversion_are_the_same_unit_to_the_library_where_it_knows_them(registry) -> None:
    # spellings that the library reads as something else (see its case rules) or not at all
    other = {"Std", "std", "S", "MS", "a", "c", "f", "k", "C", "F", "h", "d", "grad", "Grad", "pa", "US", "uS", "rev"}
    for canonical, table in units.TABLE.items():
        for spelling, unit in table.items():
            if canonical == "1" or spelling in other:
                continue
            try:
                theirs = registry.Quantity(10.0, spelling).to(CANONICAL[canonical]).magnitude
            except Exception:  # not a spelling of the library
                continue
            # water columns: the library takes water at 4 C (999.972 kg/m3), the table 1000 kg/m3
            assert math.isclose(unit.factor * 10 + unit.offset, theirs, rel_tol=5e-5), spelling


@pytest.mark.parametrize(
    ("channel", "spelling"),
    [("current_a", "V"), ("pressure_kpa", "A"), ("temperature_c", "kPa"), ("current_a", "MA"), ("time_s", "A"),
     ("position_deg", "V"), ("pressure_kpa", "mpa"), ("voltage_v", "MV"), ("current_a", "counts")],
)  # fmt: skip
def test_a_unit_that_does_not_fit_is_refused(channel: str, spelling: str) -> None:
    assert units.convert(channel, spelling) is None
