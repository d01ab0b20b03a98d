"""The pages of the site say what is true: their examples run, their studies are read, and every key is there."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

import probekit as pk
from probekit import settings

REPOSITORY = Path(__file__).parent.parent
DOCS = REPOSITORY / "docs"
PAGES = sorted(DOCS.rglob("*.md"))


@pytest.fixture(scope="module")
def build() -> ModuleType:
    spec = importlib.util.spec_from_file_location("build_site", DOCS / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def blocks(page: Path, kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", page.read_text(encoding="utf-8"), flags=re.M | re.S)


@pytest.mark.parametrize("page", [p for p in PAGES if "how_to" in p.parts], ids=lambda p: p.stem)
def test_the_examples_of_a_how_to_run(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(REPOSITORY / "data" / "foil", tmp_path / "my_part", ignore=shutil.ignore_patterns("results"))
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    found = blocks(page, "python")
    assert found
    for block in found:
        exec(block, names)
    said = capsys.readouterr().out
    expected = {
        "first_study": "does not conform",
        "read_a_verdict": "skin profile",
        "results_from_my_control": "12.9907",
        "own_dialect": "still to be filled in",
        "results_for_others": "skin profile",
        "let_a_program_decide": "again, once, if more than 0.03 and at most 0.3 mm are left",
        "fewer_touches": "feel a hill or dent 0.2 mm high",
    }
    assert expected[page.stem] in said


def test_the_smallest_study_is_one(tmp_path: Path) -> None:
    (text,) = blocks(DOCS / "how_to" / "first_study.md", "toml")
    (tmp_path / "study.toml").write_text(text)
    assert settings.read_settings(tmp_path / "study.toml") == tomllib.loads(text)


def test_the_reference_of_the_study_file_has_every_key(build: ModuleType) -> None:
    page = build.study_file()
    for table, keys in settings.KEYS.items():
        assert f"[{table}]" in page
        for key in keys:
            assert f"| `{key}` |" in page
    assert "### profile of a line" in page


def test_each_table_of_a_study_is_told_in_short(build: ModuleType) -> None:
    told = build.in_short()
    assert not [table for table in settings.KEYS if not told.get(table)]


@pytest.mark.skipif(importlib.util.find_spec("sphinx") is None, reason="the extra `site` is not installed")
@pytest.mark.filterwarnings("default")  # those of Sphinx and its extensions about one another
def test_the_site_builds_without_a_warning(
    build: ModuleType, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Quick, and one room stands for the reference of all; a warning of Sphinx is an error in it."""
    for name in ("PROBEKIT_SITE_RUN", "PROBEKIT_SITE_CACHE", "PYTHONPATH"):  # the command sets them
        monkeypatch.setenv(name, os.environ.get(name, ""))
    status = build.main(["--quick", "--rooms", "figures", "--to", str(tmp_path)])
    said = capfd.readouterr()
    assert status == 0, said.err + said.out
    assert "0 broken links" in said.out
    page = (tmp_path / "reference" / "figures.html").read_text(encoding="utf-8")
    assert "probekit.figures.lines" in page
    course = (tmp_path / "course.html").read_text(encoding="utf-8")
    assert all(path.stem in course for path in (REPOSITORY / "notebooks").glob("[0-9]*.ipynb"))
    assert "<math" in (tmp_path / "notebooks" / "10_uncertainty_budget.html").read_text(encoding="utf-8")
    assert "cdn." not in course, "the site needs no network"


def test_the_reference_has_every_public_name(build: ModuleType) -> None:
    assert set(build.rooms()) == {name for name in pk.__all__ if hasattr(getattr(pk, name), "__path__")}
    for room in build.rooms():
        page = build.page_of(room)
        assert all(f"probekit.{room}.{name}" in page for name in getattr(pk, room).__all__), room


def test_links_of_the_pages_lead_somewhere() -> None:
    made = {"study_file.md", "nomenclature.md", "course.md", "changelog.md", "citation.md", "index.md"}
    for page in PAGES:
        for target in re.findall(r"\]\((?!https?:)([^)#]+)", page.read_text(encoding="utf-8")):
            to = page.parent / target
            known = to.exists() or Path(target).name in made or (REPOSITORY / target).exists()
            assert known, f"{page.name}: {target}"


def test_a_broken_link_of_a_built_site_is_found(build: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "a.html").write_text('<p id="here"><a href="b.html#there">x</a><a href="#here">y</a><img src="c.png">')
    (tmp_path / "b.html").write_text('<p id="other"><a href="a.html#here">z</a><a href="https://example.org">w</a>')
    assert list(build.broken_links(tmp_path)) == ["a.html -> b.html#there (no such place)", "a.html -> c.png"]
