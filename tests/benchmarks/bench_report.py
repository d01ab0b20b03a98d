"""Size of the report page and time to its first view: 2 000 touches on 200 000 facets, 20 000 on a million.

Aimed at: under 3 MB and 2 s, under 12 MB and 5 s, drawn in software. `--quick` leaves out the second. The mesh is a
grid, which packs well; `--irregular` joins random points instead. `--whole` draws all facets, however many.

Run from the root of the project: python tests/benchmarks/bench_report.py. Needs Chromium and playwright.
"""

from __future__ import annotations

import importlib
import shutil
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

from browser import ARGUMENTS  # noqa: E402
from scene import synthetic  # noqa: E402

from probekit import report  # noqa: E402
from probekit import scene as pk_scene  # noqa: E402
from probekit.scene import thinning  # noqa: E402

TOUCHES, SIDE = 2000, 316
MORE_TOUCHES, LARGER_SIDE = 20_000, 707
MARK = "performance.getEntriesByName('probekit:first-view')[0]?.startTime"


def write(
    folder: Path, side: int = SIDE, touches: int = TOUCHES, *, shuffled: bool = False
) -> tuple[Path, dict[str, float]]:
    """Return the page and the seconds that scene and page took."""
    nominal = synthetic.scattered(side**2) if shuffled else synthetic.part(side)
    verdict = synthetic.verdict(nominal, touches)
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


HOVER = """() => {
    const { view } = probekit, canvas = document.querySelector("canvas"), took = [];
    view.surfaceAt(1, 1);
    for (let k = 0; k < 60; k++) {
        const began = performance.now();
        const x = canvas.clientWidth * (0.3 + 0.4 * (k % 8) / 8), y = canvas.clientHeight * (0.3 + 0.4 * (k % 7) / 7);
        if (view.pickAt(x, y, 8) < 0) view.surfaceAt(x, y);
        took.push(performance.now() - began);
    }
    return took.sort((a, b) => a - b);
}"""


def hover(browser, path: Path) -> list[float]:
    """Milliseconds, in order, that it takes to say what lies under the pointer."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(path.as_uri())
    until(page, MARK)
    page.wait_for_timeout(3000)
    took = page.evaluate(HOVER)
    page.close()
    return took


def main() -> None:
    """Print one line per number."""
    from playwright.sync_api import sync_playwright

    if "--whole" in sys.argv:
        importlib.import_module("probekit.scene.build").display_mesh = partial(thinning.display_mesh, whole=10**9)
    sizes = [(SIDE, TOUCHES), (LARGER_SIDE, MORE_TOUCHES)][: 1 if "--quick" in sys.argv else 2]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=list(ARGUMENTS))
        for side, touches in sizes:
            path, seconds = write(Path(folder), side, touches, shuffled="--irregular" in sys.argv)
            print(f"facets            {seconds['facets']}")
            print(f"touches           {touches}")
            print(f"scene built       {seconds['scene']:.2f} s")
            print(f"page written      {seconds['page']:.2f} s")
            print(f"page size         {path.stat().st_size / 1e6:.2f} MB")
            runs = sorted(first_view(browser, path) for _ in range(5))
            print(f"first view        {runs[2]:.2f} s median of 5 ({runs[0]:.2f} to {runs[-1]:.2f} s)")
            took = hover(browser, path)
            print(f"hover             {took[len(took) // 2]:.2f} ms median, {took[-1]:.2f} ms worst of {len(took)}")
        browser.close()


if __name__ == "__main__":
    main()
