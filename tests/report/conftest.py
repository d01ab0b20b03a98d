"""A written report of the synthetic part, and browser pages that watch what the report does."""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmarks.bench_report import MARK, until
from browser import ARGUMENTS, PATIENCE
from scene import synthetic

from probekit import action, fit, plan, report
from probekit import scene as pk_scene
from probekit.scene.sections import with_sections


@pytest.fixture(scope="session")
def nominal():
    return synthetic.part()


@pytest.fixture(scope="session")
def verdict(nominal):
    return synthetic.verdict(nominal)


@pytest.fixture(scope="session")
def results(nominal, verdict):
    """Everything a report may be given."""
    alignment = fit.rigid(verdict.table, nominal, free=("tz", "rx", "ry"))
    return {"alignment": alignment, "action": action.suggest(verdict, nominal, alignment=alignment)}


@pytest.fixture(scope="session")
def written(nominal, verdict, results, tmp_path_factory) -> Path:
    scene = pk_scene.build(nominal, verdict, title="Bumpy <patch> & $co")
    for point, normal, within, name in (((0, 45, 0), (0, 1, 0), 6.0, "rib <1>"), ((0, 0, -9), (0, 0, 1), 1e-4, "bare")):
        scene = with_sections(scene, nominal, plan.section(nominal, point, normal), within, name)
    return report.page(
        scene,
        verdict,
        **results,
        provenance=[("touches", "run.csv"), ("<b>label</b>", "</script><script>window.hurt=3</script>")],
        notes=["a note with <i>tags</i>"],
        to=tmp_path_factory.mktemp("report") / "report.html",
    )


@pytest.fixture(scope="module")  # not longer: no second one can be started beside it
def playwright_session():
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as session:
        yield session


@pytest.fixture(scope="module")
def browser(playwright_session, chromium):
    running = playwright_session.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
    yield running
    running.close()


@pytest.fixture
def open_page(browser, written):
    """Open the report; at the end of the test nothing was requested beyond the file and nothing complained."""
    contexts, heard = [], []

    def opener(fragment="", *, path=written, ready=True, allowed=(), **options):
        context = browser.new_context(
            **{"viewport": {"width": 1280, "height": 800}, "reduced_motion": "reduce"} | options
        )
        context.set_default_timeout(PATIENCE)
        contexts.append(context)
        page = context.new_page()
        url = path.as_uri()

        def request(event):
            if event.url.partition("#")[0] != url and not event.url.startswith("data:"):
                heard.append(f"request: {event.url}")

        def console(message):
            if message.type in ("error", "warning") and not any(a in message.text for a in allowed):
                heard.append(f"{message.type}: {message.text}")

        page.on("request", request)
        page.on("console", console)
        page.on("pageerror", lambda error: heard.append(f"exception: {error}"))
        page.goto(url + fragment)
        if ready:
            until(page, MARK)
        return page

    yield opener
    for context in contexts:
        context.close()
    assert heard == []
