"""O-words, run block by block: against the same programs in Python, and within bounds.

The words are those of the widespread extension, from memory; no standard has them.
"""

from __future__ import annotations

import pytest

from probekit.errors import InputError
from probekit.program.merging.merge import merge
from probekit.program.reading.flow import MOST_TURNS
from probekit.program.reading.interpreter import run


def places(text: str, **options) -> list[float]:
    """X of every rapid move."""
    return [step.end[0] for step in run("G21 G90\n" + text, flow=True, **options) if step.kind == "rapid"]


def said(text: str) -> list[str]:
    return [str(step.detail) for step in run("G21 G90\n" + text, flow=True) if step.kind == "unknown"]


def test_while_and_if_as_in_python():
    text = """#1=0
O1 while [#1 LT 7]
#1=[#1+1]
O2 if [[#1 MOD 3] EQ 0]
G0 X[#1*10]
O2 elseif [[#1 GT 3] AND [#1 NE 5]]
G0 X[#1]
O2 else
G0 X[-#1]
O2 endif
O1 endwhile
"""
    expected = []
    for n in range(1, 8):
        expected.append(n * 10 if n % 3 == 0 else n if n > 3 and n != 5 else -n)
    assert places(text) == expected


def test_repeat_and_subprograms_as_in_python():
    text = """#1=1
O9 sub
O8 if [#1 GE 4]
O9 return
O8 endif
G0 X[#1]
O9 endsub
O3 repeat [5]
O9 call
#1=[#1+1]
O3 endrepeat
M2
"""
    assert places(text) == [1, 2, 3]


def test_a_nested_loop_turns_anew_each_time():
    text = "O1 repeat [3]\nO2 repeat [2]\nG0 X1\nO2 endrepeat\nO1 endrepeat\n"
    assert len(places(text)) == 6


def test_the_end_of_the_program_within_a_branch_ends_it():
    text = "O1 if [1 GT 0]\nG0 X1\nM2\nO1 endif\nG0 X2\n"
    assert places(text) == [1]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("O1 while [1 GT 0]\nG0 X1\nO1 endwhile\n", f"more than {MOST_TURNS} times"),
        ("O1 sub\nO1 call\nO1 endsub\nO1 call\n", "O1 call (it calls itself)"),
        ("O7 call\n", "a call of what is not there"),
        ("O1 if [SQRT[0-1] GT 0]\nO1 endif\n", "cannot be calculated"),
        ("O1 if [1 GT 0]\nG0 X1\n", "IF[1GT0]"),
        ("O1 if [1 GT 0]\nO2 endif\n", "IF[1GT0]"),
        ("O1 endwhile\n", "ENDWHILE"),
        ("O1 do\n", "DO"),
        ("O1 if [1 GT]\nO1 endif\n", "IF[1GT]"),
        ("GOTO 10\n", ""),
    ],
)
def test_what_has_no_end_or_no_sense_is_not_understood(text, what):
    assert any(what in one for one in said(text)), said(text)


def test_plain_rs274_does_not_know_any_of_it():
    steps = list(run("G21 G90\nO1 if [1 GT 2]\nG0 X1\nO1 endif\n"))
    assert [step.detail for step in steps if step.kind == "unknown"] == ["IF[1GT2]", "ENDIF"]


def test_a_comparison_is_no_value_outside_a_condition():
    assert said("G0 X[1 GT 0]\n") != []


def test_decisions_are_told_and_can_be_turned_over():
    told = []

    def other_way(block, holds):
        told.append((block.line, holds))
        return not holds

    text = "O1 if [1 GT 0]\nG0 X1\nO1 else\nG0 X2\nO1 endif\n"
    assert places(text, choose=other_way) == [2]
    assert told == [(2, True)]


def test_a_milling_program_with_o_words_is_refused_as_before():
    milling = "G21 G90\nT1 M6\nG43 H1\nO1 if [#1 GT 0]\nG0 X0 Y0 Z50\nO1 endif\n(FINISH)\nG0 Z60\nM30\n"
    with pytest.raises(InputError, match="it is flow control"):
        merge(milling, "T9 M6\nG43 H9\nG0 Z60\n", after="FINISH")
