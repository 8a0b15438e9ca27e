"""What `benchlab explain` says, and that the glossary knows every name that code and procedures use."""

import re
from pathlib import Path

import pytest

import benchlab
from benchlab.errors import BenchlabError
from benchlab.explain import explain, listed
from benchlab.procedure import load_procedures
from benchlab.quantities import QUANTITIES, unit_of

PROCEDURES = load_procedures()


def test_a_quantity_is_told_with_definition_formula_source_unit_and_limit():
    told = explain("hysteresis_deg", PROCEDURES)
    assert told.startswith("Hysteresis (hysteresis_deg), in °; servo, per cycle\n")
    assert "Formula: rest from above - rest from below" in told
    assert "Limit, settled value: ≤ 1 °, else reject." in told  # DESIGN section 6
    assert "starting value of this project" in " ".join(told.split())


@pytest.mark.parametrize("word", ["hysteresis", "Hysteresis", "HYSTERESIS_DEG", "hysteresis-deg", " hysteresis deg "])
def test_unit_case_and_separators_may_be_left_out(word):
    assert explain(word, PROCEDURES) == explain("hysteresis_deg", PROCEDURES)


def test_a_short_name_of_two_quantities_explains_both():
    told = explain("leak rate", PROCEDURES)
    assert "(leak_rate_pa_m3_s)" in told
    assert "(leak_rate_sml_min)" in told


def test_the_full_name_of_a_quantity_explains_no_other():
    assert explain("moving_current_a", PROCEDURES).count("Source: own definition") == 1


def test_a_near_miss_is_answered_by_a_suggestion():
    with pytest.raises(
        BenchlabError, match=r"no quantity goes by the name 'histeresis'; did you mean hysteresis_deg\?"
    ):
        explain("histeresis", PROCEDURES)


def test_a_word_far_from_all_names_is_answered_by_where_to_look():
    with pytest.raises(BenchlabError, match="without a name lists them all"):
        explain("xyzzyx", PROCEDURES)


def test_a_tolerance_and_accepted_headers_are_told():
    assert "Largest difference in ganged groups: 10 %" in explain("transit_ref_s_per_60deg", PROCEDURES)
    assert "Headers accepted in tank_pressure: " in explain("barometer", PROCEDURES)


def test_a_limit_on_events_says_that_none_is_allowed():
    assert "Limit, number of events: none allowed, else reject." in explain("stall", PROCEDURES)


def test_the_list_names_everything_and_fits_eighty_columns():
    lines = listed().splitlines()
    assert max(map(len, lines)) <= 80
    assert {line.split()[0] for line in lines if line.startswith("  ")} == set(QUANTITIES)


@pytest.mark.parametrize("name", sorted(QUANTITIES))
def test_every_explanation_fits_eighty_columns_and_says_its_source(name):
    told = explain(name, PROCEDURES)
    assert max(map(len, told.splitlines())) <= 80
    assert "Source: " in told
    assert unit_of(name) == "1" or ", in " in told


# --- one glossary -----------------------------------------------------------------------------------------------------


def test_everything_that_a_procedure_names_is_in_the_glossary():
    named = set()
    for p in (PROCEDURES.servo, PROCEDURES.tank, PROCEDURES.current, PROCEDURES.dimension):
        named |= {*p.limits, *p.channels, *(q for any_of in p.required for q in any_of)}
        named |= {q for tolerances in p.match.values() for q in tolerances}
    # volume, capacity and resistance of twins go by the register's words
    assert named <= set(QUANTITIES) | {"volume_ml", "capacity_mah"}


@pytest.fixture(scope="module")
def source():
    """All code of the package that computes or judges, as one text."""
    folder = Path(benchlab.__file__).parent
    kinds = ("servo", "tank", "power", "matching")
    return "\n".join(f.read_text(encoding="utf-8") for k in kinds for f in sorted((folder / k).glob("*.py")))


def test_every_event_that_the_code_reports_is_in_the_glossary(source):
    kinds = set(re.findall(r'Event\(\s*kind="(\w+)"', source))
    assert len(kinds) >= 5  # the search finds something
    assert {k for k in kinds if QUANTITIES.get(k) is None or QUANTITIES[k].kind != "event"} == set()


def test_every_quantity_that_the_code_reports_by_name_is_in_the_glossary(source):
    named = set(re.findall(r'quantity="(\w+)"', source)) | set(re.findall(r'not_measured\(\s*"(\w+)"', source))
    assert len(named) >= 5
    assert named - set(QUANTITIES) == set()
