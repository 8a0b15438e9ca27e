"""The page in a real browser: what it draws, what it asks for, how it filters, sorts and prints."""

import re
import shutil
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    # playwright leaves its event loop to the garbage collector
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"),
]
DRAWN = "document.querySelectorAll('.plot[data-drawn] .main-svg').length"


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as p:
        started = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def small_page(tmp_path_factory, build_airframe):
    from benchlab.report.page import render

    b = build_airframe(cycles=700, servos=3)
    file: Path = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(render(b.result, b.analyses, b.matching, b.reads, b.procedures), encoding="utf-8")
    return file.as_uri()


def open_page(browser, small_page):
    """Open a tab with the page; ``tab.trouble`` collects errors of the console and requests that left the file."""
    tab = browser.new_page(viewport={"width": 1280, "height": 900})
    tab.trouble = []
    tab.on("console", lambda m: tab.trouble.append(m.text) if m.type in {"error", "warning"} else None)
    tab.on("pageerror", lambda e: tab.trouble.append(str(e)))
    tab.on("request", lambda r: None if r.url.startswith(("file:", "data:", "blob:")) else tab.trouble.append(r.url))
    tab.goto(small_page)
    tab.wait_for_selector("html[data-figures=yes]", state="attached")
    return tab


@pytest.fixture
def opened(browser, small_page):
    tab = open_page(browser, small_page)
    yield tab
    tab.close()


@pytest.fixture(scope="module")
def drawn(browser, small_page):
    """A tab in which every figure was scrolled into view."""
    tab = open_page(browser, small_page)
    scroll_through(tab)
    yield tab
    tab.close()


def scroll_through(tab):
    tab.evaluate("document.querySelectorAll('main details').forEach((d) => { d.open = true; })")
    tab.evaluate(
        """async () => {
            for (let y = 0; y < document.documentElement.scrollHeight; y += 700) {
                scrollTo(0, y);
                await new Promise((r) => setTimeout(r, 30));  // no frame is promised to a tab
            }
        }"""
    )
    tab.wait_for_function("!document.querySelector('.plot:not([data-drawn])')")


def test_figures_wait_until_they_come_into_view(opened):
    all_plots = opened.evaluate("document.querySelectorAll('.plot').length")
    assert opened.evaluate(DRAWN) < all_plots


def test_every_figure_is_drawn_without_an_error_or_a_request(drawn):
    # every figure holds at least one trace with something in it
    empty = drawn.evaluate(
        """[...document.querySelectorAll('.plot')]
            .filter((p) => !p.querySelector('.scatterlayer .trace, .barlayer .trace, .heatmaplayer image'))
            .map((p) => p.dataset.label)"""
    )
    assert empty == []
    assert drawn.trouble == []


def test_a_drawing_carries_its_conclusion_and_no_image_holds_buttons(drawn):
    # rules of axe-core: every image has a name (svg-img-alt), controls do not nest (nested-interactive)
    images = drawn.evaluate(
        "[...document.querySelectorAll('.plot [role=img]')].map((i) => i.getAttribute('aria-label'))"
    )
    assert len(images) == drawn.evaluate("document.querySelectorAll('.plot').length")
    assert all(label and len(label) > 20 for label in images)
    assert drawn.evaluate("document.querySelectorAll('[role=img] :is(a, button, input, [tabindex])').length") == 0


