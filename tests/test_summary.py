"""The text on the terminal after a run."""

from pathlib import Path

from benchlab.results import AirframeResult, Finding, GroupResult, NotMeasured, PartResult
from benchlab.summary import summary_text

REPORT = Path("reports/A/report.html")


def finding(verdict, quantity="travel_deg", aspect="change"):
    return Finding(
        quantity=quantity, aspect=aspect, value=-1.0861, u=0.0034, unit="deg", lower=-1.0, upper=1.0,
        limit_source="x", p_conform=0.0001, verdict=verdict, reason="outside",
    )  # fmt: skip


def result(*parts, groups=()):
    return AirframeResult(airframe="A", verdict="reject", parts=parts, groups=groups)


BAD = PartResult(id="S13", kind="servo", position="right elevon inner", verdict="reject", findings=(finding("reject"),))


def test_no_line_is_longer_than_eighty_columns_and_no_number_is_cut():
    long = PartResult(id="elevon horn to hinge line, right side", kind="dimension", verdict="accept")
    text = summary_text(result(BAD, long), REPORT)
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("...") == 1  # in the long name
    assert "limit within ±1 °" in " ".join(text.split())


def test_a_long_name_keeps_its_begin_and_its_end():
    long = PartResult(id="elevon horn to hinge line, right side", kind="dimension", verdict="accept")
    assert "elevon ho...t side  accept" in summary_text(result(long), REPORT)


def test_it_says_what_to_do_next_in_order():
    waiting = PartResult(
        id="T3", kind="tank", verdict="retest", findings=(finding("retest"),), next_step="Hold until 16:40."
    )
    lines = summary_text(result(BAD, waiting), REPORT).splitlines()
    start = lines.index("What to do next:")
    assert lines[start + 1] == "  1. Do not fit S13 (right elevon inner): replace it."
    assert lines[start + 2] == "  2. T3: Hold until 16:40."
    assert lines[-1] == f"report: {REPORT}"


def test_nothing_is_to_be_done_where_all_is_accepted():
    good = PartResult(id="S11", kind="servo", verdict="accept", findings=(finding("accept"),))
    text = summary_text(AirframeResult(airframe="A", verdict="accept", parts=(good,)), REPORT)
    assert text.splitlines() == ["A: accept", "  S11  accept", f"report: {REPORT}"]


def test_what_was_not_measured_is_said_in_words():
    part = PartResult(
        id="S11", kind="servo", verdict="accept", findings=(finding("accept"),),
        not_measured=(NotMeasured(quantity="jitter_deg", why="no position"),),
    )  # fmt: skip
    assert "not measured: jitter" in summary_text(result(part), REPORT)


def test_a_group_tells_why_it_does_not_match():
    group = GroupResult(
        name="left elevon", coupling="ganged", members=("S13",), mismatch=None, verdict="retest",
        findings=(finding("retest", "stroke_mismatch_deg", "difference"),),
    )  # fmt: skip
    assert "left elevon  RETEST  Stroke mismatch" in summary_text(result(groups=(group,)), REPORT)


def test_no_line_ends_between_a_number_and_its_unit():
    for width in range(50, 80):
        lines = summary_text(result(BAD), REPORT, width).splitlines()
        assert not [line for line in lines if line.strip().startswith(("± ", "°")) or line.endswith(("±", "≤"))]
        assert "\u00a0" not in "".join(lines)
