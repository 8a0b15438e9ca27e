"""Left/right measurements are equal only if the difference is shown to lie inside the tolerance."""

import math

import numpy as np
import pandas as pd
import pytest

from benchlab.airframe import Dimension
from benchlab.matching.dimensions import judge_dimension, judge_dimension_table
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


def rows(*cells):
    return pd.DataFrame(cells, columns=["item", "side", "value", "unit"])


def test_a_table_pairs_left_and_right_rows_of_an_item():
    table = rows(("throw", "left", 20.1, "mm"), ("span", "L", 800, "mm"), ("throw", "Right", 20.2, "mm"))
    judged = judge_dimension_table(table, PROCEDURE)
    assert list(judged) == ["throw", "span"]
    assert judged["throw"].result.quantities["difference"].value == pytest.approx(-0.1)
    assert judged["span"].result.verdict == "retest"
    assert "no reading of the right side" in judged["span"].result.findings[0].reason


@pytest.mark.parametrize(
    ("table", "why"),
    [
        (rows(("a", "left", 1.0, "mm"), ("a", "top", 1.0, "mm")), "neither left nor right"),
        (rows(("a", "left", 1.0, "mm"), ("a", "right", 0.1, "cm")), "units differ"),
        (rows(("a", "right", 0.1, "cm")), "no reading of the left side"),
    ],
)
def test_what_cannot_be_paired_is_to_be_retested_with_the_reason(table, why):
    result = judge_dimension_table(table, PROCEDURE)["a"].result
    assert result.verdict == "retest"
    assert why in result.findings[0].reason


def test_repeated_readings_are_averaged_and_their_scatter_counts():
    table = rows(*[("a", "left", v, "mm") for v in (10.0, 10.4)], *[("a", "right", v, "mm") for v in (10.1, 10.1)])
    gap = judge_dimension_table(table.assign(instrument_u=0.1), PROCEDURE)["a"].result.quantities["difference"]
    assert gap.value == pytest.approx(0.1)
    # left: s/sqrt(2) = 0.2; right: 0; instrument 0.1 on each side
    assert gap.u == pytest.approx(math.sqrt(0.2**2 + 2 * 0.1**2))


def test_a_row_may_state_its_own_tolerance():
    table = rows(("a", "left", 10.0, "mm"), ("a", "right", 10.5, "mm")).assign(tolerance=[np.nan, 0.2])
    assert judge_dimension_table(table, PROCEDURE)["a"].result.verdict == "reject"
