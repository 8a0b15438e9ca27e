from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.power.load import (
    batch_mean,
    describe,
    gap_charge,
    mean_current,
    step_uncertainty,
    times_above,
    weighted_quantiles,
)
from benchlab.power.record import Sensor, log_step, prepare, row_seconds
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load


def test_a_constant_load(procedure, make_log):
    got = describe(prepare([make_log([0, 1, 2, 3], [2, 2, 2, 2], [8, 8, 8, 8])], procedure))
    assert got["mean_current_a"].value == 2
    assert got["rms_current_a"].value == 2
    assert got["charge_mah"].value == pytest.approx(2 * 3 / 3.6)  # 2 A for 3 s
    assert got["energy_wh"].value == pytest.approx(2 * 8 * 3 / 3600)


def test_irregular_intervals_weigh_by_their_time(procedure, make_log):
    # 1 A for 1 s, then a ramp of 3 s from 1 to 3 A
    got = describe(prepare([make_log([0, 1, 4], [1, 1, 3])], procedure))
    assert got["charge_mah"].value == pytest.approx((1 * 1 + 2 * 3) / 3.6)
    assert got["mean_current_a"].value == pytest.approx(7 / 4)


def test_the_mean_alone_is_that_of_the_whole_description(procedure, make_log):
    rng = np.random.default_rng(4)
    record = prepare([make_log(np.arange(300) * 0.05, rng.gamma(2, 1, 300).round(2))], procedure)
    assert mean_current(record) == describe(record)["mean_current_a"]
    assert mean_current(prepare([make_log([0, 0], [1, 1])], procedure)) is None


def test_phases_share_the_charge_without_rest(procedure, make_log):
    r = prepare([make_log(range(6), [1, 1, 2, 2, 5, 5], phase=["a", "a", "a", "b", "b", "b"])], procedure)
    parts = [describe(r, r.phase == p)["charge_mah"].value for p in ("a", "b")]
    assert sum(parts) == pytest.approx(describe(r)["charge_mah"].value)


def test_quantile_by_time_not_by_rows():
    # 10 A is one row of eleven, but half of the time
    x = np.array([1.0] * 10 + [10.0])
    w = np.array([0.1] * 10 + [1.0])
    assert weighted_quantiles(x, w, [0.6], 100)[0][0] == 10
    assert weighted_quantiles(x, w, [0.4], 100)[0][0] == 1


def test_uncertainty_of_a_mean_counts_independent_stretches_not_rows():
    # 200 values, each written fifty times, say no more than 200
    rng = np.random.default_rng(1)
    often = np.repeat(rng.normal(3, 1, 200), 50)
    u = batch_mean(often, np.ones(len(often))).u
    # 19 degrees of freedom: u scatters by 16 %, three times that; 10 000 independent rows would have 1 / 100
    assert u == pytest.approx(1 / np.sqrt(200), rel=0.48)


def test_step_of_the_log_averages_out_over_levels():
    sensor = Sensor(step=0.1, accuracy=0, noise=0)
    assert step_uncertainty(np.full(9, 0.3), np.ones(9), sensor) == pytest.approx(0.1 / np.sqrt(12))
    four = np.array([0.0, 0.1, 0.2, 0.3])
    assert step_uncertainty(four, np.ones(4), sensor) == pytest.approx(0.1 / np.sqrt(12) / 2)


def test_log_step_is_found_from_the_readings():
    assert log_step(np.arange(40) * 0.25) == pytest.approx(0.25)
    assert log_step(np.array([0.0, 30.6])) == pytest.approx(0.1)  # on and off: the last decimal place
    assert log_step(np.array([0.4, 0.4])) == pytest.approx(0.1)  # constant: the last decimal place
    assert log_step(np.array([0.0, 0.0])) == 0


def test_longest_time_above_a_threshold_ends_at_a_gap(procedure, make_log):
    t = [0, 1, 2, 3, 4, 60, 61, 62]
    r = prepare([make_log(t, [0, 5, 5, 5, 0, 5, 5, 0])], procedure)
    longest, total = times_above(r, 4.0)
    assert longest.value == pytest.approx(3.0)
    assert total.value == pytest.approx(3.0 + 1.5)  # half the gapless interval before 60 s is lost, and half of 61-62
    assert times_above(r, 6.0)[0].value == 0


def test_charge_in_gaps_is_counted_aside(procedure, make_log):
    t = np.concatenate([np.arange(0, 100, 0.1), np.arange(136, 236, 0.1)])
    r = prepare([make_log(t, np.full(len(t), 2.0))], procedure)
    # 36.1 s at 2 A; a constant load leaves no doubt about the gap but its own step
    assert gap_charge(r).value == pytest.approx(2 * 36.1 / 3.6)
    assert describe(r)["charge_mah"].value == pytest.approx(2 * 2 * 99.9 / 3.6)


def test_charge_in_a_gap_takes_the_phase_around_it(procedure, make_log):
    t = np.concatenate([np.arange(0, 50, 0.1), np.arange(60, 110, 0.1)])
    i = np.where(t < 30, 9.0, 1.0)
    r = prepare([make_log(t, i, phase=np.where(t < 30, "climb", "cruise"))], procedure)
    # the last row of the climb counts half of the step down to the cruise
    assert gap_charge(r).value == pytest.approx(1 * 10.1 / 3.6, rel=1e-3)


def test_no_gap_no_charge_in_gaps(procedure, make_log):
    assert gap_charge(prepare([make_log(range(9), [1.0] * 9)], procedure)) is None


@settings(deadline=None)
@given(st.lists(st.floats(0.01, 10), min_size=1, max_size=50))
def test_row_times_add_up_to_the_intervals(intervals):
    w = row_seconds(np.array(intervals))
    assert w.sum() == pytest.approx(sum(intervals))
    assert (w > 0).all()


def test_energy_of_averaged_readings_covers_the_product_of_means(procedure):
    # mean current times mean voltage reads high at every edge, by half a thousandth here
    load = (LoadPhase(name="x", seconds=200),)
    for seed in range(3):
        frame, truth = simulate_load(load, Source(), Logger(averaging=True), np.random.default_rng(seed))
        energy = describe(prepare([frame], procedure))["energy_wh"]
        assert abs(energy.value - truth.recorded_wh) < 2 * energy.u
        assert energy.u < 1e-3 * truth.recorded_wh
