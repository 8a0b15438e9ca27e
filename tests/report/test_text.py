import pytest

from benchlab.report import text
from benchlab.results import Estimate, Finding


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        # JCGM 100:2008, 7.2.2 and 7.2.6 (from memory): two digits of u, the value to the same place
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        (10.05762, 0.027, "10.058 ± 0.027"),
        (0.7, 0.05, "0.700 ± 0.050"),
        (0.7, 0.0997, "0.70 ± 0.10"),
        (-0.0004, 0.05, "0.000 ± 0.050"),
        (1.04e-5, 1.1e-6, "(1.04 ± 0.11) × 10⁻⁵"),
        (990.0, None, "990"),
        (-12.5, 0.0, "−12.5"),
        (None, 0.1, "–"),
        (float("nan"), 0.1, "–"),
    ],
)
def test_a_value_is_rounded_to_its_uncertainty(value, u, shown):
    assert text.measured(value, u) == shown


@pytest.mark.parametrize(
    ("p", "shown"), [(None, "–"), (0.9999, "> 99.9 %"), (1.0, "> 99.9 %"), (0.0, "< 0.1 %"), (0.4321, "43.2 %")]
)
def test_a_probability_never_claims_certainty(p, shown):
    assert text.probability(p) == shown


@pytest.mark.parametrize(
    ("lower", "upper", "unit", "shown"),
    [
        (None, 1.0, "deg", "≤ 1 °"),
        (0.8, None, "1", "≥ 0.8"),
        (-0.5, 0.5, "deg", "within ±0.5 °"),
        (-0.5, 0.8, "A", "−0.5 to 0.8 A"),
        (None, None, "A", "–"),
    ],
)
def test_limits_read_as_signs(lower, upper, unit, shown):
    assert text.limit(lower, upper, unit) == shown


def test_the_interval_has_the_places_of_the_uncertainty():
    assert text.interval(Estimate(value=1.0, u=0.01, lo=0.98040, hi=1.01960, unit="A")) == "0.980 to 1.020"


def test_a_finding_on_completeness_is_a_word():
    f = Finding(
        quantity="run_in", aspect="complete", value=0.0, u=None, unit="1", lower=1.0, upper=None, limit_source=None,
        p_conform=None, verdict="retest", reason="",
    )  # fmt: skip
    assert text.finding_value(f) == "not complete"
    assert text.finding_limit(f) == "complete"


def test_plot_labels_hold_no_markup():
    assert text.plot_label('<b onclick="x">\n& more') == '&lt;b onclick="x"&gt; &amp; more'


@pytest.mark.parametrize(("value", "shown"), [(-4.4, "−4"), (4.6, "+5"), (0.2, "0"), (None, "–")])
def test_corrections_carry_their_sign(value, shown):
    assert text.signed(value) == shown


def test_words_are_joined_as_a_sentence_does():
    assert [text.listed(w) for w in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


@pytest.mark.parametrize(
    ("formula", "shown"),
    [
        ("0.0259 x reading + -13.24", "0.0259 × reading − 13.24"),
        ("-1 x reading + 0", "−1 × reading"),
        ("1 x reading + 0.5; no unit stated", "reading + 0.5"),
        ("something else", "something else"),
    ],
)
def test_a_calibration_reads_as_a_formula(formula, shown):
    assert text.calibration(formula) == shown


def test_a_small_uncertainty_of_a_readable_number_needs_no_power_of_ten():
    assert text.measured(0.1399618, 0.0000074) == "0.1399618 ± 0.0000074"


def test_an_event_is_called_by_its_glossary_title():
    assert text.event("outlier") == "outlying cycle"
    assert text.title("stall") == "Stall"
