import numpy as np
import pytest

from benchlab.procedure import Limit, Rule
from benchlab.servo.plan import drift_uncertainty, plan_cycles


def test_drift_uncertainty_is_that_of_a_straight_line():
    n = 500
    k = np.arange(n)
    design = np.column_stack([np.ones(n), k])
    slope_u = np.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    # the large-n form leaves out 1 of n^2
    assert drift_uncertainty(n, 0.2, 0.0) == pytest.approx(1000 * 0.2 * slope_u, rel=1e-4)


def test_a_servo_without_settling_needs_what_the_formula_says():
    plan = plan_cycles(sd=0.1, rho=0.0, limit=Limit(upper=0.5, lower=-0.5), rule=Rule(), settling=False)
    # accepted at 95 % with probability 95 %: the limit lies 2 x 1.645 standard uncertainties away
    assert drift_uncertainty(plan.for_drift, 0.1, 0.0) <= 0.5 / (2 * 1.645) * 1.001
    assert drift_uncertainty(plan.for_drift - 2, 0.1, 0.0) > 0.5 / (2 * 1.645)


def test_run_in_takes_three_time_constants():
    plan = plan_cycles(sd=0.01, rho=0.3, limit=Limit(upper=1.0), rule=Rule(), tau_cycles=100)
    assert plan.for_run_in == 300  # -100 ln 0.05 = 299.6


def test_a_drift_outside_the_limit_is_never_shown_inside():
    plan = plan_cycles(sd=0.1, rho=0.0, limit=Limit(upper=0.5), rule=Rule(), expected_per_1000=0.6)
    assert plan.total is None


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="rho"):
        plan_cycles(sd=0.1, rho=1.0, limit=Limit(upper=0.5), rule=Rule())
