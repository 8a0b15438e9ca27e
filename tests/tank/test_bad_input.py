"""Bad input of a pressure hold: a clear reason, retest, nothing guessed."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank

PROCEDURE = load_procedures().tank
TANK = Tank(id="T1", volume_ml=1900, volume_u_ml=15, max_pressure_kpa=15)


def frame(**changes) -> pd.DataFrame:
    scenario = Scenario(**{"sampling_s": 20.0} | changes)
    leak = leak_rate_for(scenario, 0.95, 4.0)
    return simulate_hold(dataclasses.replace(scenario, leak_rate_pa_m3_s=leak), np.random.default_rng(1)).frame


def scaled(factor: float) -> pd.DataFrame:
    good = frame()
    return good.assign(pressure_kpa=factor * good["pressure_kpa"])


def judged(log: pd.DataFrame) -> tuple[str, str, set[str]]:
    r = analyse_tank([log], TANK, PROCEDURE).result
    return r.verdict, " ".join(f.reason for f in r.findings if f.verdict == "retest"), set(r.quantities)


@pytest.mark.parametrize(
    ("factor", "reason"),
    [(-1.0, "negative"), (1 / 6.894757, "psi"), (6.894757, "kPa read as psi")],
)
def test_a_wrong_sign_or_unit_is_named_and_no_number_is_given(factor, reason):
    verdict, why, quantities = judged(scaled(factor))
    assert verdict == "retest"
    assert reason in why
    assert not quantities


@pytest.mark.parametrize("sampling_s", [5.0, 20.0, 30.0])  # at 30 s one reading alone shows pressure
def test_a_tank_that_never_seals_is_told_so(sampling_s):
    verdict, why, quantities = judged(frame(sealed=False, sampling_s=sampling_s))
    assert verdict == "retest"
    assert "never sealed" in why
    assert not quantities


def test_a_tank_vented_half_way_is_to_be_held_again():
    verdict, why, _ = judged(frame(vented_h=2.0))
    assert verdict == "retest"
    assert "vanished" in why


def test_readings_by_hand_of_a_tank_vented_half_way_are_to_be_repeated():
    log = pd.DataFrame({"time_s": [0.0, 3600, 7200, 10800, 14400], "pressure_kpa": [10.0, 9.9, 9.8, 0.0, 0.0]})
    verdict, why, _ = judged(log)
    assert verdict == "retest"
    assert "vanished" in why


def test_pressure_above_the_limit_names_both_pressures():
    verdict, why, _ = judged(frame(overpressure_kpa=18.0))
    assert verdict == "retest"
    assert "above the tank's stated 15 kPa" in why


def test_without_the_volume_a_limit_on_the_leak_rate_cannot_be_judged():
    limited = Tank(id="T1", limits={"leak_rate_pa_m3_s": {"value": {"upper": 1e-3, "source": "own"}}})
    r = analyse_tank([frame()], limited, PROCEDURE).result
    assert r.verdict == "retest"
    assert "leak_rate_pa_m3_s" not in r.quantities
    assert any("the register gives no volume_ml" in f.reason for f in r.findings if f.verdict == "retest")


@pytest.mark.parametrize("log", [None, "reversed"])
def test_words_do_not_save_a_log_that_shows_nothing(log):
    words = Tank(id="T1", volume_ml=1900, observation="still under pressure after 4 h")
    tables = [] if log is None else [scaled(-1.0)]
    assert analyse_tank(tables, words, PROCEDURE).result.verdict == "retest"
