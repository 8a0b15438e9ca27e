from __future__ import annotations

import numpy as np
import pytest

from benchlab.simulate.power import LoadPhase, Logger, Source, open_circuit_v, simulate_load

IDEAL = Logger(averaging=True, noise_a=0, noise_v=0, step_a=0, step_v=0)
PHASES = (LoadPhase(name="idle", seconds=20, pulses_per_s=0), LoadPhase(name="cruise", seconds=40))


def test_the_same_seed_gives_the_same_log():
    a, b = (simulate_load(PHASES, Source(), Logger(), np.random.default_rng(7))[0] for _ in range(2))
    assert a.equals(b)


def test_truth_is_that_of_the_log_without_noise():
    frame, truth = simulate_load(PHASES, Source(), IDEAL, np.random.default_rng(1))
    assert frame["current_a"].sum() * 0.05 / 3.6 == pytest.approx(truth.charge_mah)  # averages over 50 ms, summed
    assert sum(truth.phase_charge_mah.values()) == pytest.approx(truth.charge_mah)
    assert truth.phase_charge_mah["idle"] == pytest.approx(0.4 * 20 / 3.6)


def test_gaps_dips_and_clipping_are_planted():
    logger = Logger(gaps=((5.0, 2.0),), dips=((30.0, 1.0, 2),), clip_a=2.0)
    frame, truth = simulate_load(PHASES, Source(), logger, np.random.default_rng(1))
    assert frame["time_s"].diff().max() == pytest.approx(2.0, abs=0.051)
    assert frame["current_a"].max() == 2.0
    assert truth.peak_current_a > 2.0
    assert frame.set_index("time_s")["voltage_v"].idxmin() == pytest.approx(30.0, abs=0.051)


def test_open_circuit_voltage_falls_with_charge():
    v = open_circuit_v(np.linspace(1, 0, 100), 2)
    assert (np.diff(v) < 0).all()
