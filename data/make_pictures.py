"""Take the pictures of the README: `python data/make_pictures.py`. Needs Chromium and playwright."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

import probekit as pk
from probekit import cli

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))

from benchmarks.bench_report import MARK, until  # noqa: E402
from browser import ARGUMENTS  # noqa: E402

PAGES = {"report": (("inspect",), 1200, 760), "plan": (("plan",), 1280, 900)}


def main() -> None:
    """Run the demo in a folder of its own, open each page and write its picture."""
    browser_path = shutil.which("chromium") or shutil.which("google-chrome")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as session:
        cli.main(["demo", f"{folder}/demo"])
        browser = session.chromium.launch(executable_path=browser_path, args=list(ARGUMENTS))
        for name, (command, width, height) in PAGES.items():
            cli.main([*command, f"{folder}/demo/study.toml"])
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(f"file://{folder}/demo/results/{name}.html")
            until(page, MARK)
            page.wait_for_timeout(2000)
            page.screenshot(path=str(HERE / "pictures" / f"{name}.png"))
        browser.close()
    figure()


def figure() -> None:
    """A section of the demo part with whiskers, as a notebook shows it."""
    inspected = pk.study.run(pk.study.load(HERE / "foil" / "study.toml"))
    (section,) = pk.plan.section(inspected.part, (0, 0, 60), (0, 0, 1), faces="skin")
    drawn = pk.figures.whiskers(
        inspected.verdict.table, section, exaggeration=50, lower=-0.1, upper=0.1, title="section at z = 60"
    )
    pk.figures.save(drawn, HERE / "pictures" / "section.png")


if __name__ == "__main__":
    main()
