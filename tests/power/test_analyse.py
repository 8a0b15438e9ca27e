from __future__ import annotations

import numpy as np
import pytest

from benchlab.airframe import Circuit, Pack
from benchlab.power.analyse import analyse_circuit
from benchlab.power.judge import NOT_JUDGED
from benchlab.procedure import Limit
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load

PHASES = (LoadPhase(name="idle", seconds=60, pulses_per_s=0.05), LoadPhase(name="cruise", seconds=120))


@pytest.fixture(scope="module")
def frame():
    return simulate_load(PHASES, Source(capacity_mah=1000), Logger(), np.random.default_rng(4))[0]


def finding(result, quantity):
    (found,) = [f for f in result.findings if f.quantity == quantity]
    return found


def test_a_circuit_without_limits_is_described_not_judged(frame, procedure):
    result = analyse_circuit([frame], Circuit(id="c"), procedure, log_names=("c.csv",)).result
    assert (result.verdict, result.judged_on, result.findings) == ("accept", (), ())
    assert NOT_JUDGED in result.notes
    assert set(result.phases) == {"idle", "cruise"}


def test_tables_of_the_contract(frame, procedure):
    tables = analyse_circuit([frame], Circuit(id="c"), procedure).tables
    assert len(tables["load"]) <= 1500
    assert tables["load_histogram"]["seconds"].sum() == pytest.approx(frame["time_s"].iloc[-1])
    share = tables["load_duration"]["share_of_time"]
    assert share.is_monotonic_increasing
    assert share.iloc[-1] == pytest.approx(1)
    assert list(tables["source_line"]) == ["current_a", "voltage_v", "fit_v"]
    assert tables["load"]["current_max_a"].max() == frame["current_a"].max()


@pytest.mark.parametrize(("limit", "verdict"), [(30.0, "accept"), (1.0, "reject")])
def test_peak_against_the_highest_current_allowed(frame, procedure, limit, verdict):
    result = analyse_circuit([frame], Circuit(id="c", max_current_a=limit), procedure).result
    assert finding(result, "peak_current_a").verdict == result.verdict == verdict
    assert result.judged_on == ("current",)


@pytest.mark.parametrize(("limit", "verdict"), [(6.0, "accept"), (8.3, "reject")])
def test_lowest_voltage_against_the_lowest_allowed(frame, procedure, limit, verdict):
    result = analyse_circuit([frame], Circuit(id="c", min_voltage_v=limit), procedure).result
    assert finding(result, "voltage_min_v").verdict == verdict


def test_without_voltage_a_voltage_limit_is_to_be_retested(frame, procedure):
    part = Circuit(id="c", min_voltage_v=6.0)
    result = analyse_circuit([frame.drop(columns="voltage_v")], part, procedure).result
    assert result.verdict == "retest"
    assert "no voltage channel" in finding(result, "voltage_min_v").reason
    assert "energy_wh" in {m.quantity for m in result.not_measured}


def test_a_limit_of_the_register_on_any_quantity(frame, procedure):
    part = Circuit(id="c", limits={"mean_current_a": {"value": Limit(upper=50.0, source="fuse")}})
    result = analyse_circuit([frame], part, procedure).result
    assert finding(result, "mean_current_a").limit_source == "fuse"
    assert result.verdict == "accept"


def test_a_reversed_sensor_is_turned_round_where_the_voltage_proves_it(frame, procedure):
    turned = frame.assign(current_a=-frame["current_a"])
    a, b = (analyse_circuit([f], Circuit(id="c"), procedure).result for f in (frame, turned))
    assert b.quantities["charge_mah"].value == pytest.approx(a.quantities["charge_mah"].value)
    # the search for the shape parameters stops at its own tolerance
    assert b.quantities["source_resistance_ohm"].value == pytest.approx(
        a.quantities["source_resistance_ohm"].value, rel=1e-3
    )
    assert any("sign was reversed" in n for n in b.notes)


def test_a_negative_current_without_voltage_is_not_judged_as_low(frame, procedure):
    turned = frame.assign(current_a=-frame["current_a"]).drop(columns="voltage_v")
    result = analyse_circuit([turned], Circuit(id="c", max_current_a=12.0), procedure).result
    assert finding(result, "peak_current_a").verdict == "retest"
    assert any("reads negative" in n for n in result.notes)


