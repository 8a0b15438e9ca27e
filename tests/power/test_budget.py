from __future__ import annotations

import numpy as np
import pytest

from benchlab.airframe import Circuit, FlightPhase, Pack, Share
from benchlab.power.analyse import analyse_circuit
from benchlab.power.budget import analyse_pack
from benchlab.simulate.power import LoadPhase, Logger, Source, open_circuit_v, simulate_load

T = np.arange(0, 100, 0.1)


def constant(make_log, procedure, amps, **circuit):
    part = Circuit(id=circuit.pop("id", "c"), **{"packs": ["P1"], **circuit})
    return part, analyse_circuit([make_log(T, np.full(len(T), amps))], part, procedure)


def finding(result, quantity):
    (found,) = [f for f in result.findings if f.quantity == quantity]
    return found


def test_without_a_profile_mean_times_flight_minutes(make_log, procedure):
    pack = Pack(id="P1", capacity_mah=1000, usable_fraction=0.8)
    q = analyse_pack(pack, [constant(make_log, procedure, 3.0)], [], 8.0, procedure, None).result.quantities
    assert q["flight_charge_mah"].value == pytest.approx(400)  # 3 A x 8 min
    assert q["reserve_fraction"].value == pytest.approx(1 - 400 / 800)
    assert q["endurance_min"].value == pytest.approx(16)
    assert q["discharge_rate_per_h"].value == pytest.approx(3)  # 3 A from 1 Ah


def test_profile_times_mean_by_phase(make_log, procedure):
    part = Circuit(id="c", packs=["P1"])
    phase = np.where(T < 50, "Idle", "cruise")
    log = make_log(T, np.where(T < 50, 1.0, 4.0), phase=phase)
    flight = [FlightPhase(phase="idle", minutes=3), FlightPhase(phase="cruise", minutes=6)]
    analysis = analyse_pack(
        Pack(id="P1", capacity_mah=4000),
        [(part, analyse_circuit([log], part, procedure))],
        flight,
        None,
        procedure,
        None,
    )
    # by the trapezoidal rule half of the step's interval counts for either phase
    assert analysis.result.quantities["flight_charge_mah"].value == pytest.approx(50 + 400, rel=2e-3)
    assert list(analysis.tables["budget"]["minutes"]) == [3, 6]


def test_a_circuit_fed_by_two_packs_counts_with_its_share(make_log, procedure):
    shares = [Share(id="P1", share=0.7), Share(id="P2", share=0.3)]
    fed = constant(make_log, procedure, 3.0, packs=shares)
    got = [
        analyse_pack(Pack(id=p, capacity_mah=1000), [fed], [], 8.0, procedure, None).result.quantities
        for p in ("P1", "P2")
    ]
    assert [q["flight_charge_mah"].value for q in got] == pytest.approx([280, 120])


def test_two_circuits_add_up(make_log, procedure):
    fed = [constant(make_log, procedure, a, id=i) for i, a in (("a", 1.0), ("b", 2.0))]
    q = analyse_pack(Pack(id="P1", capacity_mah=1000), fed, [], 8.0, procedure, None).result.quantities
    assert q["flight_charge_mah"].value == pytest.approx(400)
    assert q["pack_peak_current_a"].value == pytest.approx(3)


@pytest.mark.parametrize(("capacity", "verdict"), [(4000, "accept"), (640, "retest"), (500, "reject")])
def test_reserve_is_judged_with_the_uncertainty_of_the_capacity(make_log, procedure, capacity, verdict):
    # 400 mAh a flight, usable 0.8, limit 0.2: 625 mAh would leave the reserve exactly
    pack = Pack(id="P1", capacity_mah=capacity)
    result = analyse_pack(pack, [constant(make_log, procedure, 3.0)], [], 8.0, procedure, None).result
    assert finding(result, "reserve_fraction").verdict == result.verdict == verdict
    for quantity in ("reserve_fraction", "flight_charge_mah"):
        lines = [line for line in result.budget if line.quantity == quantity]
        assert sum(line.contribution**2 for line in lines) == pytest.approx(result.quantities[quantity].u ** 2)


