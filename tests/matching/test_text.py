"""What the terminal shows of matching: costs of placements, worst findings, trim, within 80 columns."""

from benchlab.matching.groups import match_groups
from benchlab.matching.text import matching_text
from benchlab.procedure import ServoProcedure
from tests.matching.fakes import PROCEDURES, register, servo
from tests.matching.test_groups import GANGED, matched

RIGHT = {"name": "right elevon", "positions": ["r inner", "r outer"], "coupling": "ganged"}


def swapped():
    odd, even = {"hysteresis": 0.2}, {"hysteresis": 0.9}
    places = ("inner", "outer", "r inner", "r outer")
    return matched([servo("", **s) for s in (odd, even, odd, even)], places=places, groups=[GANGED, RIGHT])


def test_the_cost_of_what_is_fitted_stands_beside_best_and_second_best():
    text = matching_text(swapped())
    assert "                  fitted          best            second best" in text
    (cost,) = (line.split() for line in text.splitlines() if "worst mismatch" in line)
    assert cost[2:] == ["0.70", "0.00", "0.70"]  # 0.35 of 0.5 deg
    assert "* another part than is fitted" in text


def test_every_group_shows_its_verdict_and_the_finding_that_decides():
    text = matching_text(matched([servo(""), servo("", hysteresis=3.0)]))
    assert "left elevon (ganged; S01, S02)\n  REJECT, mismatch 2.80 of the tolerance" in text
    assert "S01 / S02, stroke_mismatch_deg: 1.4 deg" in text
    assert "S02 stands in the way" not in text  # with two servos either does
    assert "No placement exists in which every group is shown to match" in text


def test_the_trim_is_ready_to_be_typed_in():
    settings = ServoProcedure.Trim(stiffness_nm_per_deg=0.2)
    procedures = PROCEDURES.model_copy(update={"servo": PROCEDURES.servo.model_copy(update={"trim": settings})})
    lines = matching_text(matched([servo(""), servo("", centre=1.0)], procedures=procedures)).splitlines()
    start = lines.index("Trim of S02 against S01 (left elevon): add to S02's command")
    # 1 deg is 11.11 us; 0.2 N m/deg x 1 deg / 2
    assert lines[start + 7].split() == ["1500", "-11.1", "-2.22", "1.000", "0.000", "0.100", "0.000"]


def test_it_fits_80_columns_however_long_the_names_are():
    m = matched([servo(""), servo("", hysteresis=3.0), servo("")], places=("inner", "x" * 60),
                groups=[GANGED | {"name": "g" * 70, "positions": ["inner", "x" * 60]}])  # fmt: skip
    assert max(map(len, matching_text(m).splitlines())) <= 80


def test_without_groups_there_is_nothing_to_match():
    assert "nothing to match" in matching_text(match_groups(register(), {}, PROCEDURES))
