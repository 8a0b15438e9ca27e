import numpy as np
import pytest

from benchlab.stats.spread import spread_change

K = np.arange(1.0, 991)


def test_exact_growth_of_a_regular_pattern():
    # +-1 in turns times exp(g k): every block's mean absolute value lies on the line in log but for the curvature of
    # exp within a block (1/20 of the log), a part in 10 000
    change = spread_change(K, np.where(K % 2 == 0, 1.0, -1.0) * 3 ** ((K - 1) / 989))
    assert change.ratio.value == pytest.approx(3.0, rel=1e-2)
    assert change.grows


def test_steady_noise_does_not_grow_and_the_interval_holds_one():
    changes = [spread_change(K, np.random.default_rng([1, i]).normal(size=990)) for i in range(200)]
    # 190 of 200 expected, 3 standard deviations of the binomial are 9
    assert sum(c.ratio.lo <= 1 <= c.ratio.hi for c in changes) >= 181
    # at a level of 1 in 2000, 200 series show 0.1; two would have a probability of 0.5 %
    assert sum(c.grows for c in changes) <= 1


def test_a_doubled_spread_is_told_and_a_halved_one_is_no_growth():
    e = np.random.default_rng(2).normal(size=990)
    grown = spread_change(K, e * 2 ** ((K - 1) / 989))
    assert grown.grows
    assert grown.ratio.lo <= 2 <= grown.ratio.hi
    assert not spread_change(K, e * 0.5 ** ((K - 1) / 989)).grows


def test_heavy_tails_do_not_pass_for_growth():
    changes = [spread_change(K, np.random.default_rng([3, i]).standard_t(3, size=990)) for i in range(300)]
    # at a level of 1 in 2000, 300 series show 0.15; two would have a probability of 1 %
    assert sum(c.grows for c in changes) <= 1


def test_a_single_wild_value_does_not_pass_for_growth():
    e = np.random.default_rng(4).normal(size=990)
    e[980] = 300.0
    assert not spread_change(K, e).grows


@pytest.mark.parametrize("residual", [np.ones(119), np.zeros(990), np.r_[np.zeros(500), np.arange(490.0)]])
def test_too_few_values_or_none_that_vary_say_nothing(residual):
    assert spread_change(np.arange(len(residual), dtype=float), residual) is None