def test_a_clipped_peak_cannot_be_accepted(procedure):
    frame, _ = simulate_load(PHASES, Source(), Logger(clip_a=4.0), np.random.default_rng(4))
    result = analyse_circuit([frame], Circuit(id="c", max_current_a=12.0), procedure).result
    assert finding(result, "peak_current_a").verdict == "retest"
    assert any("at least this" in n for n in result.notes)
    too_much = analyse_circuit([frame], Circuit(id="c", max_current_a=3.0), procedure).result
    assert too_much.verdict == "reject"


@pytest.mark.parametrize("values", [[np.nan] * 5, [1.0] + [np.nan] * 4])
def test_unusable_current_is_a_retest_with_the_reason(make_log, procedure, values):
    result = analyse_circuit([make_log(range(5), values)], Circuit(id="c", max_current_a=5.0), procedure).result
    assert result.verdict == "retest"
    assert all("usable current" in f.reason for f in result.findings)


def test_wire_drop_and_heating(frame, procedure):
    q = analyse_circuit([frame], Circuit(id="c", wire_awg=20, wire_length_m=0.6), procedure).result.quantities
    ohm = 2 * 0.6 * 0.033309  # gauge 20: 33.309 ohm/km at 20 C, there and back
    peak = frame["current_a"].max()
    assert q["wire_resistance_ohm"].value == pytest.approx(ohm, rel=1e-4)
    assert q["wire_drop_peak_v"].value == pytest.approx(ohm * peak, rel=1e-4)
    assert q["wire_heat_peak_w"].value == pytest.approx(ohm * peak**2, rel=1e-4)


def test_loss_of_a_linear_regulator(make_log, procedure):
    part = Circuit(id="c", regulator_out_v=5.0)
    q = analyse_circuit([make_log(range(40), [2.0] * 40, [8.0] * 40)], part, procedure).result.quantities
    assert q["regulator_loss_w"].value == pytest.approx((8 - 5) * 2)


def test_unlabelled_phases_are_found_by_activity(frame, procedure):
    result = analyse_circuit([frame.drop(columns="phase")], Circuit(id="c"), procedure).result
    assert set(result.phases) == {"quiet", "active"}
    assert result.phases["active"]["mean_current_a"].value > 1.5 * result.phases["quiet"]["mean_current_a"].value


def test_charge_both_ways(make_log, procedure):
    # 10 s out at 3 A, 10 s in at 1 A, 1 s between with as much out as 0.75 s x 3 A / 2 less 0.25 s x 1 A / 2
    pack = Pack(id="p", capacity_mah=1000)
    i = [3.0] * 11 + [-1.0] * 11
    q = analyse_circuit([make_log(range(22), i)], pack, procedure).result.quantities
    assert q["charge_mah"].value == pytest.approx((30 - 10 + 1) / 3.6)
    assert q["discharged_mah"].value - q["charged_mah"].value == pytest.approx(q["charge_mah"].value)


def test_a_supply_below_the_regulator_is_said(make_log, procedure):
    part = Circuit(id="c", regulator_out_v=5.0)
    notes = analyse_circuit([make_log(range(40), [2.0] * 40, [8.0] * 39 + [4.8])], part, procedure).result.notes
    assert any("below the regulator's output of 5 V" in n for n in notes)


def test_times_above_the_highest_current_allowed(make_log, procedure):
    i = [0.0, 5, 5, 5, 0, 0, 5, 0, 0, 0] * 4
    q = analyse_circuit([make_log(range(40), i)], Circuit(id="c", max_current_a=4.0), procedure).result.quantities
    assert q["longest_above_s"].value == 3
    assert q["time_above_s"].value == 4 * (3 + 1)


def test_a_log_that_only_charges_a_circuit_is_a_retest(make_log, procedure):
    i = np.concatenate([np.zeros(60), np.full(900, 1.0), np.zeros(60)])
    v = 7.0 + np.cumsum(i) * 5e-4 + 0.05 * i
    result = analyse_circuit([make_log(np.arange(len(i)), i, v)], Circuit(id="c", max_current_a=12.0), procedure).result
    assert result.verdict == "retest"
    assert "it shows no load" in finding(result, "peak_current_a").reason


def test_a_coarse_log_says_so(make_log, procedure):
    notes = analyse_circuit([make_log(range(40), [0.0, 2, 4, 6] * 10)], Circuit(id="c"), procedure).result.notes
    assert any("known in steps of 1 A" in n for n in notes)
