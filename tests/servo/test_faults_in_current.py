"""Teeth and binding against the texture that sound gears have. Own simulation with known truth."""

from dataclasses import replace

import numpy as np
import pytest

from benchlab.procedure import load_procedures
from benchlab.servo.cycles import find_cycles
from benchlab.servo.profile_events import find
from benchlab.servo.quantities import measure
from benchlab.servo.samples import join
from benchlab.servo.sweep import sweep
from benchlab.simulate.servo import Bench, Fault, Traits, simulate_servo

PROCEDURE = load_procedures().servo
BENCH = Bench(cycles=120, sampling_hz=100, period_s=2.0)
ROUGH = Traits(texture=0.06, mesh_deg=7.0, irregular=0.02, eccentricity=0.02)


def events(*faults, traits=None, bench=BENCH, seed=11):
    frame = simulate_servo(np.random.default_rng(seed), bench, traits or Traits(), faults).frame
    return look(frame)


def look(frame):
    samples = join([frame], PROCEDURE)
    cycles = find_cycles(samples, PROCEDURE)
    swept = sweep(samples, cycles, PROCEDURE)
    return find(samples, cycles, swept, measure(samples, cycles, swept, PROCEDURE, 7.4), PROCEDURE)


@pytest.mark.parametrize("pattern", ["step_neutral", "step"])
@pytest.mark.parametrize("angle", [-31.0, 22.0])
def test_a_tooth_from_the_first_cycle_on_is_found_at_its_angle(pattern, angle):
    found, _ = events(Fault(kind="tooth", size=0.06, angle_deg=angle), bench=replace(BENCH, pattern=pattern))
    assert [e.kind for e in found] == ["tooth"]
    at = float(found[0].text.split()[-2])
    assert at == pytest.approx(angle, abs=2.0)  # samples lie 4 deg apart
    assert found[0].size == pytest.approx(0.06, rel=0.5)


@pytest.mark.parametrize("pattern", ["step_neutral", "step"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rough_and_eccentric_gears_are_neither_teeth_nor_binding(pattern, seed):
    assert events(traits=ROUGH, bench=replace(BENCH, pattern=pattern), seed=seed)[0] == []


@pytest.mark.parametrize("pattern", ["step_neutral", "step"])
def test_binding_is_found_at_its_end(pattern):
    found, _ = events(Fault(kind="binding", size=0.06), bench=replace(BENCH, pattern=pattern))
    assert [(e.kind, e.text) for e in found] == [("binding", "current rises towards the high end")]


def test_a_spike_of_one_direction_alone_is_no_tooth():
    frame = simulate_servo(np.random.default_rng(3), BENCH).frame
    position = frame["position_deg"].to_numpy()
    rising = np.gradient(position) > 1.0
    bump = 0.08 * np.exp(-0.5 * ((position - 20) / 1.5) ** 2) * rising
    found, _ = look(frame.assign(current_a=frame["current_a"] + bump))
    assert "tooth" not in {e.kind for e in found}


def test_coarse_sampling_is_told_as_not_measured():
    found, unseen = events(Fault(kind="tooth", size=0.2), bench=replace(BENCH, sampling_hz=25))
    assert found == []
    assert "too coarsely" in unseen["tooth"]


def test_a_log_whose_strokes_pass_other_angles_later_on_does_not_break_the_search():
    # found by a benchmark: a servo so much slower later that no cell of a block is one of the first block
    found, unseen = events(Fault(kind="slowing", size=8.0), bench=replace(BENCH, cycles=240, sampling_hz=50))
    assert {e.kind for e in found} <= {"tooth", "binding"}
    assert set(unseen) <= {"tooth", "binding"}
