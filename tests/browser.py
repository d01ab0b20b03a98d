"""How every test that needs a browser starts it."""

from __future__ import annotations

from importlib.resources import files

import pytest

#: Headless Chromium that draws WebGL in software and calls nobody.
ARGUMENTS = (
    *("--headless", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run"),
)

#: How long a browser test waits for anything [ms]: for a slow machine with other work; a quick one never waits so long.
PATIENCE = 180_000


def serious(page) -> list:
    """What the rules of axe-core find on an open page that is serious or worse: impact, rule, how often, the first."""
    axe = pytest.importorskip("axe_playwright_python")
    page.evaluate(files(axe).joinpath("axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate(
        "axe.run().then(r => r.violations.map(v => [v.impact, v.id, v.nodes.length, v.nodes[0].html]))"
    )
    return [one for one in found if one[0] in ("serious", "critical")]
