import numpy as np
import pytest

from benchlab.procedure import load_procedures
from benchlab.servo.cycles import find_cycles
from benchlab.servo.quantities import measure
from benchlab.servo.samples import join
from benchlab.servo.sweep import sweep
from benchlab.simulate.servo import Bench, Traits, simulate_servo

PROCEDURE = load_procedures().servo


def measured(frame, supply_v=None):
    samples = join([frame], PROCEDURE)
    cycles = find_cycles(samples, PROCEDURE)
    return measure(samples, cycles, sweep(samples, cycles, PROCEDURE), PROCEDURE, supply_v)


def servo(pattern="step_neutral", traits=None, **bench):
    return simulate_servo(np.random.default_rng(2), Bench(pattern=pattern, cycles=40, **bench), traits or Traits())


def test_centre_hysteresis_and_travel_are_those_of_the_machine():
    made = servo()
    got = measured(made.frame).cycles.iloc[1:]
    # 50 readings of 0.06 deg noise per rest: a cycle's mean is good to 0.01 deg, 39 cycles' mean to 0.002
    assert got["centre_deg"].mean() == pytest.approx(made.truth["centre_deg"].iloc[1:].mean(), abs=0.01)
    assert got["hysteresis_deg"].mean() == pytest.approx(0.3, abs=0.01)
    # both ends rest half the backlash short of the command
    assert got["travel_deg"].mean() == pytest.approx(100.0 - 0.3, abs=0.01)


def test_transit_time_is_that_of_the_machine():
    assert measured(servo().frame).cycles["transit_s_per_60deg"].mean() == pytest.approx(0.14, rel=0.01)


def test_transit_is_referred_to_the_nominal_supply():
    got = measured(servo(source_ohm=0.0).frame, supply_v=3.7).cycles
    # twice the nominal supply under load: the time at nominal is twice the time measured
    assert (got["transit_ref_s_per_60deg"] / got["transit_s_per_60deg"]).mean() == pytest.approx(2.0, rel=0.001)


def test_transit_is_not_reported_where_the_command_is_slower_than_the_servo():
    got = measured(servo("sine").frame)
    assert got.cycles["transit_s_per_60deg"].isna().all()
    assert "no faster" in got.missing["transit_s_per_60deg"]


def test_without_a_neutral_dwell_there_is_no_centre():
    got = measured(servo("step").frame)
    assert {"centre_deg", "hysteresis_deg"} <= set(got.missing)


def test_the_centre_of_a_sine_is_where_neutral_is_passed():
    made = servo("sine", Traits(centre_deg=1.5))
    assert measured(made.frame).cycles["centre_deg"].mean() == pytest.approx(1.5, abs=0.05)


def test_a_current_only_log_gives_current_and_names_the_rest():
    got = measured(servo().frame.drop(columns=["position_deg", "voltage_v", "temperature_c"]))
    assert got.cycles["moving_current_a"].notna().all()
    assert got.cycles["idle_current_a"].mean() == pytest.approx(0.03, abs=0.001)
    assert got.missing["centre_deg"] == "no position channel"


def test_a_signed_current_counts_by_its_magnitude():
    frame = servo().frame
    turned = frame.assign(current_a=-frame["current_a"])
    plain, signed = measured(frame).cycles, measured(turned).cycles
    # idle noise folds over zero now and then, moving currents never do
    assert signed["moving_current_a"].mean() == pytest.approx(plain["moving_current_a"].mean(), rel=1e-3)


def test_glitches_at_rest_do_not_move_the_rest_position():
    frame = servo().frame
    before = measured(frame).cycles["end_high_deg"]
    frame.loc[[90, 4090, 8090], "position_deg"] += 30.0  # inside the rests at the high end
    assert np.abs(measured(frame).cycles["end_high_deg"] - before).max() < 0.01  # one reading of 50 fewer


def test_what_is_corrected_is_told_with_its_uncertainty():
    notes = " ".join(measured(servo(source_ohm=0.0).frame, supply_v=7.0).notes)
    # 7.4 V over 7.0 V: 5.7 % longer at nominal; exponent uncertain by 0.2: 0.2 ln(7.4 / 7.0) = 1.1 %
    assert "power -1 ± 0.2: by +5.7 % in the usual cycle, standard uncertainty 1.1 %" in notes
    assert "corrected to 25 C with -0.4 ± 0.2 % per kelvin" in notes
