"""A change between two tests of a part is real only if it exceeds what their uncertainties, all together, explain."""

import json
import math

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from benchlab.errors import BenchlabError
from benchlab.matching.retest import compare_earlier, earlier_text, read_earlier
from benchlab.results import AirframeResult, Analysis, PartResult, to_json
from benchlab.stats.uncertainty import estimate
from tests.matching.fakes import trend


def part(kind="servo", name="S01", **quantities):
    return PartResult(id=name, kind=kind, verdict="accept", quantities=quantities)


def results(*parts):
    return to_json(AirframeResult(airframe="K03-021", verdict="accept", parts=parts))


def compared(then, now):
    """The table, of parts then and parts now."""
    return compare_earlier(results(*then), {p.id: Analysis(result=p) for p in now})


def test_a_trend_is_compared_where_it_has_settled_and_in_its_drift():
    table = compared([part(centre_deg=trend(0.10, 0.03, "deg"))], [part(centre_deg=trend(0.30, 0.04, "deg"))])
    assert table["aspect"].tolist() == ["settled", "drift"]
    settled = table.iloc[0]
    assert (settled["part"], settled["quantity"], settled["unit"]) == ("S01", "centre_deg", "deg")
    assert settled["difference"] == pytest.approx(0.2)  # now - then
    assert settled["u"] == pytest.approx(0.05)  # 3-4-5
    assert table["changed"].tolist() == [True, False]  # 4 standard uncertainties, 0


def test_a_change_within_its_uncertainty_is_not_real():
    then, now = (
        part("pack", capacity_mah=estimate(4000.0, 30, "mAh")),
        part("pack", capacity_mah=estimate(3930, 40, "mAh")),
    )
    assert compared([then], [now])["changed"].tolist() == [False]  # 70 of 50: 1.4


def test_few_readings_then_are_held_against_a_change_although_the_file_tells_no_degrees_of_freedom():
    # 2.5 standard uncertainties: real if u is well known (p 0.012), not with 3 degrees of freedom (p 0.088)
    sure, unsure = (part("tank", retained_fraction=estimate(0.95, 0.02, "1", dof)) for dof in (None, 3))
    now = part("tank", retained_fraction=estimate(0.90, 0.0, "1"))
    assert compared([sure], [now])["changed"].tolist() == [True]
    assert compared([unsure], [now])["changed"].tolist() == [False]


def test_of_many_figures_each_has_to_differ_more():
    then = [part("pack", f"P{n}", capacity_mah=estimate(4000.0, 30, "mAh")) for n in range(20)]
    now = [part("pack", f"P{n}", capacity_mah=estimate(4000.0 + 100 * (n == 7), 40, "mAh")) for n in range(20)]
    assert not compared(then, now)["changed"].any()  # 2 standard uncertainties, once in twenty
    assert compared(then[7:8], now[7:8])["changed"].all()


def test_holms_procedure_equals_statsmodels():
    rng = np.random.default_rng(11)
    size = rng.normal(0, 2, 30)
    then = [part("pack", f"P{n}", capacity_mah=estimate(4000.0, 0.0, "mAh")) for n in range(30)]
    now = [part("pack", f"P{n}", capacity_mah=estimate(4000.0 + x, 1.0, "mAh")) for n, x in enumerate(size)]
    p = [math.erfc(abs(x) / math.sqrt(2)) for x in size]
    assert compared(then, now)["changed"].tolist() == multipletests(p, 0.05, "holm")[0].tolist()


def test_without_an_uncertainty_nothing_is_claimed():
    then, now = (
        part("pack", capacity_mah=estimate(4000.0, None, "mAh")),
        part("pack", capacity_mah=estimate(1.0, 1, "mAh")),
    )
    table = compared([then], [now])
    assert table["changed"].isna().all()
    assert table["difference"].tolist() == [-3999.0]


def test_what_was_measured_once_only_is_shown_and_conditions_of_the_test_are_not():
    table = compared([part(temperature_c=estimate(40, 1, "C"))], [part(travel_deg=estimate(90.0, 0.3, "deg"))])
    assert table["quantity"].tolist() == ["travel_deg"]
    assert table["then"].isna().all()
    assert table["changed"].isna().all()


def test_the_current_as_recorded_is_compared_only_where_the_corrected_one_is_not_known_twice():
    both = part(moving_current_a=estimate(0.5, 0.1, "A"), moving_current_ref_a=estimate(0.4, 0.1, "A"))
    raw = part(moving_current_a=estimate(0.5, 0.1, "A"))
    assert compared([both], [both])["quantity"].tolist() == ["moving_current_ref_a"]
    assert "moving_current_a" in compared([both], [raw])["quantity"].tolist()


def test_parts_of_another_id_or_kind_are_not_compared():
    assert compared([part("pack", "S01")], [part("servo", "S01"), part("servo", "S02")]).empty


def test_the_text_tells_part_and_change_within_80_columns():
    then, now = part(centre_deg=trend(0.10, 0.03, "deg")), part(centre_deg=trend(0.50, 0.04, "deg"))
    text = earlier_text(compared([then], [now]))
    assert "S01  1 of 2 figures changed" in text
    assert "centre_deg settled: 0.1 then, 0.5 now" in text
    assert "change +0.4 deg, standard uncertainty 0.05 deg" in text
    assert max(map(len, text.splitlines())) <= 80
    assert "is in both" in earlier_text(compared([], [now]))


def test_an_archive_an_output_folder_and_a_file_are_read(tmp_path):
    held = results(part())
    for place in ("bag/data/results", "out"):
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / place / "results.json").write_text(json.dumps(held), encoding="utf-8")
    for path in ("bag", "out", "out/results.json"):
        assert read_earlier(tmp_path / path) == held


@pytest.mark.parametrize(
    ("text", "says"), [("{}", "is no results.json"), ("{", "cannot be read"), (None, "no earlier")]
)
def test_what_is_no_result_is_refused(tmp_path, text, says):
    if text is not None:
        (tmp_path / "results.json").write_text(text, encoding="utf-8")
    with pytest.raises(BenchlabError, match=says):
        read_earlier(tmp_path)
