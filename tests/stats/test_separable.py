import numpy as np
import pytest

from benchlab.stats.separable import fit_separable, log_grid

T = np.linspace(0, 10, 50)


def decay(theta):
    return np.column_stack([np.ones_like(T), np.exp(-T / theta[0])])


def test_recovers_exact_parameters_from_a_coarse_grid():
    fit = fit_separable(decay, 3 - 2 * np.exp(-T / 1.7), log_grid((0.01, 100), points=12))
    # data without noise: the optimum is a zero of the residuals, found to about the root of the machine precision
    np.testing.assert_allclose(fit.parameters, [3, -2, 1.7], rtol=1e-7)
    assert fit.converged
    assert fit.at_bound == (False,)


def test_covariance_is_that_of_the_full_jacobian():
    y = 3 - 2 * np.exp(-T / 1.7) + 0.1 * np.random.default_rng(1).normal(size=50)
    fit = fit_separable(decay, y, log_grid((0.01, 100), points=12))
    _, a, tau = fit.parameters
    j = np.column_stack([np.ones_like(T), np.exp(-T / tau), a * np.exp(-T / tau) * T / tau**2])
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(j.T @ j) * fit.rss / 47, rtol=1e-6)
    assert fit.dof == 47


def test_an_analytic_derivative_gives_the_same_as_differences():
    y = 3 - 2 * np.exp(-T / 1.7) + 0.1 * np.random.default_rng(2).normal(size=50)
    grid = log_grid((0.01, 100), points=12)

    def derivative(theta):
        d = np.exp(-T / theta[0]) * T / theta[0] ** 2
        return np.stack([np.zeros_like(T), d], axis=1)[:, :, None]

    a, b = fit_separable(decay, y, grid), fit_separable(decay, y, grid, derivative=derivative)
    np.testing.assert_allclose(a.parameters, b.parameters, rtol=1e-8)
    np.testing.assert_allclose(a.u, b.u, rtol=1e-6)


def test_an_optimum_outside_the_bounds_is_reported_at_the_bound():
    y = 3 - 2 * np.exp(-T / 1.7)
    fit = fit_separable(decay, y, log_grid((2, 5), points=10), lower=2.0, upper=5.0)
    assert fit.nonlinear[0] == pytest.approx(2.0)
    assert fit.at_bound == (True,)


def test_parameters_that_the_data_do_not_determine_have_no_finite_uncertainty():
    fit = fit_separable(lambda th: np.column_stack([np.ones(6), np.ones(6)]) * th[0], np.arange(6.0), log_grid((1, 2)))
    assert not np.isfinite(fit.u).all()


def test_as_many_values_as_parameters_leave_no_uncertainty():
    fit = fit_separable(lambda _: np.eye(3), [1.0, 2.0, 3.0], np.empty((1, 0)))
    np.testing.assert_allclose(fit.linear, [1, 2, 3])
    assert np.isnan(fit.residual_sd)


@pytest.mark.parametrize(
    ("y", "grid", "message"),
    [
        ([1.0, np.nan, 2.0], [1.0], "finite"),
        ([1.0, 2.0], [1.0], "too few"),
        ([1.0, 2.0, 3.0, 4.0], [-5.0], "within the bounds"),
    ],
)
def test_unusable_input_is_refused(y, grid, message):
    x = np.arange(float(len(y)))
    with pytest.raises(ValueError, match=message):
        fit_separable(lambda th: np.column_stack([np.ones_like(x), np.exp(-x / th[0])]), y, grid, lower=0.1)


def test_a_grid_holds_all_combinations():
    np.testing.assert_allclose(log_grid((1, 100), (2, 8), points=3)[:4], [[1, 2], [1, 4], [1, 8], [10, 2]])
