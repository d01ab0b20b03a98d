"""Places to start again, and the wait before the first touch: edited ones are told, those written are not.

The demo with few targets in two poses of its table, merged with its milling.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

import probekit as pk

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_before_the_cut import few_of

#: What is changed -> pattern, what stands there then, what is said of it.
SLIPS = {
    "another number": (r"RESTART 90010", "RESTART 90020", "place 90010 to start again is missing"),
    "another block number": (r"^N90010 ", "N90020 ", "has the number N90020"),
    "no block number": (r"^N90010 ", "", "has no number"),
    "no comment": (r"^\(PROBEKIT RESTART.*\n", "", "place 90010 to start again is missing"),
    "twice": (r"^(\(PROBEKIT RESTART.*\n)", r"\1\1", "stands 2 times"),
    "the number twice": (r"^(G0 A0\. C0\.\n)(?=\(PROBEKIT END)", r"N90010 \1", "N90010 stands in several lines"),
    "after the first touch of its pose": (
        r"(?s)(\(PROBEKIT RESTART.*?G43 H20\n)(.*?RECORD[^\n]*\n[^\n]*\n[^\n]*\n)",
        r"\2\1",
        "is the next one, planned is touch",
    ),
    "before the last touch of the pose before": (
        r"(?s)\n((?:[^\n]*\n){6}\(PROBEKIT RECORD 14 [^\n]*\n[^\n]*\n[^\n]*\n)(\(PROBEKIT RESTART.*?G43 H20\n)",
        r"\n\2\1",
        "is the next one, planned is touch",
    ),
    "another first touch in its words": (r"(RESTART 90010.*FIRST )\d+", r"\g<1>14", "place 90010 to start again says"),
}


@pytest.fixture(scope="module")
def done(tmp_path_factory, study_name: str):
    planned = pk.study.plan(pk.study.load(few_of(tmp_path_factory.mktemp("restarts") / "demo", study_name)))
    return planned, pk.study.program(planned.study, planned)


def told(findings, name: str, severity: str) -> list[str]:
    return [one.what for one in findings.of(severity) if one.check == name]


def test_what_is_written_is_not_told(done) -> None:
    _, programmed = done
    for one in (programmed.findings, programmed.dry_findings):
        assert [f.what for f in one if f.check in ("restarts", "warmed_up")] == []


@pytest.mark.parametrize("slip", SLIPS)
def test_an_edited_place_is_a_stop(done, slip: str) -> None:
    planned, programmed = done
    pattern, new, words = SLIPS[slip]
    changed = re.sub(pattern, new, programmed.text, count=1, flags=re.MULTILINE)
    assert changed != programmed.text
    assert any(words in what for what in told(planned.check(changed), "restarts", "stop"))


def test_numbers_that_the_milling_has_too_are_left_out_and_not_missed(done) -> None:
    planned, programmed = done
    milling = programmed.merged.milling.text.replace("N8950", "N90010")
    options = {"after": "OPERATION 4: FINISH THE SKIN", "kinematics": planned.kinematics, "lift": "G0 Z400"}
    text = pk.program.merge(milling, programmed.probing, **options).text
    assert "N90010 G21" not in text
    assert told(planned.check(text), "restarts", "stop") == []


@pytest.mark.parametrize(("old", "new", "seconds"), [("G4 P20.\n", "", "0"), ("G4 P20.", "G4 P2.", "2")])
def test_a_shorter_wait_is_told(done, old: str, new: str, seconds: str) -> None:
    planned, programmed = done
    assert old in programmed.text
    found = told(planned.check(programmed.text.replace(old, new)), "warmed_up", "look")
    assert found == [f"before its first touch the probe waits {seconds} s, planned are 20 s"]
    dry = planned.check(programmed.dry.replace(old, new))
    assert len(told(dry, "warmed_up", "look")) == 1
    longer = planned.check(programmed.text.replace("G4 P20.", "G4 P15.\nG4 P8."))
    assert told(longer, "warmed_up", "look") == []