def test_every_control_can_be_reached_and_is_named(drawn):
    # rules button-name, label, link-name, scrollable-region-focusable
    nameless = drawn.evaluate(
        """[...document.querySelectorAll('button, a[href], input, select, [tabindex]')].filter((e) => e.offsetWidth
            && !(e.textContent.trim() || e.getAttribute('aria-label') || e.closest('label') || e.dataset.title))
            .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert nameless == []
    scrolling = drawn.evaluate(
        """[...document.querySelectorAll('main *')].filter((e) => e.scrollWidth > e.clientWidth + 1
            && ['auto', 'scroll'].includes(getComputedStyle(e).overflowX) && e.tabIndex < 0).length"""
    )
    assert scrolling == 0


def test_a_reading_tells_its_cycle_and_value_under_the_pointer(opened):
    # readings are drawn as one path: they must still answer to the pointer
    plot = opened.locator(".plot[aria-label^='Centre over'], .plot:has([aria-label^='Centre over'])").first
    plot.scroll_into_view_if_needed()
    opened.wait_for_selector(".plot [aria-label^='Centre over']")
    box = plot.locator(".nsewdrag").first.bounding_box()
    for share in (0.3, 0.5, 0.7, 0.9):
        for height in (0.35, 0.45, 0.5, 0.55, 0.65):
            opened.mouse.move(box["x"] + share * box["width"], box["y"] + height * box["height"])
            opened.wait_for_timeout(60)
            if said := plot.locator(".hoverlayer text").all_text_contents():
                break
        if said:
            break
    assert re.match(r"(fit, )?cycle \d+: ", said[0])


def test_text_of_logs_does_not_run(drawn):
    assert drawn.evaluate("window.broken") is None
    assert drawn.locator("main img").count() == 0


def test_no_figure_offers_to_send_its_data_away(drawn):
    titles = drawn.evaluate("[...document.querySelectorAll('.modebar-btn')].map((b) => b.dataset.title || '')")
    assert titles
    assert not [t for t in titles if "hare" in t or "loud" in t]


def test_parts_are_filtered_by_word_and_verdict(opened):
    rows = "[...document.querySelectorAll('#parts-table tbody tr')].filter((r) => !r.hidden).length"
    opened.fill("#parts-filter", "elevon")
    assert opened.evaluate(rows) == 3
    opened.select_option("#parts-verdict", "reject")
    assert opened.evaluate(rows) == 1
    assert opened.inner_text("#parts-count").startswith("1 of ")


def test_parts_are_sorted_by_verdict_worst_last_and_first(opened):
    first = "document.querySelector('#parts-table tbody tr').dataset.verdict"
    button = opened.get_by_role("button", name="Verdict")
    button.click()
    assert opened.evaluate(first) == "accept"
    button.click()
    assert opened.evaluate(first) == "reject"
    assert opened.locator("th[aria-sort=descending]").count() == 1


def test_a_link_into_a_closed_box_opens_it(opened):
    opened.evaluate("document.querySelectorAll('main details').forEach((d) => { d.open = false; })")
    opened.evaluate("location.hash = '#plot-20'")
    opened.wait_for_function("document.getElementById('plot-20').offsetWidth > 0")


def test_printing_draws_what_decides_in_light_and_restores_the_screen(opened):
    opened.emulate_media(color_scheme="dark")
    opened.evaluate(
        """() => addEventListener('beforeprint', () => {
            const plots = [...document.querySelectorAll('.plot')];
            window.atPrint = {
                missing: plots.filter((p) => p.dataset.print !== 'no' && p.dataset.drawn !== 'print').length,
                left: plots.filter((p) => p.dataset.print === 'no').length,
                shown: plots.filter((p) => p.dataset.drawn === 'print').length,
                closed: document.querySelectorAll('main details:not([open]):not([data-print=no])').length,
                paper: document.querySelector('.plot[data-drawn=print] .main-svg').style.background,
            };
        })"""
    )
    pdf = opened.pdf(prefer_css_page_size=True)
    seen = opened.evaluate("window.atPrint")
    assert seen["missing"] == 0
    assert seen["shown"] > 30
    assert seen["left"] > 10  # further quantities stay on the screen
    assert seen["closed"] == 0
    assert seen["paper"] == "rgb(254, 254, 254)"
    assert pdf.startswith(b"%PDF")
    # 3 servos on two sheets each, 2 tanks, pack, circuit, dimensions on one to two, the rest: groups, logs, methods
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 25
    # A4 in points is 595 x 842 (ISO 216: 210 mm x 297 mm)
    assert b"/MediaBox [0 0 595" in pdf or b"/MediaBox [0 0 594.9" in pdf
    assert opened.evaluate("document.querySelectorAll('main details:not([open])').length") > 0
    assert opened.trouble == []


def test_paper_says_what_it_leaves_out(opened):
    opened.emulate_media(media="print")
    assert opened.is_visible(".paper")
    assert not opened.is_visible("#print")
    assert opened.locator("details.screen").first.is_hidden()


def test_a_phone_needs_no_sideways_scrolling(browser, small_page):
    tab = browser.new_page(viewport={"width": 360, "height": 1400})
    tab.goto(small_page)
    tab.wait_for_selector("html[data-figures=yes]", state="attached")
    scroll_through(tab)
    assert tab.evaluate("document.documentElement.scrollWidth") <= 360
    tab.close()
