"""Pressure holds from a simulator that counts gas, not from the fitted formula: verdicts and honest intervals."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.results import PartResult
from benchlab.simulate.tank import Scenario, SimulatedHold, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank

PROCEDURE = load_procedures().tank
TANK = Tank(id="T1", volume_ml=1900, volume_u_ml=15, max_pressure_kpa=15)


def hold(retained: float = 0.95, seed: int = 1, **changes) -> SimulatedHold:
    scenario = dataclasses.replace(Scenario(sampling_s=20.0), **changes)
    leak = leak_rate_for(scenario, retained, 4.0)
    return simulate_hold(dataclasses.replace(scenario, leak_rate_pa_m3_s=leak), np.random.default_rng(seed))


def judged(frame: pd.DataFrame, tank: Tank = TANK) -> PartResult:
    return analyse_tank([frame], tank, PROCEDURE).result


def test_a_tight_tank_is_accepted_and_a_leaking_one_rejected():
    assert judged(hold(0.95).frame).verdict == "accept"
    assert judged(hold(0.50).frame).verdict == "reject"


def test_the_leak_rate_lies_near_the_true_one():
    made = hold(0.90)
    found = judged(made.frame).quantities["leak_rate_pa_m3_s"]
    # 4 standard uncertainties: exceeded once in 16 000 seeds
    assert abs(found.value - made.truth.leak_rate_pa_m3_s) < 4 * found.u


def test_a_gauge_and_an_absolute_sensor_tell_the_same():
    gauge, absolute = judged(hold(0.90).frame), judged(hold(0.90, absolute=True).frame)
    a, b = (r.quantities["retained_fraction"] for r in (gauge, absolute))
    assert abs(a.value - b.value) < 4 * np.hypot(a.u, b.u)


def test_without_thermometer_and_barometer_the_interval_is_wider():
    full, blind = judged(hold().frame), judged(hold(temperature=False, barometer=False).frame)
    assert blind.quantities["retained_fraction"].u > 2 * full.quantities["retained_fraction"].u


def test_without_volume_the_leak_rate_is_not_measured_but_the_tank_is_judged():
    r = judged(hold().frame, Tank(id="T1"))
    assert "leak_rate_pa_m3_s" not in r.quantities
    assert "leak_rate_pa_m3_s" in {n.quantity for n in r.not_measured}
    assert r.verdict == "accept"


def test_pressure_above_the_stated_limit_is_an_event_and_a_retest():
    r = judged(hold(overpressure_kpa=18.0).frame)
    assert "overpressure" in {e.kind for e in r.events}
    assert r.verdict == "retest"


def test_a_few_readings_by_hand_are_a_valid_log():
    assert "retained_fraction" in judged(hold(readings=6).frame).quantities


@pytest.mark.parametrize("changes", [{"sealed": False}, {"vented_h": 0.02}])
def test_a_tank_that_never_held_long_is_not_accepted(changes):
    assert judged(hold(**changes).frame).verdict != "accept"


def test_what_the_procedure_requires_and_the_log_lacks_is_a_retest():
    strict = PROCEDURE.model_copy(update={"required": [["retained_fraction"], ["barometer_kpa"]]})
    r = analyse_tank([hold(barometer=False).frame], TANK, strict).result
    assert [f.quantity for f in r.findings if f.aspect == "required"] == ["barometer_kpa"]
    assert r.verdict == "retest"
    assert analyse_tank([hold().frame], TANK, strict).result.verdict == "accept"


def test_the_hold_must_be_as_long_as_its_uncertainty_asks_for():
    assert "length" not in {f.aspect for f in judged(hold().frame).findings}
    short = next(f for f in judged(hold(hold_h=0.3, temperature=False).frame).findings if f.aspect == "length")
    assert short.value < short.lower
    assert short.verdict == "retest"


def test_words_alone_are_evidence_but_no_number():
    words = Tank(id="T1", observation="still under pressure after 4 h")
    r = analyse_tank([], words, PROCEDURE).result
    assert r.verdict == "retest"
    assert any("still under pressure after 4 h" in note for note in r.notes)