@pytest.mark.parametrize(
    ("pack", "minutes", "flight", "why"),
    [
        (Pack(id="P1"), 8.0, [], "capacity_mah"),
        (Pack(id="P1", capacity_mah=1000), None, [], "flight_minutes"),
    ],
)
def test_missing_capacity_or_flight_is_a_retest_with_the_reason(make_log, procedure, pack, minutes, flight, why):
    result = analyse_pack(pack, [constant(make_log, procedure, 3.0)], flight, minutes, procedure, None).result
    assert result.verdict == "retest"
    assert why in finding(result, "reserve_fraction").reason


def test_a_phase_that_the_log_does_not_show_is_not_guessed(make_log, procedure):
    part = Circuit(id="c", packs=["P1"])
    analysis = analyse_circuit([make_log(T, np.ones(len(T)), phase=["taxi"] * len(T))], part, procedure)
    flight = [FlightPhase(phase="cruise", minutes=6)]
    result = analyse_pack(Pack(id="P1", capacity_mah=900), [(part, analysis)], flight, None, procedure, None).result
    assert "no phase 'cruise'" in finding(result, "reserve_fraction").reason


def test_voltage_at_peak_at_the_end_of_the_flight(procedure):
    # the log draws about a flight's charge; the truth at its end: open circuit less slow drop less prompt drop
    source = Source(capacity_mah=400, cells=2)
    frame, truth = simulate_load((LoadPhase(name="x", seconds=600),), source, Logger(), np.random.default_rng(1))
    part = Circuit(id="c", packs=["P1"], min_voltage_v=6.0)
    analysis = analyse_circuit([frame], part, procedure)
    pack = Pack(id="P1", capacity_mah=400)
    result = analyse_pack(pack, [(part, analysis)], [], 9.9, procedure, None).result
    v = result.quantities["voltage_end_v"]
    true = truth.open_circuit_end_v - 0.03 * truth.mean_current_a - 0.06 * truth.peak_current_a
    assert v.value == pytest.approx(
        true, abs=0.05
    )  # noise of the peak, a hundredth of the charge, polarisation not at rest
    assert finding(result, "voltage_end_v").lower == 6.0


def test_nothing_is_read_beyond_the_charge_that_the_log_draws(procedure):
    frame, _ = simulate_load((LoadPhase(name="x", seconds=200),), Source(), Logger(), np.random.default_rng(1))
    part = Circuit(id="c", packs=["P1"])
    fed = [(part, analyse_circuit([frame], part, procedure))]
    result = analyse_pack(Pack(id="P1", capacity_mah=4000), fed, [], 30.0, procedure, None).result
    (why,) = [m.why for m in result.not_measured if m.quantity == "voltage_end_v"]
    assert "log a whole flight's charge" in why


def test_capacity_measured_by_a_log_that_empties_the_pack(procedure):
    pack = Pack(id="P1", capacity_mah=300)
    load = (LoadPhase(name="x", seconds=780),)
    frame, truth = simulate_load(load, Source(capacity_mah=240), Logger(), np.random.default_rng(1))
    own = analyse_circuit([frame], pack, procedure)
    assert list(own.tables["discharges"]["emptied"]) == [True]
    result = analyse_pack(pack, [], [], 8.0, procedure, own).result
    assert result.quantities["capacity_mah"].value == pytest.approx(truth.charge_mah, rel=0.01)


def test_source_resistance_is_parted_into_pack_wire_and_connectors(procedure):
    frame, _ = simulate_load((LoadPhase(name="x", seconds=200),), Source(), Logger(), np.random.default_rng(1))
    part = Circuit(id="c", packs=["P1"], wire_awg=20, wire_length_m=0.3, connector_ohm=0.004)
    fed = [(part, analyse_circuit([frame], part, procedure))]
    pack = Pack(id="P1", capacity_mah=4000, resistance_ohm=0.03)
    analysis = analyse_pack(pack, fed, [], 5.0, procedure, None)
    # 60 mohm in all; gauge 20 is 33.3 ohm/km, 0.6 m there and back
    (note,) = [n for n in analysis.result.notes if n.startswith("Of the source resistance")]
    assert "pack as stated 30 mohm, wire 20 mohm, connectors 4 mohm, not accounted for" in note
    parts = analysis.tables["resistance_parts"].set_index("part")
    rest = parts.loc["not accounted for"]
    assert rest["resistance_ohm"] == pytest.approx(0.060 - 0.030 - 0.020 - 0.004, abs=3 * rest["u_ohm"])
    assert rest["u_ohm"] > 0.05 * 0.02 / np.sqrt(3)  # the wire alone is known to 5 %
    assert parts["share"].sum() == pytest.approx(1)


