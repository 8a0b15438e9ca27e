from __future__ import annotations

import numpy as np
import pytest

from benchlab.power.sampling import Edges, find_edges, sampling_uncertainty


def u_of(x, h, noise=0.0, edges=None):
    n = len(x)
    edges = edges or Edges(smooth=0.0, in_step=np.zeros(n - 1, dtype=np.intp))
    return sampling_uncertainty(x, np.full(n - 1, h), np.ones(n, bool), noise, edges)


def pulses(rows, rest, count, height=3.0):
    return np.tile(np.concatenate([np.zeros(rest), np.full(rows, height)]), count)


def test_one_jump_lies_anywhere_in_its_interval():
    assert u_of(np.array([0.0, 0, 0, 6, 6, 6]), 1.0) == pytest.approx(6 / np.sqrt(12))


def test_white_noise_is_its_own():
    # n readings of noise s at interval h: the integral scatters by s h sqrt(n); what noise beyond three standard
    # deviations adds is below 1 %
    x = np.random.default_rng(2).normal(0, 1, 20_000)
    assert u_of(x, 0.1, noise=1.0) == pytest.approx(0.1 * np.sqrt(20_000), rel=0.01)


def test_a_pulse_seen_in_one_row_may_have_been_any_shorter():
    x = np.zeros(40)
    x[20] = 5.0
    # two jumps, 2 / 12, and the pulse itself, 5 / 6: 5 A x 1 s in all
    assert u_of(x, 1.0) == pytest.approx(5.0)


def test_pulses_of_one_and_of_two_rows_are_longer_than_the_interval():
    x = np.concatenate([pulses(1, 9, 10), pulses(2, 9, 10), [0.0]])
    # 20 pulses, 40 jumps
    assert u_of(x, 1.0) == pytest.approx(3 * np.sqrt(40 / 12))


def test_edges_with_a_row_in_them_are_placed_by_it():
    rng = np.random.default_rng(3)
    fine = np.zeros(400_000)
    for start in rng.uniform(0, 390_000, 400).astype(int):
        fine[start : start + 2500] = 2.0
    averaged, points = fine.reshape(-1, 100).mean(axis=1), fine[::100]
    h = np.ones(len(points) - 1)
    assert find_edges(points, h, 0.001).smooth < 0.05
    assert find_edges(averaged, h, 0.001).smooth > 0.8  # one in five follows another by chance


def test_pulses_in_step_with_the_log_are_misread_alike():
    x = pulses(8, 32, 20)
    edges = find_edges(x, np.ones(len(x) - 1), 0.001)
    assert edges.any_in_step
    # each pulse D h / sqrt(6), twenty of them in a line; the last one ends with the log
    assert u_of(x, 1.0, edges=edges) == pytest.approx(20 * 3 / np.sqrt(6), rel=0.06)


def test_pulses_of_changing_length_are_not_in_step():
    rng = np.random.default_rng(4)
    x = np.concatenate([pulses(int(rng.integers(7, 9)), int(rng.integers(30, 33)), 1) for _ in range(30)])
    assert not find_edges(x, np.ones(len(x) - 1), 0.001).any_in_step
