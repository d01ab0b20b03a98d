"""Slips of the hand in the text of programs that decide: each is a stop, but for those named harmless.

The text is that of the tiny block in two phases: as one program with O-words, and as two with values to enter between.
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
import deciding

Change = Callable[[str], str]


def one(pattern: str, new: str, nth: int = 0) -> Change:
    """The nth place of a pattern replaced (-1: the last one)."""

    def change(text: str) -> str:
        found = list(re.finditer(pattern, text, re.MULTILINE))
        assert found, pattern
        at = found[nth]
        return text[: at.start()] + at.expand(new) + text[at.end() :]

    return change


def every(pattern: str, new: str) -> Change:
    """Every place of a pattern replaced."""

    def change(text: str) -> str:
        assert re.search(pattern, text, re.MULTILINE), pattern
        return re.sub(pattern, new, text, flags=re.MULTILINE)

    return change


STOP = r"M5\nM9\n\(PROBEKIT SAFE STOP\)\n\(MSG,[^)]*\)\nM0\nM2\n"
MUTATIONS: dict[str, Change] = {
    "the limit of the shift widened": one(r"LE 0\.8\]", "LE 8.0]"),
    "the limit of the shift widened by a hundredth": one(r"LE 0\.8\]", "LE 0.808]"),
    "the limit of the shift narrowed": one(r"LE 0\.8\]", "LE 0.4]"),
    "the limit of the shift turned round": one(r"LE 0\.8\]", "GE 0.8]"),
    "one axis left out of its size": one(r"SQRT\[\[\[(\[[^]]*\])\+(\[[^]]*\])\]\+\[[^]]*\]\]\]", r"SQRT[\1+\2]"),
    "the limit of a spread widened, in the repeat": one(r"LE 0\.05\]", "LE 0.5]", 0),
    "the limit of a spread widened, after it": one(r"LE 0\.05\]", "LE 0.5]", 3),
    "one spread left out after the repeat": one(
        r"(?<=O20 if )\[\[(\[[^]]*\]) AND (\[[^]]*\])\] AND \[[^]]*\]\]", r"[\1 AND \2]"
    ),
    "all of the spreads become one of them": one(r"(?<=O20 if )\[.*AND", "[[#1 LE #1] OR"),
    "the sign of the shift turned, X": one(r"X\[#5221\+", "X[#5221-"),
    "the sign of the shift turned, Y": one(r"Y\[#5222\+", "Y[#5222-"),
    "the sign of the shift turned, Z": one(r"Z\[#5223\+", "Z[#5223-"),
    "the shift of Y left out": one(r" Y\[#5222\+#\d+\]", ""),
    "two axes of the shift change places": one(r"X\[#5221\+(#\d+)\] Y\[#5222\+(#\d+)\]", r"X[#5221+\2] Y[#5222+\1]"),
    "shifted twice as far": one(r"Z\[#5223\+(#\d+)\]", r"Z[#5223+2*\1]"),
    "the shift written into the original offset": one(r"G10 L2 P2", "G10 L2 P1"),
    "the shift written into another copy": one(r"G10 L2 P2", "G10 L2 P3"),
    "the copy made of itself": one(r"Z\[#5223\+", "Z[#5243+"),
    "the copy made of another axis": one(r"X\[#5221\+", "X[#5222+"),
    "the copy made of a rotary axis": one(r"Z\[#5223\+", "Z[#5224+"),
    "the copy made of nothing": one(r"Z\[#5223\+(#\d+)\]", r"Z\1"),
    "the copy made of twice the original": one(r"Y\[#5222\+", "Y[2*#5222+"),
    "the shift not written": one(r"^G10 L2.*\n", ""),
    "the copy not used": one(r"^G55\n", ""),
    "another copy used": one(r"^G55$", "G56"),
    "the shift in G91": one(r"^G10", "G91 G10"),
    "back to the original too late": one(r"^G54\n(?=\(PROBEKIT END)", ""),
    "the shift before the touches": one(r"(?s)^(O10 while.*?)(G10 L2[^\n]*\n)", r"\2\1"),
    "the second phase before the decision": one(r"(?s)(O30 if .*?O30 endif\n)(.*?G55\n.*?RECORD 7[^\n]*\n)", r"\2\1"),
    "the branch of the disagreement deleted": one(r"(?s)O20 else\n" + STOP, ""),
    "the branch of the limit deleted": one(r"(?s)O30 else\n" + STOP, ""),
    "the whole decision deleted": one(r"(?s)O30 if.*?O30 endif\n", ""),
    "the branches change places": one(r"^O30 else\n", ""),
    "the end of a branch deleted": one(r"(?s)(O30 else.*?)M2\n", r"\1"),
    "the stop of a branch an optional one": one(r"(?s)(O30 else.*?)M0\n", r"\1M1\n"),
    "the stop of a branch deleted": one(r"(?s)(O30 else.*?)M0\n", r"\1"),
    "both deleted": one(r"(?s)(O30 else.*?)M0\nM2\n", r"\1"),
    "a move after a safe stop": one(r"(?s)(O30 else.*?)M0\nM2\n", r"\1M0\nG0 X0 Y0\nM2\n"),
    "a dive in a branch": one(r"(O30 else\n)", r"\1G0 Z5\n"),
    "the spindle in a branch": one(r"(O30 else\n)M5\n", r"\1S900 M3\n"),
    "a tool change in a branch": one(r"(O30 else\n)", r"\1T1 M6\n"),
    "a branch not closed": one(r"^O30 endif\n", ""),
    "a branch closed twice": one(r"^O30 endif\n", "O30 endif\nO30 endif\n"),
    "a branch closed too late": one(r"(?s)(O30 endif\n)(.*?)(\(PROBEKIT END)", r"\2\1\3"),
    "another label": one(r"^O30 endif", "O31 endif"),
    "a branch that is always taken": one(r"O30 if \[SQRT.*", "O30 if [1 LT 2]"),
    "the repeat unbounded": one(r"\[\[#\d+ LT 2\] AND (\[#\d+ EQ 0\])\]", r"\1"),
    "the repeat nine times": one(r"(\[\[#\d+) LT 2\]", r"\1 LT 9]"),
    "the repeat never": one(r"(\[\[#\d+) LT 2\]", r"\1 LT 1]"),
    "the repeat does not count": one(r"^(#\d+)=\[\1\+1\]\n", ""),
    "the repeat counts down": one(r"^(#\d+)=\[\1\+1\]", r"\1=[\1-1]"),
    "the repeat does not end": one(r"(?s)O11 if.*?O11 endif\n", ""),
    "the repeat begins with its end": one(r"^#111=0", "#111=1"),
    "the repeat does not close": one(r"^O10 endwhile\n", ""),
    "touches left out of the repeat": one(r"(?s)^(O10 while[^\n]*\n#[^\n]*\n)(.*?RECORD 5[^\n]*\n)", r"\2\1"),
    "a deviation of the wrong touch": one(r"#\d+(?=-\[23)", "#1021"),
    "a deviation of another axis": one(r"^(#\d+=\[\[)(#\d+)(.*?)(#\d+)(?=-\[23)", r"\1\4\3\2"),
    "a nominal changed by 0.3 mm": one(r"(#\d+)-\[23\.\]", r"\1-[23.3]"),
    "the radius forgotten": every(r"#(\d+)-\[23\.\]\]\*\[1\.\]", r"#\1-[20.]]*[1.]"),
    "the sign of a normal turned": one(r"\*\[1\.\](?=\] \(dz of touch)", "*[-1.]"),
    "the sign of a direction lost": one(r"=\[0-(\[.*\])\] \(dy of touch", r"=\1 (dy of touch"),
    "the mean divided by two too few": one(r"/2\] \(dz mean", "/3] (dz mean"),
    "a touch left out of the mean": one(r"\+#\d+\]/(\d)\] \(dx mean", r"]/\1] (dx mean"),
    "the maximum becomes the minimum": one(r"\+(ABS\[[^]]*\]\]/2\] \(dz max)", r"-\1"),
    "the range without its sign": one(r"^(#\d+)=\[(#\d+)-(#\d+)\] \(dy range", r"\1=[\3-\2] (dy range"),
    "the spread is zero": one(r"^(#\d+)=#\d+ \(dx spread", r"\1=0 (dx spread"),
    "a value written over": one(r"^(#\d+)=(#\d+) \(dz\)$", r"\1=\2 (dz)\n\1=0"),
    "a value in another parameter": one(r"^#(\d+)(=#\d+ \(dz\))$", r"#499\2"),
    "a value kept where a trigger is": one(r"^#\d+(=#\d+ \(dz\))$", r"#1001\1"),
    "a value read before it is set": one(r"^(#\d+=.*\(dz mean 1\)\n)((?:#.*\n)*?)(#\d+=#\d+ \(dz\)\n)", r"\3\2\1"),
    "kept without the shift": one(r"=\[#5061\+\[#5241-#5221\]\]", "=#5061"),
    "kept with the shift turned round": one(r"\[#5241-#5221\]", "[#5221-#5241]"),
    "kept with another axis of the shift": one(r"\[#5242-#5222\]", "[#5241-#5221]"),
    "kept from another offset": one(r"\[#5241-#5221\]", "[#5261-#5221]"),
    "not said from where it is counted": one(r"(RECORD .*) FROM G54\)", r"\1)"),
    "another offset said": one(r"(RECORD .*) FROM G54\)", r"\1 FROM G55)"),
    "the second phase in the first offset": one(r"^G55$", "G54"),
    "an origin written aside": one(r"^G55$", "#5241=0\nG55"),
    "a shift by hand": one(r"^G55$", "G55\nG92 X1"),
    "a jump over the decision": one(r"^O30 if", "GOTO 90010\nO30 if"),
    "a subprogram nobody knows": one(r"^O30 if", "O99 call\nO30 if"),
    "a named parameter": one(r"^(#\d+)=(#\d+) \(dz\)$", r"#<dz>=\2 (dz)"),
}
HARMLESS: dict[str, str] = {
    "the whole decision in other words": "what holds or not is the same",
    "a value reckoned in other words": "the mean is the same",
    "another label throughout": "a label names a decision, and nothing else",
    "a comment": "it moves nothing",
}
MUTATIONS |= {
    "the whole decision in other words": one(r"O30 if \[(SQRT.*) LE 0\.8\]", r"O30 if [[\1*10] LE 8]"),
    "a value reckoned in other words": one(r"^(#\d+)=\[\[(#\d+)\+(#\d+)\]/2\] \(dy mean", r"\1=[\2/2+\3/2] (dy mean"),
    "another label throughout": every(r"^O30 ", "O77 "),
    "a comment": one(r"^O30 if", "(HERE IT DECIDES)\nO30 if"),
}
OF_TWO: dict[str, tuple[int, Change]] = {
    "the sign of a value to enter turned": (0, one(r"^(#\d+)=(#\d+) \(X shift", r"\1=[0-\2] (X shift")),
    "two values to enter change places": (0, one(r"^(#\d+)=(#\d+) (\(X.*\n)(#\d+)=(#\d+) (\(Y)", r"\1=\5 \3\4=\2 \6")),
    "a value in another parameter": (0, one(r"^#\d+(=#\d+ \(Z shift)", r"#499\1")),
    "the size halved": (0, one(r"=SQRT\[(.*)\] \(size", r"=[SQRT[\1]/2] (size")),
    "a spread too small": (0, one(r"^(#\d+)=(#\d+) \(dz spread", r"\1=[\2/2] (dz spread")),
    "no stop at the end": (0, one(r"^M0\n", "")),
    "the copy written after all": (0, one(r"^M0$", "G10 L2 P2 X0 Y0 Z0\nM0")),
    "the original written": (0, one(r"^M0$", "G10 L2 P1 X0 Y0 Z0\nM0")),
    "the limit of what is entered widened": (1, one(r"0\.8\*0\.8", "0.9*0.9")),
    "the limit of what is entered narrowed": (1, one(r"0\.8\*0\.8", "0.4*0.4")),
    "an axis left out of it": (1, one(r"-#101\*#101", "")),
    "what is entered taken along another axis": (1, one(r"#5242-#5222", "#5242-#5221")),
    "nothing watches what is entered": (1, one(r"^#101=\[SQRT.*\n", "")),
    "what is entered taken from elsewhere": (1, one(r"#5243-#5223", "#5263-#5223")),
    "the copy not used": (1, one(r"^G55\n", "")),
    "the copy used before it is watched": (1, one(r"(\(PROBEKIT ENTERED)", r"G55\nG0 X65.85 Y20.\n\1")),
    "kept without the shift": (1, one(r"=\[#5061\+\[#5241-#5221\]\]", "=#5061")),
    "kept in the parameters of the first": (1, every(r"^#10(\d\d)=", r"#11\1=")),
    "it ends in the copy": (1, one(r"^G54\n(?=\(PROBEKIT END)", "")),
    "the first program for the second": (1, one(r"(?s).*", "")),
}
OF_TWO_HARMLESS = {"no stop at the end": "the program ends there in any case: M2 follows"}


def planned_in(folder: Path, dialect: str) -> tuple[pk.study.preparation.Plan, list[str]]:
    study = pk.study.load(deciding.write(folder, dialect))
    planned = pk.study.plan(study)
    programmed = pk.study.program(study, planned)
    return planned, [programmed.text, *(one.text for one in programmed.following)]


@pytest.fixture(scope="module")
def flow(tmp_path_factory):
    return planned_in(tmp_path_factory.mktemp("flow"), "rs274_flow")


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    return planned_in(tmp_path_factory.mktemp("two"), "rs274")


@pytest.mark.parametrize("name", some(MUTATIONS))
def test_a_slip_in_one_program_is_a_stop_unless_harmless(flow, name):
    planned, (text,) = flow
    changed = MUTATIONS[name](text)
    assert changed != text
    found = planned.check(changed).of("stop")
    assert bool(found) != (name in HARMLESS), [one.sentence for one in found][:3]


@pytest.mark.parametrize("name", OF_TWO)
def test_a_slip_in_two_programs_is_a_stop_unless_harmless(two, name):
    planned, texts = two
    part, change = OF_TWO[name]
    changed = texts[0] if name == "the first program for the second" else change(texts[part])
    found = planned.check(changed, part=part).of("stop")
    assert changed != texts[part]
    assert bool(found) != (name in OF_TWO_HARMLESS), [one.sentence for one in found][:3]
