"""Moves that the plan does not have, beside its ways: told with line and distance, and a stop beyond its margin."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

import probekit as pk
from probekit.program.checking.findings import Findings

sys.path.insert(0, str(Path(__file__).parents[1]))
import deciding

#: The way from touch 1 to touch 2 at the safe plane: X10 to X30, Y30, Z28; margin 1 mm.
LINK = "G0 X30. Y30. Z28.\n"
#: The milling calls its next tool itself: the probe goes back above where milling stopped.
NEXT = tiny.MILLING.replace("T2 M6\n", "T2 M6\nG43 H2\n")


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[str, Callable[[str], Findings]]:
    study = pk.study.load(tiny.write(tmp_path_factory.mktemp("ways")))
    planned = pk.study.plan(study)
    return pk.study.program(study, planned).text, planned.check


def told(findings: Findings) -> dict[str, str]:
    """What the check of the ways says, by severity."""
    return {one.severity: f"{one.line}: {one.what}" for one in findings if one.check == "ways_as_planned"}


BESIDE = {
    "a rapid detour at the safe plane": ("G0 X30. Y200. Z28.\n", "stop", "170.00 mm off the planned ways, at X30 Y200"),
    "the same at feed": ("G1 X30. Y200. Z28. F2000.\n", "stop", "170.00 mm"),
    "between the planned ways, above the part": ("G0 X20. Y20. Z28.\n", "stop", "10.00 mm"),
    "higher up": ("G0 Z120.\nG0 X90. Y30.\nG0 X30.\n", "stop", "40.00 mm"),
    "a little aside": ("G0 X30. Y30.4 Z28.\n", "look", "0.40 mm off the planned ways, at X30 Y30.4 Z28"),
    "straight up": ("G0 Z120.\n", "", ""),
    "along a planned way": ("G0 X20. Y30. Z28.\n", "look", "a move of the probe that the plan does not have"),
}


@pytest.mark.parametrize("name", BESIDE)
def test_a_move_beside_the_planned_ways_is_told(done, name: str) -> None:
    text, check = done
    more, severity, words = BESIDE[name]
    found = told(check(text.replace(LINK, more + LINK, 1)))
    assert set(found) == ({severity} if severity else set())
    assert words in found.get(severity, "")
    if severity:
        line = text[: text.index(LINK)].count("\n") + 1
        assert line <= int(found[severity].split(":")[0]) <= line + 2


def test_a_way_that_is_gone_once_more_is_told(done) -> None:
    text, check = done
    down = "G1 X10. Y30. Z25. F2000.\n"
    assert down in text, text
    assert told(check(text)) == {}
    assert "that the plan does not have" in told(check(text.replace(LINK, down + "G1 Z28.\n" + LINK, 1)))["look"]


def test_a_short_cut_is_told(done) -> None:
    text, check = done
    assert "stop" in told(check(text.replace("G1 X10. Y30. Z28. F2000.\n", "", 1).replace(LINK, "", 1)))


def test_where_tools_are_changed_all_tools_go_across(done) -> None:
    text, check = done
    aside = text.replace("G0 X10. Y30.\nG0 Z28.\n", "G0 X300. Y30.\nG0 X10. Y30.\nG0 Z28.\n", 1)
    assert "at the height of the tool change" in told(check(aside))["look"]
    assert set(told(check(aside))) == {"look"}
    down = text.replace("G0 X10. Y30.\nG0 Z28.\n", "G0 X300. Y30.\nG0 Z28.\nG0 X10. Y30.\n", 1)
    assert "stop" in told(check(down))


@pytest.mark.parametrize("milling", [tiny.MILLING, NEXT, None])
def test_what_is_written_keeps_to_its_ways(tmp_path, milling: str | None) -> None:
    alone = () if milling else (('milling = "milling.nc"\nafter = "OPERATION 1"\n', ""),)
    nowhere = (("home = [0.0, 0.0, 200.0]\n", ""), ('lift = "G0 Z200"', ""))
    study = pk.study.load(tiny.write(tmp_path, *alone, *nowhere, milling_nc=milling or ""))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    assert told(programmed.findings) == told(programmed.dry_findings) == {}
    gone = re.sub(r"(?m)^(G0 X\S+ Y)(\S+)( \(above the place)", r"\g<1>300\3", programmed.text)
    assert set(told(planned.check(gone))) == ({"look"} if gone != programmed.text and milling == NEXT else set())


def test_a_detour_on_another_branch_is_told(tmp_path) -> None:
    study = pk.study.load(deciding.write(tmp_path))
    planned = pk.study.plan(study)
    text = pk.study.program(study, planned).text
    assert {f.check for f in planned.check(text).of("stop")} == set()
    aside = planned.check(text.replace("O30 else\n", "O30 else\nG0 X400. Y20. Z30.\n", 1)).of("stop")
    assert any("off the planned ways" in one.what and "on another branch" in one.what for one in aside)
