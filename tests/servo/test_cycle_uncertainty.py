"""Stated uncertainty of one cycle against the scatter of simulated cycles that are truly alike."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from benchlab.servo.cycle_uncertainty import mean_u
from benchlab.simulate.servo import simulate_servo
from tests.benchmarks.servo_cycle_u import CLEAN, NOISY, STILL, ratios


def test_the_mean_of_noisy_readings_is_good_to_sd_over_root_n():
    assert mean_u(0.3, 0.0, 9) == pytest.approx(0.1)


def test_without_noise_a_rounded_mean_is_as_uncertain_as_one_rounded_reading():
    assert mean_u(0.0, 0.1, 50) == pytest.approx(0.1 / np.sqrt(12), rel=2e-3)  # the series is cut at 200 terms


def test_noise_of_a_step_carries_the_mean_over_the_rounding():
    assert mean_u(0.1, 0.1, 100) == pytest.approx(0.01, rel=1e-3)


@pytest.mark.parametrize("hz", [25.0, 100.0])
def test_stated_and_actual_agree_under_white_noise(hz):
    traits = replace(STILL, transit_s_per_60deg=0.14)
    made = simulate_servo(np.random.default_rng(5), replace(NOISY, sampling_hz=hz, cycles=150), traits)
    found = ratios(made.frame, pd.DataFrame())
    assert {"centre_deg", "hysteresis_deg", "travel_deg", "idle_current_a", "jitter_deg"} <= set(found)
    for name in ("centre_deg", "hysteresis_deg", "travel_deg", "end_high_deg", "idle_current_a", "jitter_deg"):
        u, scatter = found[name]
        # 148 values: their scatter is known to 6 %
        assert 0.8 < u / scatter < 1.25, name


def test_stated_and_actual_agree_where_only_the_step_makes_cycles_differ():
    bench = replace(CLEAN, position_step_deg=0.23, cycles=150)
    made = simulate_servo(np.random.default_rng(6), bench, replace(STILL, wander_deg=0.6, rho=0.0))
    u, scatter = ratios(made.frame, made.truth)["end_high_deg"]
    assert 0.8 < u / scatter < 1.25
