"""The way without code: as an object, and served to a real browser by voila."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import tiny
from browser import ARGUMENTS, PATIENCE
from serving import environment, free_port, serving

from probekit import InputError
from probekit.archive import Archive
from probekit.dashboard import Dashboard, studies_in

NOTEBOOK = Path(__file__).parent.parent / "notebooks" / "dashboard.ipynb"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    tiny.write(tmp_path / "shop" / "block")
    (tmp_path / "shop" / "other.toml").write_text("[part\n")
    (tmp_path / "shop" / "no_study.toml").write_text("[tool]\n")
    return tmp_path / "shop"


def handed_in(name: str, text: str) -> tuple[dict[str, object], ...]:
    data = text.encode()
    return (
        {
            "name": name,
            "type": "",
            "size": len(data),
            "content": memoryview(data),
            "last_modified": datetime(2026, 1, 1, tzinfo=UTC),
        },
    )


def test_studies_are_found_and_nothing_else(shop: Path) -> None:
    assert list(studies_in(shop)) == ["block/study.toml"]
    with pytest.raises(InputError, match="no such folder"):
        studies_in(shop / "nowhere")
    (shop / "empty").mkdir()
    with pytest.raises(InputError, match="no study was found"):
        Dashboard(shop / "empty")


def test_the_study_s_own_file_is_inspected(shop: Path) -> None:
    desk = Dashboard(shop)
    desk.button.click()
    assert desk.found is not None
    assert f"The part {'is undecided' if desk.found.verdict.part == 'undecided' else desk.found.verdict.part}" in (
        desk.said.value
    )
    assert (shop / "block" / "results" / "report.html").is_file()


def test_a_file_is_kept_and_never_overwritten(shop: Path) -> None:
    desk, low = Dashboard(shop), tiny.touches().replace(",22.99", ",22.59")
    for text in (tiny.touches(seed=4), low, low):
        desk.file.value = handed_in("../run 7.csv", text)
        desk.inspect()
        assert desk.found is not None, desk.said.value
    assert sorted(path.name for path in (shop / "block" / "received").iterdir()) == ["run_7.csv", "run_7_2.csv"]
    assert desk.found.verdict.table["deviation"].abs().max() > 0.1  # that of the last file
    assert (shop / "block" / "results" / "run_7_2" / "results.json").is_file()


def test_what_cannot_be_read_is_said_and_shows_no_verdict(shop: Path) -> None:
    desk = Dashboard(shop)
    desk.inspect()
    desk.file.value = handed_in("<b>.csv", "touch,x\n1,2\n")
    desk.inspect()
    assert desk.found is None
    assert desk.views.children == ()
    assert "Not inspected." in desk.said.value
    assert "<b>.csv" not in desk.said.value
    assert not desk.button.disabled


def test_results_of_an_earlier_run_do_not_stay_for_a_study_that_is_refused(shop: Path) -> None:
    desk, page = Dashboard(shop), shop / "block" / "results" / "report.html"
    desk.inspect()
    assert "<h1>No results" not in page.read_text()
    tiny.write_study(shop / "block", ("width = 0.1", "width = -0.1"))
    desk.inspect()
    assert "Not inspected." in desk.said.value
    assert "<h1>No results" in page.read_text()


def test_the_archive_that_the_study_names_gets_the_part(shop: Path) -> None:
    pytest.importorskip("pyarrow")
    tiny.write_study(shop / "block", ("[uncertainty]", '[archive]\nfolder = "kept"\n\n[uncertainty]'))
    desk = Dashboard(shop)
    desk.inspect()
    assert "archived in" in desk.said.value
    assert len(Archive(shop / "block" / "kept")) == 1
    page = shop / "block" / "results" / "report.html"
    assert 'id="earlier"' not in page.read_text(encoding="utf-8"), "the first part has none before it"
    (shop / "block" / "touches.csv").write_text(tiny.touches(seed=9))
    desk.inspect()
    assert "<b>1</b>" in page.read_text(encoding="utf-8").partition('id="earlier"')[2][:400]
    kept = '[archive]\nfolder = "kept"\non_page = false\n\n[uncertainty]'
    tiny.write_study(shop / "block", ("[uncertainty]", kept))
    (shop / "block" / "touches.csv").write_text(tiny.touches(seed=10))
    desk.inspect()
    assert len(Archive(shop / "block" / "kept")) == 3
    assert 'id="earlier"' not in page.read_text(encoding="utf-8"), "kept from the page"


@pytest.fixture
def served(shop: Path, tmp_path: Path) -> Iterator[str]:
    shutil.copy(NOTEBOOK, tmp_path / "dashboard.ipynb")
    jupyter = {f"JUPYTER_{name}_DIR": str(tmp_path / "jupyter") for name in ("CONFIG", "DATA", "RUNTIME")}
    port = free_port()
    command = [sys.executable, "-m", "voila", str(tmp_path / "dashboard.ipynb"), "--no-browser", f"--port={port}"]
    address, env = f"http://127.0.0.1:{port}/", environment(PROBEKIT_STUDIES=str(shop), **jupyter)
    with serving([*command, "--Voila.ip=127.0.0.1"], f"{address}static/none", env=env, log=tmp_path / "log"):
        yield address


@pytest.mark.flaky(reruns=2)
def test_choose_drop_inspect_look_answer_save(served: str, shop: Path, tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    (tmp_path / "run_8.csv").write_text(tiny.touches(seed=8))
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        try:
            page = browser.new_page(viewport={"width": 1100, "height": 1400}, accept_downloads=True)
            page.set_default_timeout(PATIENCE / 2)
            page.goto(served)
            page.get_by_role("button", name="Inspect").wait_for()
            with page.expect_file_chooser() as chooser:
                page.get_by_role("button", name="Results file").click()
            chooser.value.set_files(tmp_path / "run_8.csv")
            page.get_by_text("run_8.csv").wait_for()
            page.get_by_role("button", name="Inspect").click()
            inside = page.frame_locator("iframe")
            inside.locator("h1").wait_for()
            inside.locator("#answer-name").fill("M. Maier")
            inside.locator("input[name=disposition][value=accept]").check()
            inside.locator("#answer-reason").fill("fits its mate")
            with page.expect_download() as saved:
                inside.locator("#answer-save").click()
            assert "fits its mate" in Path(saved.value.path()).read_text()
        finally:
            browser.close()
    assert (shop / "block" / "results" / "run_8" / "report.html").is_file()
