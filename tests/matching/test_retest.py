"""A change between two tests of a part is real only if it exceeds what their uncertainties explain."""

import pytest

from benchlab.errors import BenchlabError
from benchlab.matching.retest import compare_part
from benchlab.results import AirframeResult, PartResult, to_json
from benchlab.stats.uncertainty import estimate
from tests.matching.fakes import trend


def result(**quantities):
    part = PartResult(id="S01", kind="servo", verdict="accept", quantities=quantities)
    return to_json(AirframeResult(airframe="K03-021", verdict="accept", parts=(part,)))


def test_a_trend_is_compared_where_it_has_settled():
    (change,) = compare_part(
        result(centre_deg=trend(0.10, 0.03, "deg")), result(centre_deg=trend(0.30, 0.04, "deg")), "S01"
    )
    assert change.change.value == pytest.approx(0.2)
    assert change.change.u == pytest.approx(0.05)  # 3-4-5
    assert change.real is True  # 0.2 > 1.96 x 0.05


def test_a_change_within_its_uncertainty_is_not_real():
    then, now = result(travel_deg=estimate(90.0, 0.3, "deg")), result(travel_deg=estimate(90.7, 0.4, "deg"))
    assert compare_part(then, now, "S01")[0].real is False
    assert compare_part(then, now, "S01", k=1.0)[0].real is True


def test_without_an_uncertainty_nothing_is_claimed():
    then, now = result(travel_deg=estimate(90.0, None, "deg")), result(travel_deg=estimate(99.0, 0.4, "deg"))
    (change,) = compare_part(then, now, "S01")
    assert change.real is None
    assert change.why == "uncertainty not known then"


def test_quantities_that_only_one_test_measured_are_left_out():
    then = result(travel_deg=estimate(90.0, 0.3, "deg"))
    now = result(centre_deg=estimate(0.0, 0.1, "deg"), travel_deg=estimate(90.0, 0.3, "deg"))
    assert [c.quantity for c in compare_part(then, now, "S01")] == ["travel_deg"]


def test_a_part_that_is_not_there_is_named_with_those_that_are():
    with pytest.raises(BenchlabError, match="no part 'S09'; it holds: S01"):
        compare_part(result(), result(), "S09")


def test_another_file_is_refused():
    with pytest.raises(BenchlabError, match="is not a results"):
        compare_part({"parts": []}, result(), "S01")
