"""Check a report with axe-core in headless Chromium: python tests/benchmarks/report_accessibility.py REPORT AXE

REPORT is a report.html, AXE the file axe.min.js of the npm package axe-core (npm pack axe-core). Checked are the wide
and the narrow page in light and dark, with all boxes open and all figures drawn. Exit status 1 if a rule is broken.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

OPEN = "document.querySelectorAll('details').forEach((d) => { d.open = true; })"
SCROLL = """async () => {
    for (let y = 0; y < document.documentElement.scrollHeight; y += 700) {
        scrollTo(0, y);
        await new Promise((r) => requestAnimationFrame(() => setTimeout(r, 10)));
    }
}"""


def violations(page: Page, report: Path, axe: str) -> list[dict]:
    page.goto(report.resolve().as_uri())
    page.wait_for_selector("html[data-figures=yes]", state="attached")
    page.evaluate(OPEN)
    page.evaluate(SCROLL)
    page.wait_for_function("!document.querySelector('.plot:not([data-drawn])')", timeout=300_000)
    page.evaluate(axe)
    return page.evaluate("async () => (await axe.run(document, {resultTypes: ['violations']})).violations")


def main(report: Path, axe: Path) -> int:
    broken = 0
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for width, scheme in ((1280, "light"), (1280, "dark"), (360, "light")):
            page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
            found = violations(page, report, axe.read_text(encoding="utf-8"))
            print(f"{width} px, {scheme}: {len(found)} rules broken")
            for v in found:
                places = [n["target"][-1] for n in v["nodes"]]
                print(f"  {v['impact']} {v['id']}: {v['help']} ({len(places)} places, first {places[:3]})")
            broken += len(found)
            page.close()
        browser.close()
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
