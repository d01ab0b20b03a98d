"""`probekit check`: a program that somebody edited, against its plan and the milling program. Files of a tiny study."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

from probekit.cli import main

NAME = "BLOCK-PROBE.nc"


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    there = Path(tmp_path_factory.mktemp("check"))
    study = tiny.write(there)
    assert main(["program", str(study)]) == 0
    return there


@pytest.fixture
def checked(folder: Path, tmp_path: Path, capsys) -> Callable[[Callable[[str], str]], tuple[int, str]]:
    """Exit status and words for the program after a change; the file lies somewhere else."""

    def check(change: Callable[[str], str]) -> tuple[int, str]:
        text = (folder / "results" / NAME).read_bytes().decode()
        changed = tmp_path / "edited.nc"
        changed.write_bytes(change(text).encode())
        capsys.readouterr()
        status = main(["check", str(folder / "study.toml"), str(changed)])
        return status, " ".join(capsys.readouterr().out.split())

    return check


def test_the_program_as_it_was_written_passes(checked, folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    status, words = checked(lambda text: text)
    assert status == 0, words
    assert "Every line is as the last run wrote it" in words
    assert "found no blocking problem" in words
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def line_of(text: str, pattern: str) -> int:
    return text[: re.search(pattern, text, re.MULTILINE).start()].count("\n") + 1


def test_a_slip_in_the_probing_is_told_with_file_and_line(checked, folder: Path) -> None:
    text = (folder / "results" / NAME).read_text()
    line = line_of(text, r"^G38\.2")
    status, words = checked(lambda text: re.sub(r"^(G38\.2 \S+ \S+ Z)\S+", r"\g<1>15.", text, count=1, flags=re.M))
    assert status == 1, words
    assert f"edited.nc:{line}: stop: a touch is made from or to another place than planned" in words, words
    assert f"1 new or changed ({line})" in words, words


@pytest.mark.parametrize(
    ("pattern", "new"),
    [
        (r"^G1 Z25 F500$", "G1 Z15 F500"),
        (r"^S\d+ M3$", "S90 M3"),
        (r"^\(OPERATION 2\)$", "(OPERATION 3)"),
        (r"\Z", "(MORE)\n"),
        (r"\A%\n", "%\nG55\n"),
    ],
)
def test_a_change_of_the_milling_is_a_stop(checked, folder: Path, pattern: str, new: str) -> None:
    text = (folder / "results" / NAME).read_text()
    assert re.search(pattern, text, re.MULTILINE), text
    status, words = checked(lambda text: re.sub(pattern, new, text, count=1, flags=re.MULTILINE))
    assert status == 1, words
    assert re.search(
        r"edited.nc:\d+: stop: (a line that the milling program does not have|line \d+ of the mill)", words
    )


def test_a_line_of_the_milling_that_is_gone_is_named_by_its_own_number(checked, folder: Path) -> None:
    milling = (folder / "milling.nc").read_text().splitlines()
    last = len(milling) - 2
    status, words = checked(lambda text: "\n".join(text.splitlines()[:-3] + text.splitlines()[-2:]) + "\n")
    assert status == 1, words
    assert f"line {last} of the milling program is changed or missing: {milling[last - 1]!r}" in words, words


def test_other_line_ends_are_to_be_reviewed(checked) -> None:
    status, words = checked(lambda text: text.replace("\n", "\r\n"))
    assert status == 0, words
    assert "look: the ends of the lines are not those of the milling program" in words


def test_the_probing_alone_is_to_be_reviewed(checked) -> None:
    begin, end = "(PROBEKIT MERGED PART BEGIN)\n", "(PROBEKIT MERGED PART END)\n"
    status, words = checked(lambda text: text[text.index(begin) + len(begin) : text.index(end)] + "M2\n")
    assert "the milling program is not in this file" in words
    assert status in (0, 1)


def test_a_file_that_is_not_there_is_unusable(folder: Path, capsys) -> None:
    assert main(["check", str(folder / "study.toml"), str(folder / "none.nc")]) == 2
    assert "none.nc" in capsys.readouterr().err


def test_a_study_that_was_changed_is_planned_again(folder: Path, tmp_path: Path, capsys) -> None:
    """The touches of the file are then not those that the study asks for."""
    for name in ("block.stl", "milling.nc", "touches.csv"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    text = (folder / "study.toml").read_text().replace("spacing = 20.0", "spacing = 15.0")
    (tmp_path / "study.toml").write_text(text)
    assert main(["check", str(tmp_path / "study.toml"), str(folder / "results" / NAME)]) == 1
    words = " ".join(capsys.readouterr().out.split())
    assert "The plan was made again" in words
    assert "planned touches are not made" in words or "another place than planned" in words


@pytest.mark.parametrize(
    "move",
    ["G1 Z-30 F500\nG0 Z200", "G0 Z-30\nG0 Z200", "G0 X500\nG0 X60", "G1 X60.5 F500\nG1 X60", "G2 X60 Y0 I1 F500"],
)
def test_a_milling_move_within_the_inserted_part_is_a_stop(checked, folder: Path, move: str) -> None:
    """Put after the tool has come back: the end of the part is as it should be, what is between is not."""
    text = (folder / "results" / NAME).read_text()
    line = line_of(text, r"^\(PROBEKIT MERGED PART END\)$")
    status, words = checked(
        lambda text: text.replace("(PROBEKIT MERGED PART END)", f"{move}\n(PROBEKIT MERGED PART END)")
    )
    assert status == 1, words
    assert f"edited.nc:{line}: stop: a milling tool moves within the inserted part" in words, words
