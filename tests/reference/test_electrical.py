"""Copper wire against published tables; the source and how it was read stand beside each check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchlab.power.wiring import PER_KELVIN, RESISTIVITY_20C_OHM_M, awg_diameter_mm, copper_ohm_per_m

TABLE = pd.read_csv(Path(__file__).parent / "electrical" / "awg_copper.csv")
FOOT_M = 0.3048


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"AWG {r.awg}")
def test_resistance_of_a_thousand_feet_as_in_the_published_table(row):
    # university physics table, read in a mirrored copy (2nd); it rounds the diameter: worst difference 2.5e-4
    ohm_per_kft = copper_ohm_per_m(row.awg) * 1000 * FOOT_M
    assert ohm_per_kft == pytest.approx(row.ohm_per_kft_20C_table, rel=5e-4)


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda r: f"AWG {r.awg}")
def test_diameter_as_in_the_published_table(row):
    # the same table gives inches to five decimals (2nd); half of the last digit
    assert awg_diameter_mm(row.awg) / 25.4 == pytest.approx(row.d_in_table, abs=0.6e-5)


def test_gauge_36_and_4_0_define_the_scale():
    # ASTM B258 (2nd): 0.0050 in at gauge 36 and 0.4600 in at 4/0 are exact
    assert awg_diameter_mm(36) == pytest.approx(0.0050 * 25.4, rel=1e-12)
    assert awg_diameter_mm(-3) == pytest.approx(0.4600 * 25.4, rel=1e-12)


def test_resistivity_of_annealed_copper():
    # IEC 60028 (2nd): 0.017241 ohm mm2/m at 20 C, five digits
    assert pytest.approx(0.017241e-6, abs=0.5e-12) == RESISTIVITY_20C_OHM_M
    # NBS copper wire tables (memory): 0.15328 ohm g/m2 at 8.89 g/cm3; agrees to the digits given
    assert pytest.approx(0.15328 / 8.89e6, rel=5e-5) == RESISTIVITY_20C_OHM_M


def test_temperature_coefficient():
    # 0.00393 /K at 20 C (2nd): +15.72 % at 60 C, and zero resistance at -234.45 C
    assert copper_ohm_per_m(20, 60.0) / copper_ohm_per_m(20, 20.0) == pytest.approx(1.1572, abs=1e-12)
    zero_c = 20 - 1 / PER_KELVIN
    assert zero_c == pytest.approx(-234.45, abs=0.005)
    assert np.isclose(copper_ohm_per_m(22, 20 - 1 / PER_KELVIN), 0, atol=1e-12)
