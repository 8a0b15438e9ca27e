"""Verdicts follow the probability of conformity, never a bare threshold on a bare number."""

import pytest

from benchlab.judgement import judge, judge_count
from benchlab.procedure import Limit, Rule
from benchlab.stats.uncertainty import estimate

RULE = Rule(accept=0.95, reject=0.05)
LIMIT = Limit(upper=1.0, source="example")


@pytest.mark.parametrize(
    ("value", "u", "verdict"),
    [
        (0.5, 0.1, "accept"),  # five standard uncertainties inside
        (0.9, 0.1, "retest"),  # inside, but only one standard uncertainty: 84 %
        (1.1, 0.1, "retest"),  # outside by one: 16 %
        (1.5, 0.1, "reject"),
        (0.5, 10.0, "retest"),  # a good number that is worth nothing
    ],
)
def test_verdict_depends_on_value_and_uncertainty(value, u, verdict):
    assert judge("x_deg", "settled", estimate(value, u, "deg"), LIMIT, RULE).verdict == verdict


def test_few_degrees_of_freedom_make_it_harder_to_accept():
    # z = 1.8: 96.4 % under a normal, 89.3 % under t with 2 degrees of freedom
    assert judge("x_deg", "settled", estimate(0.82, 0.1, "deg"), LIMIT, RULE).verdict == "accept"
    assert judge("x_deg", "settled", estimate(0.82, 0.1, "deg", dof=2), LIMIT, RULE).verdict == "retest"


def test_a_limit_can_ask_for_a_retest_instead_of_a_rejection():
    soft = Limit(upper=0, otherwise="retest", source="example")
    assert judge_count("supply_dip", "events", 3, "events", soft).verdict == "retest"
    assert judge_count("supply_dip", "events", 0, "events", soft).verdict == "accept"


def test_a_value_without_uncertainty_is_never_accepted():
    assert judge("x_deg", "settled", estimate(0.1, None, "deg"), LIMIT, RULE).verdict == "retest"


def test_the_reason_names_value_uncertainty_and_limit():
    reason = judge("x_deg", "settled", estimate(1.5, 0.1, "deg"), LIMIT, RULE).reason
    assert "1.5 deg" in reason
    assert "0.1" in reason
    assert "at most 1 deg" in reason
