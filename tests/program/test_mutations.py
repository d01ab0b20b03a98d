"""A hundred slips of the hand in the finished text of a 5-axis study: each is a stop, but for those named harmless.

The text is the demo's with few targets: two poses of a table A C, merged with the demo's milling.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from thorough import some

import probekit as pk

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_before_the_cut import few_of

PART = re.compile(r"(?s)(?<=\(PROBEKIT MERGED PART BEGIN\)\n).*?(?=\(PROBEKIT MERGED PART END\))")


def one(pattern: str, new: str, nth: int = 0) -> Callable[[str], str]:
    """The nth place of a pattern in the inserted part replaced (-1: the last one)."""

    def change(part: str) -> str:
        found = list(re.finditer(pattern, part, re.MULTILINE))
        assert found, pattern
        at = found[nth]
        return part[: at.start()] + at.expand(new) + part[at.end() :]

    return change


def every(pattern: str, new: str) -> Callable[[str], str]:
    """Every place of a pattern in the inserted part replaced."""
    return lambda part: re.sub(pattern, new, part, flags=re.MULTILINE)


MUTATIONS: dict[str, Callable[[str], str]] = {
    "another work offset throughout": one(r"^G54$", "G55"),
    "no work offset word": one(r"^G54$", "G59"),
    "another length offset": one(r"G43 H20", "G43 H5"),
    "no length offset": one(r"^G43 H20\n", ""),
    "another tool": one(r"T20 M6", "T5 M6"),
    "no tool change": one(r"^T20 M6\n", ""),
    "inches": one(r"^G21 (G90 G94)", r"G20 \1"),
    "increments": one(r"^G21 G90 G94", "G21 G91 G94"),
    "feed per turn": one(r"^G21 G90 G94 G17", "G21 G90 G95 G17"),
    "inverse time": one(r"^G21 G90 G94 G17", "G21 G90 G93 G17"),
    "spindle on": one(r"^G4 P", "S500 M3\nG4 P"),
    "speed set": one(r"^G4 P", "S500\nG4 P"),
    "coolant on": one(r"^G4 P", "M8\nG4 P"),
    "coordinate rotation": one(r"^G4 P", "G68 X0 Y0 R30\nG4 P"),
    "scaling": one(r"^G4 P", "G51 X0 Y0 P2\nG4 P"),
    "origin shifted": one(r"^G4 P", "G92 X30\nG4 P"),
    "local shift": one(r"^G4 P", "G52 X5\nG4 P"),
    "tool-centre control": one(r"^G4 P", "G43.4 H20\nG4 P"),
    "a word nobody knows": one(r"^G4 P", "G234\nG4 P"),
    "cutter compensation": one(r"^G4 P", "G41 D1\nG4 P"),
    "the end in the middle": one(r"^\(PROBEKIT RECORD", "M30\n(PROBEKIT RECORD", 4),
    "the end before the probing": one(r"^G4 P", "M2\nG4 P"),
    "origin written between touches": one(r"^G0 ", "G10 L2 P1 X5\nG0 ", 6),
    "offset changed between touches": one(r"^G0 ", "G55\nG0 ", 6),
    "positioning ten times as fast": every(r"F2000\.", "F20000."),
    "one positioning ten times as fast": one(r"F2000\.", "F20000.", 3),
    "touching ten times as fast": every(r"F100\.", "F1000."),
    "one touch ten times as fast": one(r"F100\.", "F1000.", 2),
    "one touch slower": one(r"F100\.", "F10.", 2),
    "approach 0.06 mm from the face": one(r"^G1 X40\. Y27\.009 Z-6\. F500\.\nG38", "G1 X40. Y28.949 Z-6. F500.\nG38"),
    "one approach as fast as any move": one(r"F500\.", "F2000.", 3),
    "approach in the part": one(r"^G1 X40\. Y27\.009 Z-6\. F500\.\nG38", "G1 X40. Y30. Z-6. F500.\nG38"),
    "lift before the tool change low": one(r"^G0 Z400(?=\nT20)", "G0 Z40"),
    "lift before the tool change gone": one(r"^G0 Z400\n(?=T20)", ""),
    "lift after the probing gone": one(r"^G21 G90 G0 Z400\n", "", -1),
    "lift after the probing low": one(r"^G21 G90 G0 Z400$", "G21 G90 G0 Z150", -1),
    "hand-back in another offset": one(r"^G21 G17 G54$", "G21 G17 G55"),
    "hand-back in G91": one(r"^G90$", "G91", -1),
    "hand-back in inches": one(r"^G21 G17 G94$", "G20 G17 G94"),
    "hand-back in another plane": one(r"^G21 G17 G94$", "G21 G18 G94"),
    "hand-back in inverse time": one(r"^G21 G17 G94$", "G21 G17 G93"),
    "hand-back to another height": one(r"^G98 G64$", "G99 G64"),
    "hand-back of another feed": one(r"^F1500$", "F15000"),
    "hand-back with a speed": one(r"^F1500$", "F1500\nS8000"),
    "hand-back with the spindle on": one(r"^F1500$", "F1500\nM3"),
    "hand-back without the way across": one(r"^G0 X\S+ Y\S+ \(above.*\n", ""),
    "hand-back without G64": one(r"^G98 G64$", "G98"),
    "rotary axes not turned back": one(r"^G0 A0\. C0\.\n", "", -1),
    "rotary axes not turned at the head": one(r"^G0 A75\. C-90\.\n", ""),
    "down before across": one(r"^(G0 X\S+ Y\S+)\n(G0 Z\S+)$", r"\2\n\1"),
    "down and across at once": one(r"^(G0 X\S+ Y\S+)\nG0 (Z\S+)$", r"\1 \2"),
    "rotary axes turned unlifted": one(r"^G0 Z\S+\n(G0 A75)", r"\1"),
    "another angle": one(r"A75\.", "A70."),
    "the other side": one(r"C-90\.", "C90."),
    "a quarter degree": one(r"C-90\.", "C-89.75"),
    "rotary and linear together": one(r"^G0 A75\. C-90\.", "G0 X0 A75. C-90."),
    "all triggers one touch on": every(r"^#(?=1)", "#1"),
    "a trigger not stored": one(r"^#1003=#5063\n", ""),
    "Y stored for X": one(r"#1001=#5061", "#1001=#5062"),
    "a trigger overwritten": one(r"#1004=#5061", "#1001=#5061"),
    "a trigger of the part frame's end": one(r"#1007=#5061", "#1007=#5064"),
    "two touches change parameters": one(
        r"(?s)#1001=(.*?)#1002=(.*?)#1003=(.*?)#1004=(.*?)#1005=(.*?)#1006=",
        r"#1004=\1#1005=\2#1006=\3#1001=\4#1002=\5#1003=",
    ),
    "two record lines change places": one(r"(?s)\((PROBEKIT RECORD[^)]*)(.*?)\((PROBEKIT RECORD[^)]*)", r"(\3\2(\1"),
    "another feature": one(r"RECORD 14 base_top", "RECORD 14 slot"),
    "a record line gone": one(r"^\(PROBEKIT RECORD 14[^\n]*\n", ""),
    "a record line twice": one(r"^(\(PROBEKIT RECORD 14[^\n]*\n)", r"\1\1"),
    "another touch number": one(r"RECORD 14 ", "RECORD 99 "),
    "another normal": one(r"(RECORD 14 .*) 1\.\)", r"\1 -1.)"),
    "another target": one(r"RECORD 14 base_top -20\.", "RECORD 14 base_top -21."),
    "a plain move for a touch": one(r"^G38\.2 (.*) F100\.", r"G1 \1 F100.", 3),
    "a touch gone": one(r"^G38\.2 .*\n", "", 3),
    "a whole touch gone": one(r"(?s)^G38\.2 (?:(?!G38\.2).)*?RECORD 14[^\n]*\n", ""),
    "overtravel ten times as long": one(r"^(G38\.2 X40\. )Y29\.509", r"\1Y34.009"),
    "a comma for a point": one(r"^(G38\.2 X40\. )Y29\.509", r"\1Y29,509"),
    "a digit lost": one(r"^(G38\.2 X40\. )Y29\.509", r"\1Y2.509"),
    "a sign lost": one(r"^G1 X40\. Y27\.009 Z-6\.", "G1 X40. Y27.009 Z6."),
    "exact path off": one(r"^G61$", "G64"),
    "exact path not said": one(r"^G61\n", ""),
    "the hand-back part without its end": one(r"^G90\n\Z", "G90\nM30\n"),
}
for _touch in range(6):
    MUTATIONS[f"way back {_touch} gone"] = one(r"^(\(PROBEKIT RECORD[^\n]*\n)G1 [^\n]*\n", r"\1", _touch)
    MUTATIONS[f"touch {_touch} 0.04 mm aside"] = one(r"^G38\.2 X(-?\d+)\.(\d*) ", r"G38.2 X\1.54 ", _touch)
    MUTATIONS[f"approach {_touch} in rapid"] = one(r"^G1 (.*) F500\.(?=\nG38)", r"G0 \1", _touch)
    MUTATIONS[f"approach {_touch} gone"] = one(r"^G1 (.*) F500\.\n(?=G38)", "", _touch)

HARMLESS: dict[str, str] = {
    "a whole turn": "C270 is where C-90 is, and within its limits",
    "no wait": "the probe is warm or its first touches drift: what drifts is seen by touching again",
    "a comment": "a comment moves nothing",
    "lifted once more": "up, clear of everything",
    "lift before the tool change gone": "the inserted part begins with the same lift, which is still in force",
}
MUTATIONS |= {
    "a whole turn": one(r"C-90\.", "C270."),
    "no wait": one(r"^G4 P20\.\n", ""),
    "a comment": one(r"^G4 P", "(MIND THE CLAMP)\nG4 P"),
    "lifted once more": one(r"^G0 A75", "G0 Z200.\nG0 A75"),
}


@pytest.fixture(scope="module")
def done(tmp_path_factory, study_name: str) -> tuple[str, pk.study.preparation.Plan]:
    study = pk.study.load(few_of(tmp_path_factory.mktemp("mutations") / "demo", study_name))
    planned = pk.study.plan(study)
    return pk.study.program(study, planned).text, planned


def test_there_are_a_hundred() -> None:
    assert len(MUTATIONS) >= 100


def test_the_text_as_written_is_no_stop(done) -> None:
    assert done[1].check(done[0]).of("stop") == ()


@pytest.mark.parametrize("name", some(MUTATIONS))
def test_a_mutation_is_a_stop_unless_harmless(done, name: str) -> None:
    text, planned = done
    changed = PART.sub(lambda part: MUTATIONS[name](part[0]), text, count=1)
    assert changed != text
    assert bool(planned.check(changed).of("stop")) == (name not in HARMLESS)
