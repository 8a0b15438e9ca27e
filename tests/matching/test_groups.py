"""Groups are accepted only when every pair is shown to match; empty and rejected places are told."""

import dataclasses
import json
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from benchlab.matching.groups import match_groups
from benchlab.matching.trimming import trim_csv
from benchlab.procedure import ServoProcedure
from benchlab.results import AirframeResult, Analysis, PartResult, to_json
from benchlab.stats.uncertainty import estimate
from tests.matching.fakes import PROCEDURES, register, servo

GANGED = {"name": "left elevon", "positions": ["inner", "outer"], "coupling": "ganged"}
MIRRORED = {"name": "twins", "positions": ["inner", "outer"], "coupling": "mirrored"}


def matched(analyses, *, places=("inner", "outer"), groups=(GANGED,), procedures=PROCEDURES, **keys):
    """Match servos S01, S02 ... at ``places`` (None: a spare); ``keys``: register keys by servo id."""
    ids = [f"S{n + 1:02d}" for n in range(len(analyses))]
    entries = [
        {"id": i} | ({"position": p} if p else {}) | keys.get(i, {})
        for i, p in zip(ids, [*places, *[None] * len(ids)], strict=False)
    ]
    named = {
        i: dataclasses.replace(a, result=dataclasses.replace(a.result, id=i))
        for i, a in zip(ids, analyses, strict=True)
    }
    return match_groups(register(servo=entries, group=list(groups)), named, procedures)


def group_of(*analyses, **more):
    return matched(analyses, **more).groups[0]


def test_ganged_servos_that_trim_can_align_are_accepted():
    group = group_of(servo(""), servo("", centre=0.8, gain=44.0))
    assert group.verdict == "accept"
    assert group.members == ("S01", "S02")
    assert group.mismatch < 0.2
    assert len(group.trim) == 9


def test_a_difference_of_hysteresis_is_left_after_trim():
    group = group_of(servo("", hysteresis=0.2), servo("", hysteresis=1.6))
    assert group.findings[0].value == pytest.approx(0.7, abs=0.01)  # (1.6 - 0.2) / 2
    assert group.verdict == "reject"


def test_an_uncertain_stroke_is_to_be_retested():
    assert group_of(servo("", u=0.3), servo("", u=0.3)).verdict == "retest"


def test_a_pair_without_position_is_not_measured_and_says_why():
    group = group_of(servo("", curve=False), servo(""))
    assert group.verdict == "retest"
    assert "S01: no position against command in its log" in group.findings[0].reason
    assert group.trim == ()


def test_twins_are_compared_untrimmed():
    assert group_of(servo(""), servo("", centre=0.2), groups=[MIRRORED]).verdict == "accept"
    assert group_of(servo(""), servo("", centre=0.8), groups=[MIRRORED]).verdict == "reject"


def test_in_an_opposed_group_the_followers_angles_are_negated():
    opposed = MIRRORED | {"opposed": True}
    assert group_of(servo("", centre=0.6), servo("", centre=-0.6), groups=[opposed]).verdict == "accept"
    assert group_of(servo("", centre=0.6), servo("", centre=0.6), groups=[opposed]).verdict == "reject"


def test_opposed_ganged_servos_may_be_recorded_either_way_round():
    opposed = GANGED | {"opposed": True}
    falling = group_of(servo("", centre=0.5), servo("", centre=-0.5, gain=-45.0), groups=[opposed])
    assert falling.verdict == "accept"
    rising = group_of(servo("", centre=0.5), servo("", centre=-0.5), groups=[opposed])
    assert rising.verdict == "accept"
    assert any("reversed channel" in n for n in rising.notes)


def test_servos_that_run_against_each_other_ask_for_opposed():
    group = group_of(servo(""), servo("", gain=-45.0))
    assert group.verdict == "retest"
    assert "opposed = true" in group.findings[0].reason


