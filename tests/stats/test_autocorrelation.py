import numpy as np
import pytest

from benchlab.stats.autocorrelation import effective_sample_size, lag1, log_determinant, whiten


def test_lag_1_by_hand():
    # deviations -1 0 1: products 0 + 0, squares 2
    assert lag1([1.0, 2.0, 3.0]) == 0.0
    assert lag1([1.0, -1.0, 1.0, -1.0]) == pytest.approx(-0.75)
    assert np.isnan(lag1([2.0, 2.0]))


def test_whitening_by_hand():
    # (2 - 0.6 * 1) / 0.8 and, over a gap of two cycles, (3 - 0.36 * 2) / sqrt(1 - 0.36^2)
    np.testing.assert_allclose(whiten([1.0, 2.0, 3.0], [1, 2, 4], 0.6), [1.0, 1.75, 2.28 / np.sqrt(0.8704)])


def test_whitened_noise_is_white():
    rng = np.random.default_rng(1)
    e = np.zeros(20000)
    for i in range(1, len(e)):
        e[i] = 0.7 * e[i - 1] + rng.normal() * np.sqrt(0.51)
    kept = rng.random(len(e)) < 0.7
    w = whiten(e[kept], np.flatnonzero(kept), 0.7)
    assert lag1(w) == pytest.approx(0.0, abs=0.03)  # 3 / sqrt(14000) = 0.025
    assert w.std() == pytest.approx(1.0, abs=0.02)  # 3 / sqrt(2 * 14000) = 0.018


def test_columns_are_whitened_alike():
    z = np.arange(12.0).reshape(6, 2) ** 2
    out = whiten(z, np.arange(6), 0.5)
    np.testing.assert_allclose(out[:, 1], whiten(z[:, 1], np.arange(6), 0.5))


def test_log_determinant_of_two_neighbours():
    assert log_determinant([1, 2], 0.6) == pytest.approx(np.log(1 - 0.36))


def test_uncorrelated_values_count_fully():
    assert effective_sample_size(50, 0.0) == 50
    assert effective_sample_size(2, 0.5) == pytest.approx(2 / 1.5)
