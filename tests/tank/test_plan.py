"""Planning a hold: the search against holds that can be reckoned by hand, and the order of what instruments save."""

import math

import numpy as np
import pytest
from scipy.special import ndtri

from benchlab.procedure import load_procedures
from benchlab.tank import plan as module
from benchlab.tank.plan import LEAST_H, Bench, plan_hold, plan_text

PROCEDURE = load_procedures().tank
BENCH = Bench(volume_ml=1450, start_pressure_kpa=12, temperature=True, barometer=True)


@pytest.mark.parametrize("power", [0.5, 1.0, 1.5])
@pytest.mark.parametrize("u_1h", [0.02, 0.1, 0.15])
def test_the_search_finds_the_hold_that_can_be_reckoned_by_hand(monkeypatch, power, u_1h):
    """With u = u_1h h^-power: accepted with 90 % where (0.95 - 0.8) / u = z(0.95) + z(0.9)."""
    n = len(module._SEEDS)
    z = ndtri((np.arange(n) + 0.5) / n)
    z = (z - z.mean()) / z.std(ddof=1)  # estimates that scatter by u about the truth of 0.95

    def outcome(_bench, _case, hold_h, seed):
        u = u_1h * hold_h**-power
        return 0.95 + u * z[seed - module._SEEDS[0]], u

    monkeypatch.setattr(module, "_outcome", outcome)
    by_hand = (u_1h * (ndtri(0.95) + ndtri(0.9)) / 0.15) ** (1 / power)
    found = plan_hold(BENCH, PROCEDURE).hold_h
    # two digits are given, and between the last two holds tried the score is interpolated
    assert found == pytest.approx(max(by_hand, LEAST_H), rel=0.06)


def test_a_gauge_that_tells_nothing_gives_no_hold(monkeypatch):
    monkeypatch.setattr(module, "_outcome", lambda *_: (0.0, math.inf))
    plan = plan_hold(BENCH, PROCEDURE)
    assert plan.hold_h is None
    assert "more than 72 h" in plan_text(plan)


def test_a_plan_with_all_instruments_is_shorter_than_without(monkeypatch):
    monkeypatch.setattr(module, "_SEEDS", range(11, 17))
    both = plan_hold(BENCH, PROCEDURE)
    assert both.hold_h is not None
    assert 0.3 < both.hold_h < 4
    _, none = module._outcome(
        Bench(volume_ml=1450, start_pressure_kpa=12),
        module._Case(procedure=PROCEDURE, limit=0.8, required_h=4.0, expected=0.95, probability=0.9),
        both.hold_h,
        11,
    )
    assert none > 2 * both.u
    assert "eye protection" in plan_text(both)


@pytest.mark.parametrize(
    ("bench", "options"),
    [
        (BENCH, {"expected": 0.7}),
        (BENCH, {"limit": 0.9, "expected": 0.9}),
        (Bench(volume_ml=0, start_pressure_kpa=12), {}),
        (Bench(volume_ml=10, start_pressure_kpa=-1), {}),
    ],
)
def test_what_cannot_be_planned_is_refused(bench, options):
    with pytest.raises(ValueError, match=r"must be"):
        plan_hold(bench, PROCEDURE, **options)
