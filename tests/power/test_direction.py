from __future__ import annotations

import numpy as np
import pytest

from benchlab.airframe import Pack
from benchlab.power.analyse import analyse_circuit
from benchlab.power.direction import find_direction
from benchlab.power.record import prepare

REST, OUT, IN = 120, 600, 900  # rows of one second


def cell(current):
    """A cell of 1000 mAh, 0.05 ohm; rounding to a millivolt is its only noise."""
    state = 1 - np.cumsum(current) / 3.6 / 1000
    return np.round(3.5 + 0.6 * state - 0.05 * current, 3)


def cycle():
    one = [0.0] * REST + [2.0] * OUT + [0.0] * REST + [-1.0] * IN + [0.0] * REST
    return np.array(one * 2)


def direction(make_log, procedure, current, voltage=None, phase=None):
    table = make_log(np.arange(len(current)), current, voltage, phase)
    return find_direction(prepare([table], procedure)).word


@pytest.mark.parametrize(("factor", "word"), [(1, "as logged"), (-1, "reversed")])
def test_the_sign_of_a_cycler(make_log, procedure, factor, word):
    i = cycle()
    assert direction(make_log, procedure, factor * i, cell(i)) == word


def test_current_without_a_sign_is_parted_by_the_voltage(make_log, procedure):
    i = cycle()
    table = make_log(np.arange(len(i)), np.abs(i), cell(i))
    result = analyse_circuit([table], Pack(id="p", capacity_mah=1000), procedure).result
    # trapezoids: each edge counts half an interval
    assert result.quantities["discharged_mah"].value == pytest.approx(2 * 600 * 2 / 3.6, rel=1e-3)
    assert result.quantities["charged_mah"].value == pytest.approx(2 * 900 * 1 / 3.6, rel=1e-3)
    assert any("without a sign" in n for n in result.notes)


def test_current_without_a_sign_is_parted_by_the_names_of_the_phases(make_log, procedure):
    i = cycle()
    phase = np.where(i > 0, "CC_DChg", np.where(i < 0, "CCCV_Chg", "Rest"))
    assert direction(make_log, procedure, np.abs(i), phase=phase) == "without sign"


def test_without_voltage_or_names_nothing_tells(make_log, procedure):
    assert direction(make_log, procedure, np.abs(cycle())) == "unknown"


@pytest.mark.parametrize(("sign", "word"), [(1, "reversed"), (-1, "as logged")])
def test_a_steady_charge_is_told_by_the_slow_rise(make_log, procedure, sign, word):
    i = np.full(900, -1.0)
    v = cell(i)
    assert direction(make_log, procedure, sign * np.abs(i), v) == word


def test_a_charge_is_no_load(make_log, procedure):
    i = np.concatenate([np.zeros(60), np.full(900, -1.0), np.zeros(60)])
    result = analyse_circuit([make_log(np.arange(len(i)), -i, cell(i))], Pack(id="p"), procedure).result
    assert result.verdict == "retest"
    assert "charge_mah" not in result.quantities
    assert result.quantities["charged_mah"].value == pytest.approx(250, rel=2e-3)
    assert result.next_step == "Log the current while it is drawn, not while the pack is charged."


def test_a_supply_set_higher_is_no_charge(make_log, procedure):
    volts = np.repeat([5.0, 6.0, 7.4, 8.4], 200)  # a resistor on a bench supply
    i = volts / 10 + np.random.default_rng(1).normal(0, 0.002, len(volts))
    assert direction(make_log, procedure, i, volts) == "unknown"


def test_a_voltage_read_behind_the_switch_is_no_charge(make_log, procedure):
    i = np.array(([0.0] * 20 + [2.0] * 20) * 5)
    assert direction(make_log, procedure, i, np.where(i > 0, 7.4, 0.0)) == "unknown"


@pytest.mark.parametrize(
    ("current", "why"),
    [(np.zeros(100), "reads zero throughout"), (np.random.default_rng(2).normal(-0.01, 0.02, 400), "its noise")],
)
def test_no_current_at_all_is_no_load(make_log, procedure, current, why):
    result = analyse_circuit([make_log(np.arange(len(current)), current)], Pack(id="p"), procedure).result
    assert any(why in m.why for m in result.not_measured if m.quantity == "mean_current_a")
    assert result.verdict == "retest"


def test_a_drift_of_the_bench_supply_is_no_charge(make_log, procedure):
    i = 1.0 + 0.002 * np.random.default_rng(3).standard_normal(1200)
    volts = 8.0 + np.linspace(0, 0.08, 1200)  # one per cent upwards
    assert direction(make_log, procedure, i, volts) == "unknown"


def drive(seed=5, n=6000):
    """A load that changes all the time and feeds back now and then, read ten times a second."""
    rng = np.random.default_rng(seed)
    wander = np.convolve(rng.standard_normal(n + 100), np.exp(-np.arange(100) / 20), "valid")[:n]
    i = 1.0 + 0.6 * wander
    return i, 8.0 - 0.05 * i + 0.002 * rng.standard_normal(n)


@pytest.mark.parametrize(("turn", "word"), [(1, "as logged"), (-1, "reversed")])
def test_the_sign_of_a_drive_that_never_rests(make_log, procedure, turn, word):
    i, v = drive()
    table = make_log(np.arange(len(i)) * 0.1, turn * i, v)
    assert find_direction(prepare([table], procedure)).word == word


def test_a_drive_without_signs_is_not_told(make_log, procedure):
    i, v = drive()
    result = analyse_circuit([make_log(np.arange(len(i)) * 0.1, np.abs(i), v)], Pack(id="p"), procedure).result
    assert "charge_mah" not in result.quantities
    assert "source_resistance_ohm" not in result.quantities
    assert result.next_step == "Log the current with its sign, or the discharge alone."


@pytest.mark.parametrize("seed", range(3))
def test_a_load_that_only_flows_out_is_never_called_unclear(make_log, procedure, seed):
    i, _ = drive(seed)
    i = np.maximum(i, 0.2)
    table = make_log(
        np.arange(len(i)) * 0.1, i, 8.0 - 0.05 * i + 0.02 * np.random.default_rng(seed).standard_normal(len(i))
    )
    assert find_direction(prepare([table], procedure)).word in ("as logged", "unknown")