def test_what_neither_log_shows_is_told_but_only_a_required_quantity_asks_for_a_retest():
    def without(name, **more):
        a = servo(name, **more)
        kept = {k: v for k, v in a.result.quantities.items() if not k.startswith("transit")}
        return dataclasses.replace(a, result=dataclasses.replace(a.result, quantities=kept))

    group = group_of(without(""), without(""))
    assert group.verdict == "accept"
    assert any("transit_ref_s_per_60deg not compared" in n for n in group.notes)
    assert group_of(without(""), servo("")).verdict == "retest"


def test_a_fixed_rejected_servo_makes_its_group_a_reject():
    bad, good = servo("", verdict="reject"), servo("")
    assert group_of(bad, good).verdict == "retest"
    assert group_of(bad, good, S01={"fixed": True}).verdict == "reject"


def test_an_empty_position_is_judged_with_the_spare_that_fits():
    m = matched([servo(""), servo("", centre=0.1)], places=("inner",))
    assert m.groups[0].verdict == "accept"
    assert m.groups[0].members == ("S01", "S02")
    assert [(p.position, p.part, p.fitted) for p in m.assignment.positions] == [
        ("inner", "S01", "S01"),
        ("outer", "S02", None),
    ]


def test_an_empty_position_without_a_spare_is_to_be_retested_and_hints_at_a_slip_of_the_pen():
    m = matched([servo(""), servo("")], places=("inner", "outerr"))
    # S02 sits at a position in no group, so it stays there
    assert m.groups[0].verdict == "retest"
    assert m.assignment.empty == ("outer",)
    assert 'nearly "outerr", which holds S02' in m.groups[0].findings[0].reason


def test_the_best_placement_swaps_the_odd_ones():
    odd, even = {"hysteresis": 0.2}, {"hysteresis": 0.9}
    right = {"name": "right elevon", "positions": ["r inner", "r outer"], "coupling": "ganged"}
    m = matched(
        [servo("", **odd), servo("", **even), servo("", **odd), servo("", **even)],
        places=("inner", "outer", "r inner", "r outer"), groups=[GANGED, right],
    )  # fmt: skip
    seats = {p.position: p.part for p in m.assignment.positions}
    assert {frozenset((seats["inner"], seats["outer"])), frozenset((seats["r inner"], seats["r outer"]))} == {
        frozenset(("S01", "S03")),
        frozenset(("S02", "S04")),
    }
    assert m.assignment.worst_mismatch < 0.05
    assert m.assignment.fitted_worst_mismatch == pytest.approx(0.7, abs=0.01)  # 0.35 of 0.5 deg
    assert m.groups[0].members == ("S01", "S02")  # judged as fitted


def test_a_rejected_servo_is_replaced_by_the_spare():
    m = matched([servo(""), servo("", verdict="reject"), servo("")], places=("inner", "outer"))
    assert [p.part for p in m.assignment.positions] == ["S01", "S03"]


def test_the_servo_that_stands_in_the_way_is_named():
    m = matched([servo(""), servo("", hysteresis=3.0), servo(""), servo("")],
                places=("inner", "outer", "c", "d"),
                groups=[GANGED, {"name": "other", "positions": ["c", "d"], "coupling": "ganged"}])  # fmt: skip
    (note,) = m.assignment.notes
    assert note.startswith("No placement exists in which every group is shown to match: S02 stands in the way")


def tank(name, retained):
    result = PartResult(
        id=name, kind="tank", verdict="accept", quantities={"retained_fraction": estimate(retained, 0.01, "1")}
    )
    return Analysis(result=result)


