from __future__ import annotations

import numpy as np
import pytest

from benchlab.airframe import Circuit, Pack
from benchlab.power.analyse import analyse_circuit
from benchlab.power.budget import analyse_pack
from benchlab.power.crosscheck import ServoLoad, against_servos, less_than_at_rest, mean_current, with_servos
from benchlab.power.judge import NOT_JUDGED
from benchlab.stats.uncertainty import estimate

T = np.arange(0, 100, 0.1)


def load(name, mean, idle=0.1, moving=1.0):
    amps = [None if x is None else estimate(x, 0.01, "A") for x in (mean, idle, moving)]
    return ServoLoad(id=name, mean=amps[0], idle=amps[1], moving=amps[2], cycles=990)


def test_the_mean_of_a_servo_log_is_weighted_by_time(make_log, procedure):
    assert mean_current([make_log([0, 1, 4], [1.0, 1.0, 3.0])], procedure).value == pytest.approx(7 / 4)
    assert mean_current([], procedure) is None


def test_sums_are_said_with_what_they_cannot_show(make_log, procedure):
    (note,) = against_servos(estimate(0.9, 0.02, "A"), [load("S01", 0.3), load("S02", 0.25)])
    assert "S01, S02" in note
    assert "0.55 A" in note
    assert "0.2 A" in note
    assert "2 A (u 0.01 A) if all move at once" in note
    assert "one by one" in note
    assert "does not show" in note


def test_a_servo_without_current_is_named():
    assert against_servos(None, [load("S03", None)]) == ["Cross-check: no current in the servo logs of S03."]


def test_less_than_the_servos_draw_at_rest_cannot_be(make_log, procedure):
    servos = [load("S01", 0.4, idle=0.3), load("S02", 0.4, idle=0.3)]
    part = Circuit(id="c")
    alone = analyse_circuit([make_log(T, np.full(len(T), 0.25))], part, procedure)
    assert NOT_JUDGED in alone.result.notes
    result = with_servos(alone, servos).result
    (found,) = result.findings
    assert (result.verdict, result.judged_on) == ("retest", ("current",))
    assert NOT_JUDGED not in result.notes
    assert (found.aspect, found.verdict) == ("servos_at_rest", "retest")
    assert found.lower == pytest.approx(0.8 * 0.6)
    assert less_than_at_rest(estimate(0.55, 0.01, "A"), servos) == []


def test_the_pack_shows_the_servos_of_its_circuits(make_log, procedure):
    fed = []
    for name, servo in (("a", "S01"), ("b", "S02")):
        part = Circuit(id=name, packs=["P1"])
        fed.append((part, with_servos(analyse_circuit([make_log(T, T * 0 + 2)], part, procedure), [load(servo, 0.4)])))
    table = analyse_pack(Pack(id="P1"), fed, [], 8.0, procedure, None).tables["cross_check"]
    assert list(table["servo"]) == ["S01", "S02"]
    assert list(table)[:3] == ["servo", "mean_current_a", "cycles"]
