import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import t as student

from benchlab.stats.average import Mixture, estimates, explore
from benchlab.stats.surface import design

K = np.arange(1.0, 201)
LINE = np.column_stack([np.ones_like(K), (K - 1) / 199])


def two(scale=(1.0, 3.0), dof=40.0):
    """Half at 0 and half at 10."""
    return Mixture(
        weight=np.array([0.5, 0.5]), centre=np.array([[0.0, 10.0]]), scale=np.array([scale]), dof=np.full(2, dof)
    )


def test_mean_and_deviation_of_a_mixture_by_hand():
    # variance within (1 + 9) / 2, between 25
    assert two().mean == pytest.approx(5.0)
    assert two().u == pytest.approx(np.sqrt(30))


def test_the_scaled_mean_trusts_the_sharper_component_more():
    # weights 1/2 and 1/2 over variances 1 and 9: (10 / 9) / (1 + 1 / 9) = 1
    assert two().scaled_mean == pytest.approx(1.0)
    # without uncertainty of any component it is the mean
    assert two(scale=(0.0, 0.0)).scaled_mean == pytest.approx(5.0)


@pytest.mark.parametrize("dof", [3.0, 40.0, 990.0])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_quantiles_of_a_mixture(dof, probability):
    exact = brentq(lambda x: 0.5 * student.cdf(x, dof) + 0.5 * student.cdf((x - 10) / 3, dof) - probability, -99, 99)
    # the approximation of Student's t is within 0.002 in probability; where the density is least (between the two
    # centres and in the tails at 3 degrees of freedom) that is 0.2 of a scale
    (found,) = two(dof=dof).quantiles(probability)
    assert found == pytest.approx(exact, abs=0.02 if dof > 3 else 0.3)


def test_quantiles_are_found_between_components_far_apart():
    # the density between them is nothing: Newton's steps lead nowhere there
    m = Mixture(
        weight=np.array([0.5, 0.5]), centre=np.array([[0.0, 1e6], [3.0, 3.0]]),
        scale=np.array([[1.0, 1.0], [0.0, 0.0]]), dof=np.full(2, 1e6),
    )  # fmt: skip
    low, near, middle, high = m.quantiles(0.025, 0.4, 0.5, 0.975)
    # a fifth, the half, and 0.8 of one component: normal quantiles 1.6449, 0.8416 by the table
    assert low[0] == pytest.approx(-1.6449, abs=1e-3)
    assert near[0] == pytest.approx(0.8416, abs=1e-3)
    assert 5 < middle[0] < 1e6 - 5
    assert high[0] == pytest.approx(1e6 + 1.6449, abs=1e-3)
    assert [x[1] for x in (low, near, middle, high)] == pytest.approx([3.0] * 4)


def test_an_interval_holds_both_centres_where_the_data_cannot_choose():
    (e,) = estimates(two(), ["A"])
    assert e.lo < 0 < 10 < e.hi


@pytest.mark.parametrize("amplitude", [0.0, 30.0])
def test_weights_tell_whether_there_is_settling(amplitude):
    y = amplitude * np.exp(-(K - 1) / 20) + np.random.default_rng(1).normal(size=200)
    post = explore(design(K, y, LINE), (2.0, 400.0))
    assert post.without.sum() + post.settling.sum() == pytest.approx(1.0)
    assert (post.settling_share > 0.999) if amplitude else (post.settling_share < 0.7)


def test_settling_that_is_known_leaves_no_weight_without_it():
    y = np.random.default_rng(2).normal(size=200)
    assert explore(design(K, y, LINE), (2.0, 400.0), settling_known=True).settling_share == pytest.approx(1.0)
