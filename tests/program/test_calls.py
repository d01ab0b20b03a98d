"""Milling that calls subprograms: followed by an independent unrolling of the text, or refused by line.

All of it is invented. ``M98 P L``, ``M99`` and the count before four digits of P: common practice of milling controls,
no source. O-words: a widespread extension of RS274/NGC, from memory.
"""

from __future__ import annotations

import pytest

from probekit.errors import InputError
from probekit.program import check, merge, run

from .test_hostile_milling import FIRST, HEAD, MACHINE, NEXT, PROBING, SAME, cuts, merged

HOLE = "G0 X1 Y1\nG1 Z-3 F100\nG0 Z50\n"
END = "M99\n%\n"


def file(main: str, *subs: str) -> str:
    return HEAD + main.removesuffix("%\n") + "".join(subs) + "%\n"


def stops(text: str, milling: str | None = None) -> set[str]:
    return {f.check for f in check(text, kinematics=MACHINE, milling=milling).of("stop")}


FOLLOWED = {
    "once": (FIRST + "M98 P100\n" + NEXT, FIRST + HOLE + NEXT),
    "three times": (FIRST + "M98 P100 L3\n" + NEXT, FIRST + HOLE * 3 + NEXT),
    "three times by the digits": (FIRST + "M98 P30100\n" + NEXT, FIRST + HOLE * 3 + NEXT),
    "leading zeros, lower case": (FIRST + "n10 m98 p00100\n" + NEXT, FIRST + HOLE + NEXT),
    "with a move of its own": (FIRST + "G0 X7 M98 P100\n" + NEXT, FIRST + "G0 X7\n" + HOLE + NEXT),
    "before and after": (FIRST + "M98 P100\n(OP2)\nM98 P100\nG0 X3\nM30\n", FIRST + HOLE + "(OP2)\n" + HOLE + "M30\n"),
    "within a call": (FIRST + "M98 P200 L2\n" + NEXT, FIRST + (HOLE * 2 + "G0 X9\n") * 2 + NEXT),
    "by an O-word": (FIRST + "o300 call\n" + NEXT, FIRST + HOLE + NEXT),
    "by a name": (FIRST + "O<drill it> call\n" + SAME, FIRST + HOLE + SAME),
    "what it leaves in force": (FIRST + "M98 P400\n" + SAME, FIRST + "G55\nG18\nM8\nG0 X2 Y2\n" + SAME),
    "the tool too": ("(OP1)\nM98 P500\n" + NEXT, "(OP1)\n" + FIRST.removeprefix("(OP1)\n") + NEXT),
}
SUBS = (
    f"O0100 (HOLE)\n{HOLE}M99\n",
    ":200\nM98 P100 L2\nG0 X9 M99\n",
    f"O300 sub\n{HOLE}O300 endsub\n",
    f"O<drill it> sub\n{HOLE}O<drillit> endsub\n",
    "O400\nG55\nG18\nM8\nG0 X2 Y2\nM99\n",
    f"O500\n{FIRST.removeprefix('(OP1)')}M99\n",
)


@pytest.mark.parametrize("name", FOLLOWED)
def test_what_is_called_is_run_and_the_milling_goes_on_as_it_would(name):
    called, plain = FOLLOWED[name]
    milling = file(called, *SUBS)
    assert list(cuts(milling)) == list(cuts(HEAD + plain)) != []
    found = merged(milling)
    assert found.difference.unchanged
    assert list(cuts(found.text)) == list(cuts(milling))
    assert stops(found.text, milling) == set()
    assert [
        f.what
        for f in check(found.text, kinematics=MACHINE, milling=milling).of("look")
        if f.line and f.check != "program_end"
    ] == []
    for probing in (PROBING, PROBING.replace("G54\n", "")):  # in the work offset of the milling
        text = merge(milling, probing, after="OP1", kinematics=MACHINE).text
        same = merge(HEAD + plain, probing, after="OP1", kinematics=MACHINE).text
        states = [[s.state for s in run(one, kinematics=MACHINE) if s.kind == "probe"] for one in (text, same)]
        assert states[0] == states[1] != []


