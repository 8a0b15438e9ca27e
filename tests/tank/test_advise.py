"""What is told of an unfinished hold: enough, keep on until when, or it leaks; and where settling decides."""

import dataclasses
import re

import numpy as np
import pytest

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.results import PartResult
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank

PROCEDURE = load_procedures().tank


def so_far(retained: float, hours: float, seed: int = 3, **changes) -> PartResult:
    """Result of a hold of six hours of which the log ends after ``hours``, at noon."""
    scenario = Scenario(sampling_s=20.0, hold_h=6.0, **changes)
    scenario = dataclasses.replace(scenario, leak_rate_pa_m3_s=leak_rate_for(scenario, retained, 4.0))
    frame = simulate_hold(scenario, np.random.default_rng(seed)).frame
    cut = frame[frame["time_s"] <= scenario.before_s + scenario.fill_s + hours * 3600]
    return analyse_tank([cut], Tank(id="T1", volume_ml=1900), PROCEDURE, ended="2031-02-03T12:00:00").result


def note(result: PartResult, begin: str) -> str | None:
    return next((n for n in result.notes if n.startswith(begin)), None)


def test_a_sound_tank_held_long_enough_is_enough():
    r = so_far(0.95, 3.0)
    assert r.verdict == "accept"
    assert "keeps at least 0.8 of its pressure over 4 h" in note(r, "Enough: after 3 h")
    assert r.next_step is None


def test_the_same_tank_held_briefly_is_to_be_kept_on_until_a_time_of_day_when_it_is_enough():
    r = so_far(0.95, 0.6)
    assert r.verdict == "retest"
    assert note(r, "Enough") is None
    hour, minute = re.match(r"Keep holding until (\d\d):(\d\d)", r.next_step).groups()
    more = int(hour) - 12 + int(minute) / 60
    assert 0.1 <= more < 3.0
    assert note(so_far(0.95, 0.6 + more), "Enough") is not None


def test_a_leaking_tank_is_told_to_leak_before_its_time_and_no_longer_hold_is_asked_for():
    r = so_far(0.4, 1.0)
    assert r.verdict == "reject"
    assert "leaks" in note(r, "Enough: after 0.99 h")
    assert r.next_step.startswith("It leaks")
    assert "length" not in {f.aspect for f in r.findings}


def test_a_vented_hold_is_not_enough_and_not_to_be_kept_on():
    r = so_far(0.95, 6.0, vented_h=2.0)
    assert note(r, "Enough") is None
    assert "Keep holding" not in (r.next_step or "")


def test_a_hold_that_has_ended_is_to_be_held_again():
    assert so_far(0.95, 0.7, vented_h=0.6).next_step.startswith("Hold it again, for")


@pytest.mark.parametrize("seed", [4, 5])
def test_settling_that_could_be_leak_is_said_where_the_verdict_hangs_on_it(seed):
    told = next(n for n in so_far(0.9, 1.0, seed).notes if "of the variance" in n)
    share, leak, creep = re.search(r"(\d+) % of.*would keep ([\d.]+): \w+; were it all creep, ([\d.]+):", told).groups()
    assert 50 <= float(share) <= 100
    assert float(leak) < float(creep)
    assert "One longer hold tells them apart best" in told


@pytest.mark.parametrize(("retained", "hours"), [(0.97, 5.0), (0.3, 3.0)])
def test_nothing_is_said_of_settling_where_the_verdict_is_the_same(retained, hours):
    assert not any("of the variance" in n for n in so_far(retained, hours).notes)
