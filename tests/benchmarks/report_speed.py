"""Measure a report in headless Chromium: python tests/benchmarks/report_speed.py REPORT...

Prints for each report.html: bytes; median of five openings until the page can be used (links, filter, sort) and until
the drawing code stands and the figures near the view can be drawn; seconds and pages of a print to PDF (A4); console
errors and requests. Give an older report beside a newer one: on a busy machine only the ratio of the two means
something.
"""

from __future__ import annotations

import re
import shutil
import statistics
import sys
import time
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

WATCH = """new MutationObserver(() => {
    const root = document.documentElement && document.documentElement.dataset;
    if (root && root.ready) window.usable ??= performance.now();
    if (document.querySelector('.plot .main-svg')) window.drawn ??= performance.now();
    if (root && root.figures) window.figures ??= performance.now();
}).observe(document, {subtree: true, childList: true, attributes: true});"""


def opened(browser: Browser, report: Path, trouble: list[str]) -> Page:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.on("console", lambda m: trouble.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda e: trouble.append(str(e)))
    page.on("request", lambda r: None if r.url.startswith(("file:", "data:", "blob:")) else trouble.append(r.url))
    page.add_init_script(WATCH)
    page.goto(report.resolve().as_uri())
    page.wait_for_function("document.documentElement.dataset.ready", timeout=60_000)
    page.wait_for_timeout(2500)
    return page


def measure(browser: Browser, report: Path) -> str:
    trouble: list[str] = []
    times: dict[str, list[float]] = {"usable": [], "figures": []}
    for _ in range(5):
        page = opened(browser, report, trouble)
        for name, seen in times.items():
            if (at := page.evaluate(f"window.{name} ?? null")) is not None:
                seen.append(at / 1000)
        page.close()
    page = opened(browser, report, trouble)
    begun = time.perf_counter()
    pdf = page.pdf(prefer_css_page_size=True)
    printing = time.perf_counter() - begun
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    plots = page.evaluate("document.querySelectorAll('.plot').length")
    page.close()
    told = ", ".join(f"{n} {statistics.median(s):.2f} s" for n, s in times.items() if s)
    return (
        f"{report}: {report.stat().st_size / 1e6:.2f} MB, {plots} figures; {told}; print {printing:.1f} s, "
        f"{pages} pages; trouble: {trouble or 'none'}"
    )


if __name__ == "__main__":
    with sync_playwright() as p:
        started = p.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for name in sys.argv[1:]:
            print(measure(started, Path(name)), flush=True)
        started.close()