REFUSED = {
    "no such number": ("M98 P101\n", r"line 12: .*there is no O101 in this file"),
    "a variable": ("M98 P#1\n", r"line 12: .*M98 P#1 \(it does not name its subprogram by one number P"),
    "a count that is a variable": ("M98 P100 L#2\n", "line 12: .*how often by one number L"),
    "no number": ("M98\n", "line 12: .*one number P"),
    "values handed over": ("O300 call [5]\n", "line 12: .*it hands over values"),
    "no end": ("M98 P600\n", r"line 12: .*O600 in line \d+ has no M99"),
    "behind the last mark": ("M98 P900\n", r"line 12: .*O900 in line \d+ stands outside the program marks %"),
    "two of one number": ("M98 P700\n", r"line 12: .*it may mean several subprograms \(line \d+, line \d+\)"),
    "it calls itself": ("M98 P800\n", r"line \d+: .*it calls itself"),
    "it goes on elsewhere": ("M98 P710\n", r"line 12: .*M99 in line \d+ names where to go on"),
    "a rotation within": ("M98 P720\n", r"line \d\d: G68 is in force .*found 'G68 R30'"),
    "a jump within": ("M98 P730\n", "flow control"),
    "left out by a switch": ("/M98 P100\n", "block delete switch"),
    "too many": ("M98 P740 L9999\n", "more than 1000000 blocks"),
}
WRONG = (
    "O700\nG4 P1\nM99\nO700\nG4 P2\nM99\nO710\nG4 P1\nM99 P30\nO720\nG68 R30\nM99\n",
    "O730\nIF [#1 GT 0] GOTO 5\nM99\nO740\nM98 P750 L9999\nM99\nO750\nG4 P0\nM99\nO800\nM98 P800\nM99\nO600\nG4 P1\n",
)


@pytest.mark.parametrize("name", REFUSED)
def test_a_call_that_cannot_be_followed_is_refused_with_its_line(name):
    line, said = REFUSED[name]
    wrong = () if line[0] == "/" else WRONG
    milling = file(FIRST + line + NEXT, *SUBS, *wrong) + "O900\nM99\n"
    with pytest.raises(InputError, match=said):
        merged(milling)


@pytest.mark.parametrize("after", ["HOLE", "N7"])
@pytest.mark.parametrize("sub", [f"O100 (HOLE)\nN7 {HOLE}M99\n", f"O100 sub (HOLE)\nN7 {HOLE}O100 endsub\n"])
def test_no_probing_goes_into_a_subprogram(sub, after):
    milling = file(FIRST + ("O100 call\n" if "endsub" in sub else "M98 P100\n") + NEXT, sub)
    with pytest.raises(InputError, match="stands in the subprogram O100, which begins in line"):
        merge(milling, PROBING, after=after, kinematics=MACHINE)


def test_the_start_is_behind_subprograms_that_stand_first():
    milling = HEAD + f"O300 sub\n(HOLE)\nS5 M3\n{HOLE}O300 endsub\n" + FIRST + "O300 call\n" + NEXT
    found = merge(milling, PROBING, after="start", kinematics=MACHINE)
    assert found.first > milling[: milling.index("endsub")].count("\n") + 1
    assert list(cuts(found.text)) == list(cuts(milling))


def test_a_main_program_behind_its_subprogram_is_refused():
    with pytest.raises(InputError, match=r"M99 is in force .*nothing has called one.*Put the main program first"):
        merged("%\nO100\nG4 P1\nM99\nO1\n" + HEAD[2:] + FIRST + NEXT)


def test_a_call_that_somebody_puts_into_the_probing_is_a_stop():
    milling = file(FIRST + NEXT, SUBS[0])
    text = merged(milling).text
    assert "unknown_words" not in stops(text, milling)
    assert "unknown_words" in stops(text.replace("G1 Z5 F500\nG38.2", "M98 P100\nG1 Z5 F500\nG38.2"), milling)


def test_text_outside_the_program_marks_is_not_run_and_is_told():
    milling = "PART 12 (REV B\nG0 X5 Z-9\n" + HEAD.replace("%", "%O1234") + FIRST + NEXT + "END OF TAPE (\n"
    found = merged(milling)
    assert list(cuts(found.text)) == list(cuts(HEAD + FIRST + NEXT))
    told = [f for f in check(found.text, kinematics=MACHINE, milling=milling).of("look") if f.check == "program_end"]
    assert [(f.line, f.what[:32]) for f in told] == [(1, "3 lines stand before the first %")]
    assert stops(found.text, milling) == set()


def test_a_cycle_left_on_before_the_next_tool_is_refused():
    """The next tool would drill where it is only to come down: by the motion word still in force."""
    left = FIRST.replace("G1 Z-1 F300\nX50\nG0 Z50\n", "G98 G81 X0 Y0 Z-5 R2 F100\nX10\n")
    for between in ("", "G91 G28 Z0\nG90\n"):
        with pytest.raises(InputError, match=r"a canned cycle \(G81\) that it does not state again"):
            merged(HEAD + left + between + NEXT)
        assert merged(HEAD + left + "G80\n" + between + NEXT.replace("G43", "G0 G43")).difference.unchanged


def test_only_a_subprogram_that_nothing_calls_is_told_as_never_run():
    quiet = "O150\n#120=5\nM99\n"
    for call, said in (("M98 P150\n", []), ("", ["2 lines follow the program end and are never run"])):
        milling = file(FIRST + call + NEXT, quiet)
        told = check(merged(milling).text, kinematics=MACHINE, milling=milling).of("look")
        assert [f.what for f in told if f.line] == said
