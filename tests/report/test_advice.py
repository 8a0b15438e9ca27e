from dataclasses import replace

from benchlab.report import advice
from benchlab.results import AirframeResult, Assignment, Finding, GroupResult, PartResult, Placement, TrimPoint


def finding(verdict, p, quantity="centre_deg"):
    return Finding(
        quantity=quantity, aspect="drift", value=0.7, u=0.1, unit="deg/1000 cycles", lower=-0.5, upper=0.5,
        limit_source="x", p_conform=p, verdict=verdict, reason="because",
    )  # fmt: skip


def test_the_worst_finding_is_the_least_likely_to_conform_among_the_worst_verdicts():
    rows = [finding("accept", 0.96), finding("retest", 0.1), finding("reject", 0.04), finding("reject", 0.01)]
    assert advice.worst_finding(rows) is rows[3]


def test_of_two_that_certainly_fail_the_one_farther_outside_decides_but_sisters_come_last():
    def at(value, upper, aspect):
        return replace(finding("reject", 1e-9), value=value, upper=upper, aspect=aspect)

    travel, hysteresis, sister = at(1.09, 1.0, "change"), at(1.1, 0.3, "drift"), at(1.2, 0.3, "sister")
    assert advice.worst_finding([travel, sister, hysteresis]) is hysteresis
    assert advice.worst_finding([travel, sister]) is travel


def test_what_an_analysis_says_to_do_next_wins_over_the_general_wording():
    part = PartResult(
        id="T3", kind="tank", position="header", verdict="retest", findings=(finding("retest", 0.5),),
        next_step="Hold until 16:40 (2.1 h more).",
    )  # fmt: skip
    (action,) = advice.actions(AirframeResult(airframe="A", verdict="retest", parts=(part,)))
    assert action.what == "T3 (header): Hold until 16:40 (2.1 h more)"


def test_a_rejected_part_in_a_group_is_told_once():
    f = Finding(
        quantity="part", aspect="left fin", value=None, u=None, unit="1", lower=None, upper=None, limit_source=None,
        p_conform=None, verdict="retest", reason='S1 at "left fin" is rejected itself',
    )  # fmt: skip
    assert advice.brief(f) == 'S1 at "left fin" is rejected itself'


def test_an_event_decides_before_a_probability():
    event = finding("reject", None, "stall")
    assert advice.worst_finding([finding("reject", 0.0001), event]) is event


def test_nothing_is_worst_where_all_is_accepted():
    assert advice.worst_finding([finding("accept", 0.99)]) is None


def test_a_part_without_findings_is_described_not_judged():
    part = PartResult(id="C", kind="circuit", verdict="accept")
    assert advice.not_judged(part)
    assert advice.deciding_words(part) == "described, not judged: no limit is set"


def test_rejects_come_before_moves_before_retests_before_trim():
    trim = TrimPoint(leader="S03", follower="S02", command_us=1500, correction_us=-4.0, left_over_deg=0.05)
    result = AirframeResult(
        airframe="A",
        verdict="reject",
        parts=(
            PartResult(id="S01", kind="servo", verdict="retest", cycles_needed=300, findings=(finding("retest", 0.5),)),
            PartResult(id="S02", kind="servo", verdict="accept", findings=(finding("accept", 0.99),)),
            PartResult(id="S03", kind="servo", verdict="accept", findings=(finding("accept", 0.99),)),
            PartResult(id="T1", kind="tank", verdict="reject", findings=(finding("reject", 0.01),)),
        ),
        groups=(
            GroupResult(
                name="g", coupling="ganged", members=("S03", "S02"), mismatch=0.5, verdict="accept", trim=(trim,)
            ),
        ),
        assignment=Assignment(positions=(Placement(position="left", part="S02", fitted="S01"),)),
    )
    assert [a.what for a in advice.actions(result)] == [
        "Do not fit T1: repair or replace it, then test it again",
        "Move S02 to left",
        "Cycle S01 for 300 more cycles",
        "Enter the trim table of g for S02",
    ]


def test_nothing_is_to_be_done_where_all_is_accepted():
    part = PartResult(id="S01", kind="servo", verdict="accept", findings=(finding("accept", 0.99),))
    assert advice.actions(AirframeResult(airframe="A", verdict="accept", parts=(part,))) == []


def test_no_trim_is_entered_for_a_servo_that_may_still_change():
    trim = TrimPoint(leader="S01", follower="S02", command_us=1500, correction_us=-4.0, left_over_deg=0.05)
    parts = (
        PartResult(id="S01", kind="servo", verdict="accept", findings=(finding("accept", 0.99),)),
        PartResult(id="S02", kind="servo", verdict="retest", findings=(finding("retest", 0.5),)),
    )
    group = GroupResult(
        name="g", coupling="ganged", members=("S01", "S02"), mismatch=0.5, verdict="accept", trim=(trim,)
    )
    told = advice.actions(AirframeResult(airframe="A", verdict="retest", parts=parts, groups=(group,)))
    assert [a.what for a in told] == ["Test S02 again"]


def test_the_accepted_finding_that_uses_most_of_its_limit_is_named():
    near = Finding(
        quantity="hysteresis_deg", aspect="settled", value=0.9, u=0.01, unit="deg", lower=None, upper=1.0,
        limit_source="x", p_conform=0.999999, verdict="accept", reason="",
    )  # fmt: skip
    far = Finding(
        quantity="centre_deg", aspect="drift", value=-0.1, u=0.01, unit="deg/1000 cycles", lower=-0.5, upper=0.5,
        limit_source="x", p_conform=0.999998, verdict="accept", reason="",
    )  # fmt: skip
    assert advice.closest_words([far, near]).startswith(
        "closest to its limit: Hysteresis, settled value (0.900 ± 0.010"
    )


def test_a_reason_is_told_only_where_it_adds_to_value_limit_and_probability():
    plain = replace(
        finding("reject", 0.01), reason="0.7 deg: outside within 0.5 (probability of conformity under 0.1 %)"
    )
    more = replace(plain, reason=f"{plain.reason}; robust z 44.6 among 7 sisters")
    counted = replace(finding("reject", None, "stall"), reason="3 stalls: cycles 4, 5, 6")
    assert advice.more_reason(plain) == ""
    assert advice.more_reason(more) == "Robust z 44.6 among 7 sisters"
    assert advice.more_reason(counted) == "3 stalls: cycles 4, 5, 6"
    assert advice.more_reason(replace(counted, verdict="accept")) == ""


def test_findings_stand_in_the_order_in_which_they_decide():
    ok, unsure = finding("accept", 0.99), finding("retest", 0.5)
    near, far = finding("reject", 0.04), finding("reject", 0.0)
    assert advice.worst_first([ok, unsure, near, far]) == [far, near, unsure, ok]
