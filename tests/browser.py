"""How every test that needs a browser starts it."""

from __future__ import annotations

#: Headless Chromium that draws WebGL in software and calls nobody.
ARGUMENTS = (
    *("--headless", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run"),
)

#: How long a browser test waits for anything [ms]: for a slow machine with other work; a quick one never waits so long.
PATIENCE = 180_000
