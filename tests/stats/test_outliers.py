import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlab.stats.outliers import grubbs, modified_z, rosner_esd


def test_two_outliers_that_mask_each_other_are_both_found():
    y = np.array([*np.linspace(-1, 1, 30), 9.0, 9.1])
    assert set(rosner_esd(y, 5).outliers) == {30, 31}


def test_nan_is_never_an_outlier_and_places_are_those_of_the_input():
    y = np.array([np.nan, 100.0, *np.linspace(-1, 1, 30), np.nan])
    assert list(rosner_esd(y, 3).outliers) == [1]


@pytest.mark.parametrize("y", [[], [1.0], [1.0, 2.0], [3.0] * 20, [np.nan] * 5])
def test_too_few_or_constant_values_have_no_outliers(y):
    assert len(rosner_esd(np.array(y), 5).outliers) == 0


def test_one_value_off_a_constant_is_an_outlier():
    y = np.full(50, 7.4)
    y[20] = 7.5
    assert list(rosner_esd(y, 5, alpha=0.001).outliers) == [20]


def test_level_must_be_a_probability():
    with pytest.raises(ValueError, match="alpha must lie between 0 and 1"):
        rosner_esd([1.0, 2.0, 3.0, 4.0], 1, alpha=5.0)


def test_statistics_keep_their_digits_beside_a_value_a_million_million_times_larger():
    y = np.array([*np.linspace(-1, 1, 40), 3.0, -4.0, 1e12])
    found = rosner_esd(y, 3)
    for k, statistic in zip(([42, 41, 40], [41, 40], [40]), found.statistic, strict=True):
        rest = y[[*range(40), *k]]
        assert statistic == pytest.approx(np.abs(rest - rest.mean()).max() / rest.std(ddof=1), rel=1e-3)
    assert list(found.outliers) == [42, 41, 40]


@given(st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=30), st.floats(0.1, 1e3), st.floats(-1e3, 1e3))
@settings(deadline=None, max_examples=60)
def test_statistics_do_not_depend_on_unit_and_origin(values, scale, shift):
    y = np.array(values)
    a, b = rosner_esd(y, 2).statistic, rosner_esd(scale * y + shift, 2).statistic
    if y.std() > 1e-3 * (1 + np.abs(y).max()):
        # shifting costs digits in proportion to offset over spread, at most 1e6 here
        np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-6)


def test_false_alarms_stay_at_the_level():
    rng = np.random.default_rng(1)
    alarms = sum(len(rosner_esd(rng.normal(size=100), 5, alpha=0.05).outliers) > 0 for _ in range(1000))
    assert 30 <= alarms <= 72  # binomial, 50 expected, 3 standard deviations = 21


def test_990_values_take_little_time():
    y = np.random.default_rng(2).normal(size=990)
    began = time.perf_counter()
    rosner_esd(y, 49)
    assert time.perf_counter() - began < 0.1  # about 1 ms; a hundred times that means another algorithm


def test_grubbs_one_sided_looks_at_the_largest_only():
    y = [1.0, 1.1, 0.9, 1.05, 0.95, -9.0]
    assert not grubbs(y, two_sided=False).outlier
    assert grubbs(y).outlier
    assert grubbs(y).index == 5


def test_grubbs_needs_three_values():
    with pytest.raises(ValueError, match="needs 3 values"):
        grubbs([1.0, 2.0])


def test_modified_z_by_hand():
    # median 3, absolute deviations 2 1 0 1 97, MAD 1
    np.testing.assert_allclose(modified_z([1, 2, 3, 4, 100]), 0.6745 * np.array([-2, -1, 0, 1, 97]))


def test_modified_z_with_more_than_half_equal_uses_the_mean_deviation():
    z = modified_z([5.0, 5.0, 5.0, 5.0, 6.0])
    assert z[-1] == pytest.approx(1 / (np.sqrt(np.pi / 2) * 0.2))
    np.testing.assert_array_equal(modified_z([5.0, 5.0, 5.0]), 0.0)
    assert np.isnan(modified_z([np.nan, np.nan])).all()
