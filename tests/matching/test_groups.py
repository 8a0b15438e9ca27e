"""Groups are accepted only when every pair is shown to match."""

from benchlab.matching.groups import match_groups
from tests.matching.fakes import PROCEDURES, register, servo

GANGED = {"name": "left elevon", "positions": ["inner", "outer"], "coupling": "ganged"}


def two(a, b, group=GANGED, **servo_keys):
    reg = register(
        servo=[{"id": "S01", "position": "inner"}, {"id": "S02", "position": "outer", **servo_keys}], group=[group]
    )
    return match_groups(reg, {"S01": a, "S02": b}, PROCEDURES).groups[0]


def test_ganged_servos_that_trim_can_align_are_accepted():
    group = two(servo("S01"), servo("S02", centre=0.8, gain=44.0))
    assert group.verdict == "accept"
    assert group.members == ("S01", "S02")
    assert group.mismatch < 0.2


def test_a_difference_of_hysteresis_is_left_after_trim():
    group = two(servo("S01", hysteresis=0.2), servo("S02", hysteresis=1.6))
    (stroke, _) = group.findings
    assert stroke.value == __import__("pytest").approx(0.7)  # (1.6 - 0.2) / 2
    assert group.verdict == "reject"
