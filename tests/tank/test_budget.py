"""The budget of a tank adds up to the uncertainty that is stated, line by line."""

import dataclasses

import numpy as np
import pytest

from benchlab.airframe import Tank
from benchlab.procedure import load_procedures
from benchlab.simulate.tank import Scenario, leak_rate_for, simulate_hold
from benchlab.tank.analyse import analyse_tank
from benchlab.tank.budget import combined, line

PROCEDURE = load_procedures().tank
TANK = Tank(id="T1", volume_ml=1900, volume_u_ml=15)


def result(**changes):
    scenario = Scenario(sampling_s=20.0, **changes)
    scenario = dataclasses.replace(scenario, leak_rate_pa_m3_s=leak_rate_for(scenario, 0.85, 4.0))
    frame = simulate_hold(scenario, np.random.default_rng(1)).frame
    return analyse_tank([frame], TANK, PROCEDURE).result


@pytest.mark.parametrize(
    "how",
    [{}, {"refills_h": (2.0,)}, {"temperature": False}, {"absolute": True, "barometer": False}, {"readings": 5}],
)
def test_the_lines_add_up_to_the_stated_uncertainty(how):
    r = result(**how)
    for quantity in ("retained_fraction", "leak_rate_pa_m3_s"):
        lines = [b for b in r.budget if b.quantity == quantity]
        assert len({b.source for b in lines}) == len(lines)
        assert all(b.contribution == pytest.approx(abs(b.sensitivity) * b.u) for b in lines)
        assert combined(lines) == pytest.approx(r.quantities[quantity].u, rel=1e-6)


def test_correlated_lines_add_with_their_signs():
    a, b = (line("y", s, 1.0, "1", "normal", 2.0, c) for s, c in (("a", 1.0), ("b", -1.0)))
    assert combined([a, b]) == pytest.approx(8**0.5)
    assert combined([a, b], {("a", "b"): 1.0}) == 0.0  # what both have in common drops out of their difference
    assert combined([a, b], {("a", "b"): -1.0}) == pytest.approx(4.0)


def test_a_correlation_without_its_line_is_refused():
    with pytest.raises(ValueError, match="'c' names a source"):
        combined([line("y", "a", 1.0, "1", "normal", 2.0, 1.0)], {("a", "c"): 0.5})
