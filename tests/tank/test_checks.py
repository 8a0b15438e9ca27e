"""The ratios and the hold-test form that standards ask for: notes, never verdicts."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank
from benchlab.tank.checks import accuracy_note, allowed_change
from benchlab.tank.numbers import Rate

PROCEDURE = load_procedures().tank


def result(retained: float, **changes):
    scenario = Scenario(sampling_s=20.0, **changes)
    leak = leak_rate_for(scenario, retained, 4.0)
    frame = simulate_hold(dataclasses.replace(scenario, leak_rate_pa_m3_s=leak), np.random.default_rng(1)).frame
    return analyse_tank([frame], Tank(id="T1", volume_ml=1900), PROCEDURE).result


def test_a_tank_at_its_limit_may_lose_what_the_limit_leaves_over():
    # 10 kPa, 0.8 after 4 h: 2 kPa in 4 h, 3.6 kPa in 8 h
    assert allowed_change(10.0, 0.8, 4.0, 4.0) == pytest.approx(2.0)
    assert allowed_change(10.0, 0.8, 4.0, 8.0) == pytest.approx(3.6)


def test_the_change_over_the_hold_is_told_with_its_length():
    frame = pd.DataFrame({"time_s": [0.0, 7200.0, 14400.0], "pressure_kpa": [10.0, 9.4, 8.8]})
    r = analyse_tank([frame], Tank(id="T1"), PROCEDURE).result
    note = next(n for n in r.notes if n.startswith("Over the hold"))
    lost, hours, u = re.search(r"lost (\S+) kPa in (\S+) h .* at most (\S+) kPa", note).groups()
    assert hours == "4"
    # the fitted curve, not the two readings: they agree within its uncertainty
    assert abs(float(lost) - 1.2) < 2 * float(u)


def test_a_coarse_gauge_is_noted_and_a_fine_one_not():
    # 0.3 h at the limit: 10 (1 - 0.8**0.075) = 0.17 kPa, 17 steps of 0.01 kPa and less than two of 0.1 kPa
    assert any("ten times finer" in n for n in result(0.95, hold_h=0.3, resolution_kpa=0.1).notes)
    assert not any("ten times finer" in n for n in result(0.95, hold_h=0.3, resolution_kpa=0.01).notes)


def test_a_change_beyond_a_tenth_is_noted_and_does_not_judge():
    stiff = {"creep_share": 0.0, "heating_share": 0.0}
    fell, stood = result(0.85, **stiff), result(0.97, **stiff)
    assert any("of the start pressure; ASTM E2930" in n for n in fell.notes)
    assert not any("of the start pressure; ASTM E2930" in n for n in stood.notes)
    assert not any("E2930" in f.reason for f in fell.findings)


def test_a_decay_less_than_four_times_better_known_than_the_limit_is_noted():
    # 0.8 after 4 h is 0.0558 per hour; a quarter of it 0.0139
    rate = Rate(value=0.0, u=0.0, lo=-0.0138 / 3600, hi=0.0138 / 3600)
    assert accuracy_note(rate, 0.8, 4.0) is None
    assert "0.014 per hour" in accuracy_note(dataclasses.replace(rate, hi=0.0142 / 3600), 0.8, 4.0)
    assert accuracy_note(rate, None, 4.0) is None
    assert any("four times better" in n for n in result(0.95, hold_h=0.7).notes)
    assert not any("four times better" in n for n in result(0.95, hold_h=6.0).notes)
