import itertools
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from benchlab.report.page import anchors_for, environment, prepare, render
from benchlab.results import AirframeResult, PartResult

VOID = {"meta", "input", "br", "img", "path", "circle", "link", "hr"}


class Outline(HTMLParser):
    """Tags in their order, whether all were closed, ids, links, and the text."""

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.links, self.tags, self.text = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append((tag, attrs))
        if "id" in attrs:
            self.ids.append(attrs["id"])
        if tag == "a":
            self.links.append(attrs["href"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"script", "style"} & set(self.open):
            self.text.append(data)


@pytest.fixture(scope="session")
def outline(page):
    parsed = Outline()
    parsed.feed(page)
    return parsed


def test_every_element_is_closed_and_every_id_is_used_once(outline):
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))


def test_every_link_leads_to_a_place_in_the_page(outline):
    assert all(link.startswith("#") for link in outline.links)
    assert {link[1:] for link in outline.links} <= set(outline.ids)


def test_nothing_in_the_page_points_outside(outline):
    for tag, attrs in outline.tags:
        assert not {"src", "action", "srcset"} & attrs.keys(), tag


def test_text_of_logs_and_register_stays_text(outline, nasty):
    scripts = [attrs for tag, attrs in outline.tags if tag == "script" and "type" not in attrs]
    assert len(scripts) == 1
    assert not [tag for tag, _ in outline.tags if tag == "img"]
    assert nasty in "".join(outline.text)


def test_all_tables_name_their_columns_and_have_a_caption(page):
    tables = re.findall(r"<table.*?</table>", page, re.DOTALL)
    assert len(tables) > 30
    for table in tables:
        assert "<caption>" in table
        assert 'scope="col"' in table


def test_headings_step_down_one_by_one(outline):
    levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_every_figure_has_its_conclusion_as_alternative_text(outline, page):
    plots = [a for tag, a in outline.tags if tag == "div" and a.get("class") == "plot"]
    assert len(plots) > 100
    assert all(a["role"] == "img" and len(a["aria-label"]) > 20 for a in plots)
    assert page.count("<figcaption>") == len(plots)


def test_the_verdict_stands_before_what_to_do_before_the_parts(page):
    order = [page.index(mark) for mark in ("<h1>", 'class="verdict reject big"', 'id="next"', 'class="caution"',
                                           'id="parts"', 'id="groups"', 'id="part-S01"', 'id="logs"', 'id="procedures"',
                                           'id="methods"', 'id="versions"', 'id="cautions"')]  # fmt: skip
    assert order == sorted(order)


def test_what_was_not_measured_stands_beside_the_verdict(page):
    row = re.search(r'<tr role="row"[^>]*><th[^>]*><a href="#part-S01">.*?</tr>', page, re.DOTALL).group()
    assert "on position, current" in row
    assert "not measured: overshoot" in row


def test_figures_are_valid_json(page):
    for text in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL):
        json.loads(text)


def test_the_same_input_gives_the_same_bytes(build_airframe, page):
    again = build_airframe()
    assert render(again.result, again.analyses, again.matching, again.reads, again.procedures) == page


def test_eight_servos_of_990_cycles_stay_below_three_megabytes(page):
    assert len(page.encode()) <= 3_000_000


def test_the_size_hardly_depends_on_the_number_of_cycles(build_airframe, page):
    more = build_airframe(cycles=9900)
    size = len(render(more.result, more.analyses, more.matching, more.reads, more.procedures).encode())
    # ten times the cycles: as many points as before, but now each needs its own cycle number
    assert size < 1.2 * len(page.encode())


def test_templates_compiled_beforehand_give_the_same_page(invented, page):
    environment.cache_clear()
    prepare()
    assert len(environment().cache) == len(environment().list_templates()) > 5
    assert render(invented.result, invented.analyses, invented.matching, invented.reads, invented.procedures) == page


def test_an_airframe_without_parts_and_one_without_matching_render(invented):
    empty = AirframeResult(airframe="E", verdict="retest")
    assert "Nothing" in render(empty, {}, None, {}, invented.procedures)


def test_ids_that_make_no_fragment_get_a_number():
    parts = [PartResult(id=i, kind="servo", verdict="accept") for i in ("S01", "a b", 'x"y')]
    assert anchors_for(parts) == {"S01": "part-S01", "a b": "part-no-2", 'x"y': "part-no-3"}


