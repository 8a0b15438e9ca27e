import numpy as np
import pytest

from benchlab.airframe import Servo
from benchlab.errors import BenchlabError
from benchlab.procedure import Limit, Rule, load_procedures
from benchlab.servo.plan import drift_uncertainty, plan_cycles, plan_from_pilot, plan_text
from benchlab.simulate.servo import Bench, simulate_servo

PROCEDURE = load_procedures().servo
WITHIN = Limit(upper=0.5, lower=-0.5)


def test_drift_uncertainty_is_that_of_a_straight_line():
    # textbook: slope of n equally spaced values with spacing 1, u = sd sqrt(12 / (n (n^2 - 1)))
    assert drift_uncertainty(500, 0.2, 0.0) == pytest.approx(1000 * 0.2 * np.sqrt(12 / (500 * (500**2 - 1))), rel=1e-9)


def test_correlated_noise_counts_as_at_low_frequency():
    # large n: sd^2 (1 + rho) / (1 - rho) takes the place of sd^2; 1 % off at n = 2000
    ratio = drift_uncertainty(2000, 1.0, 0.6) / drift_uncertainty(2000, 1.0, 0.0)
    assert ratio == pytest.approx(np.sqrt(1.6 / 0.4), rel=0.01)


def test_a_settling_costs_uncertainty_and_less_so_the_longer_the_log():
    plain, settling = ([drift_uncertainty(n, 1.0, 0.3, *more) for n in (300, 2000)] for more in ((), (60.0, 10.0)))
    assert settling[0] > 2 * plain[0]
    assert plain[1] < settling[1] < 1.3 * plain[1]


def test_the_planned_uncertainty_is_the_wanted_one_and_one_cycle_less_is_not_enough():
    plan = plan_cycles(sd=0.1, rho=0.2, limit=WITHIN, rule=Rule())
    # accepted at 95 % with probability 95 %: the limit lies 2 x 1.645 standard uncertainties away
    assert plan.u_wanted == pytest.approx(0.5 / (2 * 1.6449), rel=1e-4)
    assert plan.u_reached <= plan.u_wanted < plan.u_reached * (plan.total / (plan.total - 1)) ** 1.5


def test_run_in_takes_three_time_constants_and_what_is_not_known_of_them():
    plan = plan_cycles(sd=0.001, rho=0.3, limit=Limit(upper=1.0), rule=Rule(), tau_cycles=100, amplitude=1.0)
    # -100 ln 0.05 = 299.6; the time constant itself is known to 0.2 cycles there
    assert plan.for_run_in == pytest.approx(301, abs=2)


def test_a_drift_outside_the_limit_is_never_shown_inside():
    plan = plan_cycles(sd=0.1, rho=0.0, limit=Limit(upper=0.5), rule=Rule(), expected_per_1000=0.6)
    assert plan.total is None
    assert "Not to be shown" in plan_text(plan)


def test_a_limit_far_below_the_noise_is_told_to_be_out_of_reach():
    assert plan_cycles(sd=100.0, rho=0.9, limit=Limit(upper=0.001), rule=Rule()).total is None


@pytest.mark.parametrize("wrong", [{"rho": 1.0}, {"sd": -1.0}, {"tau_cycles": 0.0}])
def test_nonsense_is_refused(wrong):
    with pytest.raises(ValueError, match="rho"):
        plan_cycles(**({"sd": 0.1, "rho": 0.0, "limit": WITHIN, "rule": Rule()} | wrong))


def pilot(cycles):
    return [simulate_servo(np.random.default_rng(4), Bench(cycles=cycles, sampling_hz=50, period_s=2.4)).frame]


def test_a_pilot_log_plans_every_quantity_with_a_limit_on_its_drift():
    plan = plan_from_pilot(pilot(250), Servo(id="S"), PROCEDURE)
    assert {"centre_deg", "hysteresis_deg", "moving_current_ref_a", "transit_ref_s_per_60deg"} <= set(plan.quantities)
    assert plan.total >= 990  # the procedure's own limit on the count
    text = plan_text(plan)
    assert "The procedure asks for 990 cycles in any case." in text
    assert "In all: 990 cycles, 740 more than the pilot log." in text
    assert max(map(len, text.splitlines())) <= 80


def test_a_short_pilot_is_refused_with_what_to_do():
    with pytest.raises(BenchlabError, match="50 are needed"):
        plan_from_pilot(pilot(20), Servo(id="S"), PROCEDURE)