def test_budget_table_of_the_report(make_log, procedure):
    fed = constant(make_log, procedure, 3.0, packs=[Share(id="P1", share=0.7), Share(id="P2", share=0.3)])
    table = analyse_pack(Pack(id="P1", capacity_mah=1000), [fed], [], 8.0, procedure, None).tables["budget"]
    row = table.iloc[0]
    assert list(table)[:6] == ["circuit", "phase", "minutes", "share", "mean_current_a", "charge_mah"]
    assert (row["circuit"], row["minutes"], row["share"]) == ("c", 8.0, 0.7)
    assert row["mean_current_a"] == pytest.approx(3)
    assert row["charge_mah"] == pytest.approx(280)


def test_phases_that_one_mean_stands_for_are_wrong_together(make_log, procedure):
    # the same doubtful mean for two phases counts like one phase of the length of both
    rng = np.random.default_rng(3)
    part = Circuit(id="c", packs=["P1"])
    fed = [(part, analyse_circuit([make_log(T, rng.uniform(1, 5, len(T)))], part, procedure))]
    pack = Pack(id="P1", capacity_mah=4000)
    two = [FlightPhase(phase="a", minutes=2), FlightPhase(phase="b", minutes=6)]
    got = [
        analyse_pack(pack, fed, flight, 8.0, procedure, None).result.quantities["flight_charge_mah"].u
        for flight in (two, [])
    ]
    assert got[0] == pytest.approx(got[1])


def test_phases_that_the_log_shows_apart_scatter_apart(make_log, procedure):
    rng = np.random.default_rng(3)
    part = Circuit(id="c", packs=["P1"])
    log = make_log(T, rng.uniform(1, 5, len(T)), phase=np.where(T < 50, "a", "b"))
    fed = [(part, analyse_circuit([log], part, procedure))]
    flight = [FlightPhase(phase="a", minutes=4), FlightPhase(phase="b", minutes=4)]
    analysis = analyse_pack(Pack(id="P1", capacity_mah=4000), fed, flight, None, procedure, None)
    u = analysis.tables["budget"]["u_mah"]
    assert analysis.result.quantities["flight_charge_mah"].u == pytest.approx(np.hypot(*u))


def test_the_sensor_of_a_circuit_is_wrong_in_all_phases_alike(make_log, procedure):
    channel = procedure.channels["current_a"].model_copy(update={"accuracy": 0.3})
    stated = procedure.model_copy(update={"channels": procedure.channels | {"current_a": channel}})
    part = Circuit(id="c", packs=["P1"])
    log = make_log(T, np.full(len(T), 2.5), phase=np.where(T < 50, "a", "b"))
    fed = [(part, analyse_circuit([log], part, stated))]
    flight = [FlightPhase(phase="a", minutes=4), FlightPhase(phase="b", minutes=4)]
    budget = analyse_pack(Pack(id="P1", capacity_mah=4000), fed, flight, None, stated, None).result.budget
    (line,) = [b for b in budget if b.source == "current sensor of c" and b.quantity == "flight_charge_mah"]
    assert line.u == pytest.approx(0.3 / np.sqrt(3) * 8 / 60 * 1e3)


def test_a_phase_too_short_to_have_a_mean(make_log, procedure):
    part = Circuit(id="c", packs=["P1"])
    phase = np.where(T[-1] == T, "landing", "cruise")
    log = make_log(T, np.ones(len(T)), phase=phase)
    log.loc[len(log) - 1, "segment"] = 1
    flight = [FlightPhase(phase="landing", minutes=1)]
    fed = [(part, analyse_circuit([log], part, procedure))]
    result = analyse_pack(Pack(id="P1", capacity_mah=900), fed, flight, None, procedure, None).result
    assert "less than one interval" in finding(result, "reserve_fraction").reason
    assert result.next_step == "Log every phase of the flight profile for longer."


