"""The README's example does what it says, and its two commands are what it promises."""

from __future__ import annotations

import re
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
    lines = [line.strip() for line in (REPOSITORY / "README.md").read_text().splitlines() if ".[test]" in line]
    (command,) = (line for line in lines if line.startswith("python3"))
    assert command in (REPOSITORY / ".ci" / "run").read_text().splitlines()
    assert command.endswith(".venv/bin/pytest -n 2 --dist loadfile"), (
        "notebooks and browsers: a file is run in one piece"
    )


def test_what_the_readme_shows_and_links_is_there() -> None:
    readme = (REPOSITORY / "README.md").read_text()
    for target in re.findall(r"\]\(([^)#]+)\)", readme):
        assert (REPOSITORY / target).exists(), target


def test_both_commands_are_there_for_powershell_too() -> None:
    """Step by step the same commands; a failed step ends the line."""
    lines = [line.strip() for line in (REPOSITORY / "README.md").read_text().splitlines()]
    steps = {
        shell: [
            re.split(r" && | *; if \(\$\?\) \{ *", line.removesuffix(" }").replace(" };", ";"))
            for line in lines
            if line.startswith(begins)
        ]
        for shell, begins in (("sh", "python3 -m venv"), ("ps", "py -3 -m venv"))
    }
    for posix, windows in zip(steps["sh"], steps["ps"], strict=True):
        same = [one.replace(".venv/bin/", "").replace("python3", "py -3").replace("/", "\\") for one in posix]
        assert [one.replace(".venv\\Scripts\\", "") for one in windows] == same
    assert len(steps["ps"]) == 2


def test_system_packages_are_named_before_nothing_else() -> None:
    readme = (REPOSITORY / "README.md").read_text()
    needed = re.findall(r"libgl1|libx11-6", (REPOSITORY / ".ci" / "run").read_text())
    before = readme[: readme.index("nothing else is needed")]
    assert needed
    assert all(one in before for one in [*needed, "python3-venv", "git"])
