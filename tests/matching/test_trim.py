"""A trimmed follower moves with its leader, as well as its command points allow."""

import numpy as np
import pytest
from scipy.optimize import linprog

from benchlab.matching.stroke import Stroke, negated, reversed_channel, stroke_of
from benchlab.matching.trim import fighting_load_nm, stiffness, trim
from benchlab.procedure import ServoProcedure
from tests.matching.fakes import stroke_table


def stroke(**shape) -> Stroke:
    return stroke_of({"stroke_curve": stroke_table(**shape)})


def test_a_follower_that_stands_one_degree_too_high_is_pulled_back():
    # 0.09 deg per us: one degree is 11.1 us
    t = trim(stroke(), stroke(centre=1.0))
    assert t.command_us.tolist() == [1000, 1125, 1250, 1375, 1500, 1625, 1750, 1875, 2000]
    assert t.correction_us[4] == pytest.approx(-11.11, abs=0.01)
    assert t.percent[4] == pytest.approx(-2.222, abs=0.002)  # of 500 us
    assert t.left_over_deg[1:-1] == pytest.approx(0.0, abs=0.001)
    assert t.before_deg[4] == pytest.approx(1.0, abs=0.001)


def test_the_added_correction_makes_the_follower_match():
    leader, follower = stroke(gain=45), stroke(gain=48, centre=-0.7)
    t = trim(leader, follower)
    middle = t.command_us[1:-1]
    assert follower.mid(middle + t.correction_us[1:-1]) == pytest.approx(leader.mid(middle), abs=0.002)


def test_corrections_stop_at_the_commands_that_were_measured():
    t = trim(stroke(), stroke(centre=1.0))
    pulses = t.command_us + t.correction_us
    assert pulses.min() >= 1000
    assert pulses.max() <= 2000
    assert t.correction_us[0] == 0  # would need 989 us
    assert t.left_over_deg[0] == pytest.approx(1.0, abs=0.01)
    assert t.short_deg == pytest.approx(1.0, abs=0.01)
    assert t.reach_us[0] == pytest.approx(1011, abs=2.5)  # of the 2.5 us grid


def test_hysteresis_is_what_trim_cannot_remove():
    t = trim(stroke(hysteresis=0.2), stroke(hysteresis=0.8, centre=0.5))
    assert t.worst[0] == pytest.approx(0.3, abs=0.002)  # half the difference of the widths


@pytest.mark.parametrize("bend", [2.0, -4.0])
def test_the_points_are_set_for_the_least_worst_mismatch(bend):
    leader, follower = stroke(hysteresis=0.0), stroke(hysteresis=0.0, bend=bend, low=900, high=2100)
    t = trim(leader, follower)
    # independent: the best curve of 9 points is the Chebyshev fit of the ideal correction, scaled by the slope
    at = leader.command_us
    ideal = np.interp(leader.mid(at), follower.mid_deg, follower.command_us) - at
    slope = np.interp(at + ideal, follower.command_us, np.gradient(follower.mid_deg, follower.command_us))
    hats = np.column_stack([np.interp(at, t.command_us, e) for e in np.eye(9)]) * slope[:, None]
    rows = np.vstack([np.column_stack([s * hats, -np.ones(at.size)]) for s in (1, -1)])
    best = linprog([0] * 9 + [1], rows, np.r_[ideal * slope, -ideal * slope], bounds=[(None, None)] * 9 + [(0, None)])
    assert t.worst[0] <= 1.1 * best.fun + 1e-4  # 1e-4 deg: the fine grid's linear interpolation
    assert np.abs(t.curve_us - np.interp(t.command_us, at, ideal)).max() < 10  # us: shifted, not thrown about


def test_what_could_be_left_exact_is_left_exact():
    leader, follower = stroke(hysteresis=0.1), stroke(hysteresis=0.9, bend=1.0)
    t = trim(leader, follower)
    assert t.left_over_deg[2:7] == pytest.approx(0.4, abs=0.003)


def test_three_levels_are_compared_at_three_levels():
    t = trim(stroke(levels=3), stroke(levels=3, centre=0.3, hysteresis=0.6, low=950, high=2050))
    assert t.at_us.tolist() == [1000, 1500, 2000]
    assert stroke(levels=3).sparse


def test_an_end_to_end_command_shows_no_hysteresis():
    assert not stroke(levels=2).hysteresis


def test_a_log_without_position_has_no_stroke():
    assert stroke_of({}) == "no position against command in its log"


def test_negated_angles_on_a_reversed_channel_are_the_same_servo_again():
    one = stroke(hysteresis=0.4)
    other = reversed_channel(negated(one))
    at = np.array([1100.0, 1500.0, 1900.0])
    # angle 45 x, so mirrored and negated it is itself, each direction of approach included
    assert other.up(at) == pytest.approx(one.up(at), abs=1e-9)
    assert other.down(at) == pytest.approx(one.down(at), abs=1e-9)
    assert other.falling == one.falling


def test_stiffness_is_the_slope_of_torque_over_deflection():
    measured = stiffness(ServoProcedure.Trim(stiffness_readings=[(0.5, 2.5), (1.0, 5.0), (1.5, 7.5)]))
    assert measured.value == pytest.approx(0.2)
    assert measured.u == pytest.approx(0.0, abs=1e-12)
    stated = stiffness(ServoProcedure.Trim(stiffness_nm_per_deg=0.25, stiffness_u_nm_per_deg=0.05))
    assert (stated.value, stated.u) == (0.25, 0.05)
    assert stiffness(ServoProcedure.Trim()) is None


def test_two_servos_share_the_mismatch_between_them():
    assert fighting_load_nm(np.array([1.0, -2.0]), 0.3) == pytest.approx([0.15, 0.3])


def test_a_direction_that_was_not_measured_is_taken_to_lie_as_far_off_the_middle_as_nearby():
    # three levels, the ends from one side only; 1250 us was passed with falling command only
    t = trim(stroke(levels=3, hysteresis=0.2), stroke(levels=3, hysteresis=1.0, centre=0.3, low=950, high=2050))
    assert t.before_deg == pytest.approx(0.7, abs=0.02)  # 0.3 off, and half of 1.0 - 0.2 to either side
    assert t.left_over_deg == pytest.approx(0.4, abs=0.02)


def test_noise_is_averaged_over_the_readings_between_command_points():
    rng = np.random.default_rng(4)
    errors = []
    for _ in range(40):
        tables = [stroke_table(levels=41, u=0.05, low=low, high=high) for low, high in ((1000, 2000), (900, 2100))]
        for table in tables:
            table["position_up_deg"] += rng.normal(0, 0.05, 41)
            table["position_down_deg"] += rng.normal(0, 0.05, 41)
        t = trim(*(stroke_of({"stroke_curve": table}) for table in tables))
        errors.append(0.09 * t.curve_us[2:-2])  # deg; the true correction is nothing
    # the middle of both directions of both servos: 0.05 deg; over the readings between two points some half of it
    assert np.std(errors) < 0.75 * 0.05
