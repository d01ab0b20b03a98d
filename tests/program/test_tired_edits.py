"""What a tired person may do to a finished text, beyond the tables of mutations: each is told as it deserves.

The tiny study, merged, its spindle lifted in machine coordinates. The edits come of trying each line left out, twice,
changed over with the next, behind a switch, and each number changed, in programs of all dialects.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
import tiny

import probekit as pk
from probekit.program.checking.findings import Findings

#: What is done -> pattern, what stands there then, severity of what is told, and the check that tells it.
EDITS: dict[str, tuple[str, str, str, str]] = {
    "a trigger kept only without the switch": (r"#1002=#5062", "/#1002=#5062", "stop", "kept"),
    "a lift only without the switch": (r"(G21 G90 G0 G53 Z0)(?=\nT1 M6)", r"/\1", "stop", "lifted_for_changes"),
    "a line that a switch leaves out": (r"G1 X10\. Y30\. Z28\. F2000\.", r"/\g<0>", "look", "as_written"),
    "the last lift as a way of zero": (r"G21 G90 (G0 G53 Z0)(?=\nT1 M6)", r"G21 G91 \1", "stop", "lifted_for_changes"),
    "Z before the length of the probe": (r"(T20 M6\n)(G43 H20\n)", r"\1G0 Z200\n\2", "stop", "length_offset"),
    "a clamp": (r"(T20 M6\n)", r"\1M10\n", "look", "as_written"),
    "a clamp where the milling is given back": (r"\nG98\n", r"\nG98\nM10\n", "look", "as_written"),
    "M10 for M9": (r"M9\n(?=S0 .*\nG80)", "M10\n", "look", "as_written"),
    "a return to the reference point": (r"\nG98\n", "\nG98\nG28 X0\n", "look", "as_written"),
    "the next tool called": (r"\nG98\n", r"\nG98\nT5\n", "stop", "handed_back"),
    "the speed of the milling kept": (r"S0 \(.*\n", "", "stop", "spindle"),
    "a trigger set by hand": (r"#1001=#5061", r"#5061=12\n\g<0>", "stop", "unknown_words"),
    "the part without its marks": (
        r"(?s)\(PROBEKIT MERGED.*?\n(.*)\(PROBEKIT MERGED.*?\n",
        r"\1",
        "stop",
        "milling_as_before",
    ),
    "an origin written before the first touch": (r"G4 P10", r"G10 L2 P1 Z-0.5\n\g<0>", "stop", "work_offset"),
    "an arc to where a straight way leads": (
        r"G0 X30\. Y30\. Z28\.\n",
        "G2 X30. Y30. I10. J0. F500\n",
        "stop",
        "ways_as_planned",
    ),
    "another pallet": (r"(\(MSG,POSE)", r"M60\n\1", "look", "as_written"),
    "a stop for a person": (r"(\(MSG,POSE)", r"M0\n\1", "", ""),
}


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[str, Callable[[str], Findings]]:
    folder: Path = tmp_path_factory.mktemp("tired")
    nowhere = (("home = [0.0, 0.0, 200.0]\n", ""), ('lift = "G0 Z200"', ""))
    planned = pk.study.plan(pk.study.load(tiny.write(folder, *nowhere)))
    return pk.study.program(planned.study, planned).text, planned.check


def told(findings: Findings) -> set[tuple[str, str]]:
    return {(one.severity, one.check) for one in findings if one.severity != "note" and one.check != "travel"}


def test_what_is_written_is_not_told(done) -> None:
    assert told(done[1](done[0])) == set()


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_is_told_as_it_deserves(done, edit: str) -> None:
    text, check = done
    pattern, new, severity, by = EDITS[edit]
    changed = re.sub(pattern, new, text, count=1)
    assert changed != text
    found = told(check(changed))
    assert (severity, by) in found if severity else not found


@pytest.mark.parametrize(
    ("old", "new"),
    [("#1001=99999\n", ""), ("#1005=99999\n", "#1005=0\n"), ("T20 M6\n", ""), ("T20 M6", "T200 M6")],
)
def test_a_dry_run_is_one_of_the_probe_and_leaves_no_trigger_of_an_earlier_part(tmp_path, old: str, new: str) -> None:
    planned = pk.study.plan(pk.study.load(tiny.write(tmp_path)))
    dry = pk.study.program(planned.study, planned).dry
    assert old in dry
    assert told(planned.check(dry)) == set()
    assert ("stop", "dry_run") in told(planned.check(dry.replace(old, new)))
