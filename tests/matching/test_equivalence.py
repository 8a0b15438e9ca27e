"""Equal means shown to be equal."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.matching.equivalence import compare, difference, equivalence, relative_difference
from benchlab.procedure import Rule, Tolerance
from benchlab.results import Estimate
from benchlab.stats.uncertainty import estimate

RULE = Rule(accept=0.95, reject=0.05)


@pytest.mark.parametrize(
    ("b", "u", "verdict"),
    [
        (1.2, 0.05, "accept"),  # 0.2 of 0.5 with u 0.07: shown inside
        (1.2, 0.5, "retest"),  # no difference is shown, but neither is equality
        (2.0, 0.05, "reject"),
    ],
)
def test_not_shown_to_differ_is_not_shown_to_be_equal(b, u, verdict):
    tolerance = Tolerance(absolute=0.5, source="example")
    finding, _ = compare("centre_deg", "a / b", estimate(1.0, u, "deg"), estimate(b, u, "deg"), tolerance, RULE)
    assert finding.verdict == verdict


def test_mismatch_is_the_difference_in_tolerances():
    _, mismatch = compare(
        "centre_deg", "a / b", estimate(1.0, 0.1, "deg"), estimate(1.3, 0.1, "deg"), Tolerance(absolute=0.5), RULE
    )
    assert mismatch == pytest.approx(0.6)


def test_percent_refers_to_the_mean_of_the_two_and_propagates_their_uncertainty():
    gap = relative_difference(estimate(110.0, 1.0, "A"), estimate(90.0, 1.0, "A"))
    assert gap.value == pytest.approx(20.0)
    assert gap.unit == "%"
    rng = np.random.default_rng(7)
    a, b = rng.normal(110, 1, 200_000), rng.normal(90, 1, 200_000)
    # Monte Carlo of 200 000: the standard deviation is known to 0.16 %
    assert gap.u == pytest.approx(np.std(200 * (a - b) / (a + b)), rel=0.01)


def test_a_mean_near_zero_has_no_percentage():
    assert relative_difference(estimate(0.1, 0.1, "A"), estimate(-0.1, 0.1, "A")).value is None


def test_a_value_without_uncertainty_is_to_be_retested():
    nominal = Estimate(value=4000.0, unit="mAh")
    finding, mismatch = compare("capacity_mah", "a / b", nominal, nominal, Tolerance(percent=5), RULE)
    assert finding.verdict == "retest"
    assert mismatch == 0
    assert "uncertainty is not known" in finding.reason


def test_an_absolute_and_a_percent_tolerance_must_both_be_met():
    both = Tolerance(absolute=5.0, percent=1.0)
    finding, mismatch = compare("x", "a / b", estimate(100.0, 0.1, "A"), estimate(103.0, 0.1, "A"), both, RULE)
    assert finding.unit == "%"
    assert mismatch == pytest.approx(2.956, abs=0.001)  # 3 / 101.5


@settings(deadline=None)
@given(st.floats(-5, 5), st.floats(0, 3), st.floats(0.01, 4))
def test_sign_does_not_matter_and_probabilities_are_probabilities(value, u, tolerance):
    there, back = equivalence(value, u, tolerance), equivalence(-value, u, tolerance)
    assert there.p_inside == pytest.approx(back.p_inside, abs=1e-12)  # rounding of two tails
    assert there.p_value == pytest.approx(back.p_value, abs=1e-12)
    assert 0 <= there.p_inside <= 1


def test_a_pair_at_the_limit_is_accepted_at_most_once_in_twenty():
    rng = np.random.default_rng(3)
    accepted = 0
    for a, b in rng.normal([0.0, 0.5], 0.08, (4000, 2)):
        gap = difference(estimate(a, 0.08, "deg"), estimate(b, 0.08, "deg"))
        accepted += equivalence(gap.value, gap.u, 0.5).p_inside >= 0.95
    # 4000 draws at 5 %: standard error 0.34 %, three of them allowed
    assert accepted / 4000 <= 0.05 + 3 * 0.0034
