"""Single wrong samples never change a verdict; the full run is tests/benchmarks/servo_glitches.py."""

import numpy as np
import pytest

from tests.benchmarks.servo_glitches import BASES, base, glitched, judged


@pytest.fixture(scope="module")
def clean():
    return {i: judged(base(i, 12)).verdict for i in (2, 3)}


@pytest.mark.parametrize("case", range(6))
@pytest.mark.parametrize("i", [2, 3])
def test_one_to_three_random_glitches_leave_the_verdict_as_it_was(clean, i, case):
    assert i < len(BASES)
    frame, told = glitched(np.random.default_rng([12, i, case]), base(i, 12))
    assert judged(frame).verdict == clean[i], told


def test_a_glitch_between_two_steps_of_the_reading_hides_no_step():
    from benchlab.servo.samples import seen_step

    readings = np.tile([0.0, 0.1, 0.2, 0.3], 100)
    readings[17] = 33.94
    assert seen_step(readings) == pytest.approx(0.1)
