"""Logs of many kinds (own simulation, see tests/benchmarks/servo_zoo.py for what is true of each)."""

import numpy as np
import pytest

from tests.benchmarks.servo_zoo import ZOO, judge

# the whole zoo runs as a benchmark; these are the kinds that once went wrong
KINDS = (
    "square, very unequal dwells", "square, pause in the middle", "square, pause, position only",
    "square, three stalls, 10 Hz", "square, three stalls, position only", "square, command in percent",
    "square, current only, strokes alike", "square, current only, strokes differ",
    "square, random dwells, position only",
    "square, command unrelated noise", "staircase of five levels", "sine, 10 Hz", "multi-sine of 10 s, position only",
    "multi-sine, one period", "chirp", "chirp, position only", "chirp, current only", "random binary",
    "random binary, position only", "random levels", "smooth random, position only", "noise as position",
    "one step, position only",
)  # fmt: skip


@pytest.mark.parametrize("name", KINDS)
def test_cycles_are_right_or_none_are_counted_and_nothing_false_is_told(name):
    assert judge(ZOO[name](np.random.default_rng([20, list(ZOO).index(name)]))) == []
