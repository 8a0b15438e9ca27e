"""Left/right measurements are equal only if the difference is shown to lie inside the tolerance."""

import math

import pytest

from benchlab.airframe import Dimension
from benchlab.logs.reader import read_log
from benchlab.matching.dimensions import judge_dimension, judge_dimension_log
from tests.matching.fakes import PROCEDURES

PROCEDURE = PROCEDURES.dimension


def entry(left, right, unit="mm", **more):
    return Dimension(item="horn to hinge line", left=left, right=right, unit=unit, **more)


@pytest.mark.parametrize(
    ("left", "right", "verdict"),
    [
        (23.4, 23.9, "accept"),  # 0.5 mm of 1.0, u 0.14: 3.5 standard uncertainties inside
        (23.4, 24.3, "retest"),  # 0.9 mm: inside, but not shown to be
        (23.4, 25.4, "reject"),
    ],
)
def test_the_shipped_tolerance_is_a_millimetre(left, right, verdict):
    assert judge_dimension(entry(left, right), PROCEDURE).result.verdict == verdict


def test_the_difference_of_two_readings_has_root_two_of_the_uncertainty_of_one():
    difference = judge_dimension(entry(23.4, 23.9, u=0.2), PROCEDURE).result.quantities["difference"]
    assert difference.value == pytest.approx(-0.5)
    assert difference.u == pytest.approx(0.2 * math.sqrt(2))


def test_the_result_is_a_part_of_its_own():
    result = judge_dimension(entry(23.4, 23.9, tolerance=2.0), PROCEDURE).result
    assert (result.id, result.kind, result.judged_on) == ("horn to hinge line", "dimension", ("difference",))
    (finding,) = result.findings
    assert (finding.lower, finding.upper, finding.limit_source) == (-2.0, 2.0, "register")


def test_the_shipped_millimetre_is_converted_to_other_units_of_length():
    (finding,) = judge_dimension(entry(2.34, 2.39, "cm"), PROCEDURE).result.findings
    assert finding.upper == pytest.approx(0.1)
    assert finding.verdict == "accept"


def test_angles_have_their_own_tolerance():
    (finding,) = judge_dimension(entry(24.0, 24.2, "deg"), PROCEDURE).result.findings
    assert finding.upper == PROCEDURE.tolerance_deg


def test_a_unit_without_default_asks_for_what_is_lacking():
    result = judge_dimension(entry(310.0, 312.0, "g"), PROCEDURE).result
    assert result.verdict == "retest"
    assert "'tolerance' and 'u'" in result.findings[0].reason
    assert judge_dimension(entry(310.0, 312.0, "g", u=0.5, tolerance=5.0), PROCEDURE).result.verdict == "accept"


HEADER = "item,side,value,unit\n"


def judged(tmp_path, text):
    file = tmp_path / "dimensions.csv"
    file.write_text(text, encoding="utf-8")
    read = read_log(file, name="logs/dimensions.csv", procedures=PROCEDURES, kind="paired_dimensions")
    return {item: analysis.result for item, analysis in judge_dimension_log(read, PROCEDURE).items()}


def test_a_log_pairs_left_and_right_rows_of_an_item(tmp_path):
    found = judged(tmp_path, HEADER + "throw,left,20.1,mm\nspan,L,800,mm\nthrow,Right,20.2,mm\n")
    assert list(found) == ["throw", "span"]
    assert found["throw"].quantities["difference"].value == pytest.approx(-0.1)
    assert (found["throw"].kind, found["throw"].logs) == ("dimension", ("logs/dimensions.csv",))
    assert found["span"].verdict == "retest"
    assert "no reading of the right side" in found["span"].findings[0].reason


@pytest.mark.parametrize(
    ("cells", "why"),
    [
        ("a,left,1.0,mm\na,top,1.0,mm\n", """line 3: side 'top' is neither "left" nor "right\""""),
        ("a,left,1.0,mm\na,right,0.1,cm\n", "line 3: unit 'cm' where the item began with 'mm'"),
        ("a,left,1.0,mm\na,right,,mm\n", "line 3: no value"),
        ("a,left,1.0,\na,right,1.0,\n", "line 2: no unit"),
        ("a,left,1.0,mm\na,right,1.O,mm\nb,left,2,mm\nb,right,2,mm\n", "line 3 was rejected (not a number: '1.O')"),
    ],
)
def test_a_row_that_cannot_be_used_is_named_with_its_line(tmp_path, cells, why):
    result = judged(tmp_path, HEADER + cells)["a"]
    assert result.verdict == "retest"
    assert why in result.findings[0].reason


@pytest.mark.parametrize(
    ("column", "value", "why"),
    [
        ("tolerance", "-1", "line 3: tolerance -1 must be above 0"),
        ("instrument_u", "-0.1", "line 3: instrument_u -0.1 must be 0 or more"),
    ],
)
def test_a_tolerance_or_uncertainty_below_zero_is_no_basis_for_a_verdict(tmp_path, column, value, why):
    text = f"item,side,value,unit,{column}\na,left,1.0,mm,1\na,right,1.0,mm,{value}\n"
    assert why in judged(tmp_path, text)["a"].findings[0].reason


def test_the_header_may_carry_the_unit(tmp_path):
    (result,) = judged(tmp_path, "item,side,value (cm)\na,left,2.34\na,right,2.39\n").values()
    assert result.findings[0].upper == pytest.approx(0.1)  # 1 mm
    assert result.verdict == "accept"


def test_repeated_readings_are_averaged_and_their_scatter_counts(tmp_path):
    cells = "a,left,10.0,mm,0.1\na,left,10.4,mm,0.1\na,right,10.1,mm,0.1\na,right,10.1,mm,0.1\n"
    gap = judged(tmp_path, "item,side,value,unit,instrument_u\n" + cells)["a"].quantities["difference"]
    assert gap.value == pytest.approx(0.1)
    # left: s/sqrt(2) = 0.2; right: 0; instrument 0.1 on each side
    assert gap.u == pytest.approx(math.sqrt(0.2**2 + 2 * 0.1**2))


def test_a_row_may_state_its_own_tolerance(tmp_path):
    result = judged(tmp_path, "item,side,value,unit,tolerance\na,left,10.0,mm,\na,right,10.5,mm,0.2\n")["a"]
    assert result.verdict == "reject"
    assert result.findings[0].limit_source == "logs/dimensions.csv"
