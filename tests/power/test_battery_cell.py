"""Logs recorded by a real cell cycler (open data, see tests/real_logs/SOURCE.md) against what is stated of them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from benchlab.airframe import Pack
from benchlab.power.analyse import analyse_circuit
from benchlab.power.budget import analyse_pack

FOLDER = Path(__file__).parents[1] / "real_logs" / "cell"
TIME, CURRENT, VOLTAGE = 1, 8, 9


def analysed(name, header, procedure):
    raw = pd.read_csv(FOLDER / name, header=header)
    t, i, v = (raw.iloc[:, k].astype(float) for k in (TIME, CURRENT, VOLTAGE))
    frame = pd.DataFrame({"time_s": t - t.iloc[0], "segment": 0, "current_a": i, "voltage_v": v})
    return analyse_circuit([frame], Pack(id="cell"), procedure)


@pytest.fixture(scope="module")
def pulses(procedure):
    return analysed("pulses_25C.csv.gz", 0, procedure).result


@pytest.fixture(scope="module")
def one_c(procedure):
    return analysed("discharge_1C.csv.gz", None, procedure)


@pytest.fixture(scope="module")
def discharges(one_c):
    return one_c.result


def test_charge_out_of_the_pulse_log(pulses):
    # stated: 31.2 Ah; half of its last digit
    assert pulses.quantities["discharged_mah"].value == pytest.approx(31_200, abs=50)


def test_charge_out_of_four_discharges(discharges):
    # stated: 121.3 Ah; half of its last digit
    assert discharges.quantities["discharged_mah"].value == pytest.approx(121_300, abs=50)


def test_four_full_discharges(one_c, procedure):
    runs = one_c.tables["discharges"]
    # stated: four of 30.3 Ah each; half of the last digit
    assert list(runs["charge_mah"]) == pytest.approx([30_300] * 4, abs=50)
    assert runs["emptied"].all()
    pack = analyse_pack(Pack(id="cell"), [], [], None, procedure, one_c).result
    assert pack.quantities["capacity_mah"].value == pytest.approx(30_300, abs=50)


def test_prompt_resistance_of_the_pulses(pulses):
    truth = pd.read_csv(FOLDER / "pulses_25C_truth.csv")["R0_mohm"]
    r = pulses.quantities["source_resistance_ohm"]
    # the ten pulses lie between 1.53 and 1.77 mohm, read to 1 mV / 30 A = 0.033; their mean within that step
    assert 1e3 * r.value == pytest.approx(truth.mean(), abs=0.033)
    assert r.u < 0.033e-3


@pytest.mark.parametrize("log", ["pulses", "discharges"])
def test_the_sign_is_found_from_the_voltage(log, request):
    result = request.getfixturevalue(log)
    assert any("sign was reversed" in n for n in result.notes)
    assert result.quantities["source_resistance_ohm"].value > 0


def test_no_false_events(pulses, discharges):
    for result in (pulses, discharges):
        assert {e.kind for e in result.events} <= {"gap"}
    # the nine ends of discharge after which a minute passed before the next row, and only those
    assert len(pulses.events) == 9