def twin(procedure, capacity, ohm, seed):
    source = Source(capacity_mah=capacity, ohmic_ohm=ohm)
    frame, _ = simulate_load((LoadPhase(name="x", seconds=400),), source, Logger(), np.random.default_rng(seed))
    pack = Pack(id=f"P{seed}", capacity_mah=400)
    return analyse_pack(pack, [], [], 8.0, procedure, analyse_circuit([frame], pack, procedure))


def test_twins_are_compared_at_the_same_charge_and_current(procedure):
    a, b = (twin(procedure, 400, ohm, seed).result.quantities for ohm, seed in ((0.05, 1), (0.25, 2)))
    # 0.2 ohm more at one capacity per hour, 0.4 A, whatever the two logs drew
    fall = a["voltage_under_load_v"].value - b["voltage_under_load_v"].value
    u = np.hypot(a["voltage_under_load_v"].u, b["voltage_under_load_v"].u)
    assert fall == pytest.approx(0.2 * 0.4, abs=3 * u)
    assert u < 0.03


def test_open_circuit_curve_of_the_report(procedure):
    table = twin(procedure, 4000, 0.05, 1).tables["open_circuit"]
    truth = open_circuit_v(1 - table["charge_mah"].to_numpy() / 4000, 2)
    # polarisation and the prompt drop are taken off as fitted: a few mV, and the noise of a stretch
    assert table["voltage_v"].to_numpy() == pytest.approx(truth, abs=0.01)


def test_a_curve_that_holds_the_slow_answer_says_so(procedure):
    # emptied within the log: the fall of the open-circuit voltage is as fast as polarisation
    analysis = twin(procedure, 400, 0.05, 1)
    assert "polarisation_s" not in analysis.result.quantities
    assert any("slow answer" in n for n in analysis.result.notes)


def test_the_curve_of_a_pack_that_carries_half_a_circuit_counts_its_own_charge(procedure):
    frame, truth = simulate_load((LoadPhase(name="x", seconds=100),), Source(), Logger(), np.random.default_rng(1))
    part = Circuit(id="c", packs=["P1", "P2"])
    fed = [(part, analyse_circuit([frame], part, procedure))]
    table = analyse_pack(Pack(id="P1"), fed, [], 8.0, procedure, None).tables["open_circuit"]
    assert table["charge_mah"].iloc[-1] == pytest.approx(truth.charge_mah / 2, rel=0.02)  # middle of the last stretch


def test_what_a_doubtful_reserve_asks_for(make_log, procedure):
    # 3.125 A for 8 min are 417 mAh; usable 0.8, reserve 0.2: 651 mAh would leave the reserve exactly
    pack = Pack(id="P1", capacity_mah=660)
    result = analyse_pack(pack, [constant(make_log, procedure, 3.125)], [], 8.0, procedure, None).result
    assert result.next_step.startswith("Log a whole discharge of the pack")


def test_more_than_a_pack_can_hold_is_said(make_log, procedure):
    pack = Pack(id="P1", capacity_mah=50)
    own = analyse_circuit([make_log(T, np.full(len(T), 3.0))], pack, procedure)
    notes = analyse_pack(pack, [], [], 8.0, procedure, own).result.notes
    assert any(n.startswith("That is more than the pack can hold") for n in notes)


def test_a_clipped_circuit_cannot_show_that_the_reserve_is_kept(procedure):
    frame, _ = simulate_load(
        (LoadPhase(name="x", seconds=120),), Source(), Logger(clip_a=3.5), np.random.default_rng(4)
    )
    part = Circuit(id="c", packs=["P1"])
    fed = [(part, analyse_circuit([frame], part, procedure))]
    result = analyse_pack(Pack(id="P1", capacity_mah=40_000), fed, [], 8.0, procedure, None).result
    assert finding(result, "reserve_fraction").verdict == "retest"
    assert result.quantities["flight_charge_mah"].hi is None  # at least this
