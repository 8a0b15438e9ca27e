import numpy as np
import pytest

from benchlab.stats.grid import grid_step, grid_uncertainty, least_step


def test_the_step_is_the_least_distance_of_recurring_values():
    assert grid_step(np.array([1.0, 1.2, 1.2, 1.0, 1.2, 1.0, 1.5])) == pytest.approx(0.2)


@pytest.mark.parametrize(
    "y", [np.arange(50.0), np.full(50, 3.0), np.r_[np.full(10, 3.0), np.random.default_rng(1).random(40)]]
)
def test_values_that_do_not_recur_or_never_change_lie_on_no_grid(y):
    assert grid_step(y) == 0.0


def test_one_change_is_as_large_as_the_last_decimal_at_least():
    # 7.4 to 8.6 in tenths: on a grid of 1.2 it would be one step, but tenths are what the values have
    assert least_step(np.repeat([7.4, 8.6], 50), 1.2) == pytest.approx(0.1)
    assert least_step(np.repeat([7.0, 8.0], 50), 1.0) == 1.0
    assert least_step(np.tile([7.4, 8.6], 50), 1.2) == 1.2


def test_uncertainty_of_a_mean_is_that_of_one_reading():
    # 1/sqrt(12) = 0.289: neighbours share their error, so many readings are no better than one
    assert grid_uncertainty(np.ones((100, 1)), np.array([[1.0]]), 1.0, 0.0) == pytest.approx(0.2887, abs=1e-4)


def test_uncertainty_of_a_slope_is_three_steps_over_the_length():
    # weights (x - m) / sum (x - m)^2 = 12 (x - m) / (n L^2): their magnitudes add up to 3 / L, with L = 100
    x = np.linspace(0, 100, 2001)
    u = grid_uncertainty(np.column_stack([np.ones_like(x), x]), np.array([[0.0, 1.0]]), 1.0, 0.0)
    assert u == pytest.approx(3 / 100 / np.sqrt(12), rel=2e-3)


def test_noise_over_the_steps_carries_the_values_across():
    one = np.ones((10, 1)), np.array([[1.0]])
    assert grid_uncertainty(*one, 1.0, 1.0) < 1e-3 * grid_uncertainty(*one, 1.0, 0.0)


def test_levels_that_differ_by_rounding_are_one():
    assert grid_step(np.tile([0.1 + 0.2, 0.3, 0.5], 10)) == pytest.approx(0.2)