@pytest.mark.parametrize(("other", "verdict"), [(0.93, "accept"), (0.70, "reject")])
def test_tanks_are_matched_by_position_too(other, verdict):
    tanks = [
        {"id": n, "position": p, "volume_ml": 1900, "volume_u_ml": 15} for n, p in (("T1", "inner"), ("T2", "outer"))
    ]
    m = match_groups(
        register(tank=tanks, group=[MIRRORED]), {"T1": tank("T1", 0.95), "T2": tank("T2", other)}, PROCEDURES
    )
    assert m.groups[0].verdict == verdict
    assert {f.quantity for f in m.groups[0].findings} == {"retained_fraction", "volume_ml"}
    assert m.assignment.positions == ()


def twin(name, **changed):
    values = {"retained_fraction": (0.94, 0.01, "1"), "leak_rate_pa_m3_s": (1e-4, 1e-5, "Pa m3/s"),
              "settling_fraction": (0.2, 0.02, "1"), "volume_ml": (1900.0, 15.0, "mL")} | changed  # fmt: skip
    quantities = {q: estimate(*v) for q, v in values.items()}
    return Analysis(result=PartResult(id=name, kind="tank", verdict="accept", quantities=quantities))


def twins(other):
    tanks = [{"id": n, "position": p} for n, p in (("T1", "inner"), ("T2", "outer"))]
    return match_groups(register(tank=tanks, group=[MIRRORED]), {"T1": twin("T1"), "T2": other}, PROCEDURES).groups[0]


def test_twin_tanks_are_compared_in_leak_rate_volume_settling_and_what_they_retain():
    group = twins(twin("T2"))
    assert group.verdict == "accept"
    assert {f.quantity for f in group.findings} == {
        "retained_fraction", "volume_ml", "leak_rate_pa_m3_s", "settling_fraction",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "value"),
    [
        ("leak_rate_pa_m3_s", (9e-4, 1e-5, "Pa m3/s")),
        ("settling_fraction", (0.5, 0.02, "1")),
        ("volume_ml", (1700.0, 15.0, "mL")),
    ],
)
def test_a_twin_that_differs_in_one_of_them_is_told(quantity, value):
    group = twins(twin("T2", **{quantity: value}))
    assert [f.quantity for f in group.findings if f.verdict == "reject"] == [quantity]