def test_a_part_whose_log_failed_is_shown_without_figures(invented):
    part = replace(invented.result.parts[0], quantities={}, events=(), findings=())
    page = render(replace(invented.result, parts=(part,), groups=()), {}, None, {}, invented.procedures)
    assert 'id="part-S01"' in page


def cells(page, start, inside):
    """Texts of the cells of the table row that begins with ``inside``, in the part of the page from ``start`` on."""
    row = re.search(rf"<tr[^>]*><th[^>]*>{re.escape(inside)}.*?</tr>", page[page.index(start) :], re.DOTALL).group()
    return [re.sub(r"<[^>]+>", "", c) for c in re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row, re.DOTALL)]


def test_the_second_best_placement_stands_beside_the_best_with_its_cost(page):
    start = "<h3>Placement</h3>"
    assert cells(page, start, "right elevon inner") == ["right elevon inner", "S03", "S08", "S07", "fit S08"]
    assert cells(page, start, "tail") == ["tail", "empty", "none left", "none left", "find a part"]
    assert cells(page, start, "Worst mismatch")[1:4] == ["1.7", "0.4", "0.55"]
    assert cells(page, start, "Sum of mismatches")[1:4] == ["2.9", "0.7", "0.81"]


def test_without_a_second_best_the_column_is_left_out(build_airframe):
    b = build_airframe(cycles=600, servos=1)
    matching = replace(b.matching, tables={})
    page = render(b.result, b.analyses, matching, b.reads, b.procedures)
    assert "Second best" not in page
    assert "Then and now" not in page


def test_then_and_now_says_what_changed(page):
    start = "<h3>Then and now</h3>"
    assert cells(page, start, "S01")[-2:] == ["0.260\u00a0±\u00a00.020&nbsp;°", "yes"]
    assert cells(page, start, "S02")[-1] == "no"
    assert "cannot be told" in page


def test_a_calibration_stands_in_the_open(page):
    told = "Calibrated by the register: <code>current_a:1</code> = 0.0259 × reading − 13.24 (column 3,"
    assert told in page[page.index('id="logs"') :]


def test_the_next_step_of_a_part_stands_first_in_its_section_and_in_the_list(page):
    assert page.count("Hold until 16:40 (2.1 h more)") == 2
    assert "<b>Next: Hold until 16:40 (2.1 h more).</b>" in page


def test_a_packs_budget_and_cross_check_are_tables(page):
    assert cells(page, "What one flight takes from P1", "receiver A") == [
        "receiver A", "cruise", "6", "6", "50", "600",
    ]  # fmt: skip
    assert cells(page, "Cross-check: ", "S02") == ["S02", "–", "–", "–", "0"]


def test_a_number_keeps_its_uncertainty_and_unit_in_one_line(page):
    text = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
    assert re.search(r"\d ± \d", text) is None
    assert "≤ " not in text


def test_all_figures_that_decide_are_printed_and_the_further_ones_are_not(page):
    plots = re.findall(r'<div class="plot".*?>', page)
    left = [p for p in plots if 'data-print="no"' in p]
    assert len(plots) - len(left) > len(left)
    assert all("over the cycles" in p for p in left)


def test_what_may_be_fitted_and_what_is_merely_in_order_are_told_apart(page):
    told = [re.sub(r"<[^>]+>", "", t) for t in re.findall(r'<p class="fit">(.*?)</p>', page, re.DOTALL)]
    assert [t.split(":")[0].split()[-1] for t in told] == ["fitted", "order"]
    assert "S01 (left elevon inner)" in told[0]
    assert "receiver A" in told[1]
    assert "S03" not in told[0]


def test_nothing_may_be_fitted_where_nothing_is_accepted(invented):
    parts = tuple(replace(p, verdict="retest") for p in invented.result.parts)
    page = render(replace(invented.result, parts=parts), {}, None, {}, invented.procedures)
    assert "No part may be fitted yet." in page


def test_limits_of_a_procedure_carry_their_units(page):
    start = "Limits, servo cycling"
    assert cells(page, start, '<a class="term" href="#q-hysteresis_deg">')[2] == "≤\u00a01\u00a0°"
    assert cells(page, start, '<a class="term" href="#q-run_in">')[2] == "complete"
