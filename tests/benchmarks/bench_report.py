"""Size of the report page and time to its first view: 1000 touches on a part of 200 000 facets.

Run from the root of the project: python tests/benchmarks/bench_report.py. Needs Chromium and playwright.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from browser import ARGUMENTS  # noqa: E402
from scene import synthetic  # noqa: E402

from probekit import report  # noqa: E402
from probekit import scene as pk_scene  # noqa: E402

TOUCHES, SIDE = 1000, 316
MARK = "performance.getEntriesByName('probekit:first-view')[0]?.startTime"


def write(folder: Path) -> tuple[Path, dict[str, float]]:
    """Return the page and the seconds that scene and page took."""
    nominal = synthetic.part(SIDE)
    verdict = synthetic.verdict(nominal, TOUCHES)
    start = time.perf_counter()
    scene = pk_scene.build(nominal, verdict)
    built = time.perf_counter()
    path = report.page(scene, verdict, to=folder / "report.html")
    return path, {"facets": len(nominal.facets), "scene": built - start, "page": time.perf_counter() - built}


def until(page, expression: str, seconds: float = 180.0):
    """Value of a JavaScript expression, once it is true. (Playwright's own wait needs eval, which the page forbids.)"""
    end = time.monotonic() + seconds
    while not (value := page.evaluate(expression)):
        if time.monotonic() > end:
            raise TimeoutError(f"{expression} did not come true in {seconds} s")
        page.wait_for_timeout(20)
    return value


def first_view(browser, path: Path) -> float:
    """Seconds from opening the file to the first drawn frame of the 3D view, as the page itself marks it."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(path.as_uri())
    seconds = until(page, MARK) / 1000
    page.close()
    return seconds


def main() -> None:
    """Print one line per number."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        path, seconds = write(Path(folder))
        print(f"facets            {seconds['facets']}")
        print(f"touches           {TOUCHES}")
        print(f"scene built       {seconds['scene']:.2f} s")
        print(f"page written      {seconds['page']:.2f} s")
        print(f"page size         {path.stat().st_size / 1e6:.2f} MB")
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=list(ARGUMENTS))
        runs = [first_view(browser, path) for _ in range(3)]
        print(f"first view        {min(runs):.2f} s best of 3, software rendering ({max(runs):.2f} s worst)")
        browser.close()


if __name__ == "__main__":
    main()
