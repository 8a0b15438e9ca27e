from __future__ import annotations

import numpy as np
import pytest

from benchlab.airframe import Circuit, FlightPhase, Pack, Share
from benchlab.power.analyse import analyse_circuit
from benchlab.power.budget import analyse_pack
from benchlab.simulate.power import LoadPhase, Logger, Source, simulate_load

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
    assert sum(line.contribution**2 for line in result.budget) == pytest.approx(
        result.quantities["reserve_fraction"].u ** 2
    )


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
    notes = analyse_pack(pack, fed, [], 5.0, procedure, None).result.notes
    # 60 mohm in all; gauge 20 is 33.3 ohm/km, 0.6 m there and back
    (note,) = [n for n in notes if n.startswith("Of the source resistance")]
    assert "pack as stated 30 mohm, wire 20 mohm, connectors 4 mohm, not accounted for" in note
    assert float(note.split()[-2]) == pytest.approx(60 - 30 - 20 - 4, abs=0.5)  # the log's own uncertainty, in mohm
