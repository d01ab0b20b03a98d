"""The README's example does what it says, and its two commands are what it promises."""

from __future__ import annotations

from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parent.parent


def test_the_example_runs_as_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("OCP")
    readme = (REPOSITORY / "README.md").read_text()
    block = readme[readme.index("    import probekit as pk") :].split("\n\nPlain data in", maxsplit=1)[0]
    lines = [line.removeprefix("    ") for line in block.splitlines()]
    (tmp_path / "data").symlink_to(REPOSITORY / "data")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec("\n".join(lines), names)
    assert names["verdict"].part == "does not conform"
    assert (tmp_path / "report.html").stat().st_size > 500_000
    assert len(names["deviations"]) == 120


def test_the_second_command_is_the_one_that_a_change_must_pass() -> None:
    (command,) = (line.strip() for line in (REPOSITORY / "README.md").read_text().splitlines() if ".[test]" in line)
    assert command in (REPOSITORY / ".ci" / "run").read_text().splitlines()
    assert command.endswith(".venv/bin/pytest -n 2 --dist loadfile"), (
        "notebooks and browsers: a file is run in one piece"
    )


def test_what_the_readme_shows_and_links_is_there() -> None:
    import re

    readme = (REPOSITORY / "README.md").read_text()
    for target in re.findall(r"\]\(([^)#]+)\)", readme):
        assert (REPOSITORY / target).exists(), target