def test_the_result_fits_the_schema_of_results_json():
    m = matched([servo(""), servo("", centre=0.8, levels=3)])
    result = AirframeResult(
        airframe="K03-021", verdict="accept", groups=m.groups, assignment=m.assignment, software={"benchlab": "0"}
    )
    schema = json.loads(files("benchlab").joinpath("results.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(to_json(result), schema)


def test_the_tables_are_what_the_report_draws():
    tables = matched([servo(""), servo("", centre=0.8)]).tables
    assert tables["mismatch_matrix"].loc["S01", "S02"] == tables["mismatch_matrix"].loc["S02", "S01"]
    assert set(tables["pair_curves"]["part"]) == {"S01", "S02"}
    after = tables["pair_differences"][["after_up_deg", "after_down_deg"]].to_numpy()
    assert np.nanmax(np.abs(after[1:-1])) < np.nanmax(np.abs(tables["pair_differences"]["before_up_deg"]))
    assert tables["placements"]["rank"].tolist()[:4] == [0, 0, 1, 1]


def test_the_trim_table_is_safe_in_a_spreadsheet_and_tells_the_load():
    settings = ServoProcedure.Trim(stiffness_nm_per_deg=0.2)
    procedures = PROCEDURES.model_copy(update={"servo": PROCEDURES.servo.model_copy(update={"trim": settings})})
    m = matched([servo(""), servo("", centre=1.0)], groups=[GANGED | {"name": "=left"}], procedures=procedures)
    text = trim_csv(m.tables["trim"])
    head, *rows = text.splitlines()
    assert head.startswith("group,leader,follower,command_us,correction_us,correction_percent,curve_us")
    assert rows[4].split(",")[:6] == ["'=left", "S01", "S02", "1500.0", "-11.1", "-2.22"]
    assert float(rows[4].split(",")[9]) == pytest.approx(0.1)  # 0.2 N m/deg x 1 deg / 2


def test_a_missing_servo_is_named_with_its_position_type_and_partner():
    m = matched(
        [servo(""), servo("", verdict="reject")], places=("inner", "outer"), S01={"type": "x"}, S02={"type": "x"}
    )
    assert m.assignment.notes == (
        "Too few servos: outer would stay empty. Missing: a sound servo of type x that matches S01 for outer.",
    )


def test_a_rejected_servo_that_is_fixed_stands_in_the_way():
    m = matched([servo("", verdict="reject"), servo(""), servo("")], S01={"fixed": True})
    assert m.assignment.notes == ("No placement can be accepted while S01 stays at inner: it is rejected, and fixed.",)


def test_servos_that_match_no_other_are_named_together():
    # a match for one of the four would still leave two others
    groups = [{"name": f"g{n}", "positions": [f"a{n}", f"b{n}"], "coupling": "ganged"} for n in range(3)]
    analyses = [servo("", hysteresis=h) for h in (0.2, 0.2, 3.0, 6.0, 9.0, 12.0)]
    m = matched(analyses, places=[p for g in groups for p in g["positions"]], groups=groups)
    assert m.assignment.notes[0].endswith("no single servo stands in the way: S03, S04, S05, S06 match no other.")


def test_a_servo_outside_the_groups_is_in_the_matrix_but_stays_where_it_is():
    m = matched([servo(""), servo("", hysteresis=1.6), servo("")], places=("inner", "outer", "tailwheel"))
    assert m.tables["mismatch_matrix"].loc["S01", "S03"] == pytest.approx(0.0, abs=0.01)
    assert {p.part for p in m.assignment.positions} == {"S01", "S02"}


def test_the_placements_tell_what_each_costs():
    odd, even = {"hysteresis": 0.2}, {"hysteresis": 0.9}
    right = {"name": "right elevon", "positions": ["r inner", "r outer"], "coupling": "ganged"}
    m = matched(
        [servo("", **odd), servo("", **even), servo("", **odd), servo("", **even)],
        places=("inner", "outer", "r inner", "r outer"), groups=[GANGED, right],
    )  # fmt: skip
    table = m.tables["placements"].drop_duplicates("rank").set_index("rank")
    # half the difference of the widths, 0.35 of 0.5 deg, in both groups as fitted and in the second best
    assert table["worst_mismatch"].tolist() == pytest.approx([0.7, 0.0, 0.7], abs=0.01)
    assert table["sum_mismatch"].tolist() == pytest.approx([1.4, 0.0, 1.4], abs=0.01)


def test_packs_are_matched_by_capacity_and_resistance():
    def pack(name, capacity, resistance):
        quantities = {
            "capacity_mah": estimate(capacity, 20.0, "mAh"),
            "source_resistance_ohm": estimate(resistance, 0.0005, "ohm"),
        }
        return Analysis(result=PartResult(id=name, kind="pack", verdict="accept", quantities=quantities))

    packs = [{"id": n, "position": p} for n, p in (("P1", "inner"), ("P2", "outer"))]

    def verdicts(capacity, resistance):
        both = {"P1": pack("P1", 4000.0, 0.020), "P2": pack("P2", capacity, resistance)}
        found = match_groups(register(pack=packs, group=[MIRRORED]), both, PROCEDURES).groups[0].findings
        return {f.quantity: f.verdict for f in found}

    assert verdicts(3980.0, 0.0205) == {"capacity_mah": "accept", "source_resistance_ohm": "accept"}
    assert verdicts(3500.0, 0.0205)["capacity_mah"] == "reject"
    assert verdicts(3980.0, 0.030)["source_resistance_ohm"] == "reject"


def test_without_groups_there_is_nothing_to_match():
    empty = matched([servo(""), servo("")], places=(), groups=())
    assert empty.groups == ()
    assert empty.assignment.positions == ()
    assert empty.tables == {}
