"""Milling as shops have it, with what it may leave in force: merged so that it goes where it went, or refused by name.

All of it is invented; what such words do is common practice of milling controls, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from probekit.errors import InputError
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.program import check, merge, run

MACHINE = Kinematics((RotaryAxis("A", "table"),))
PROBING = (
    "(PROBEKIT BEGIN)\nG21 G90 G94 G17 G40 G80\nG61\nG54\nM5\nM9\nG0 G53 Z0\nT9 M6\nG43 H9\nG0 A90\nG0 X1 Y1\nG0 Z60\n"
    "G1 Z5 F500\nG38.2 Z-1 F50\n#1001=#5061\n#1002=#5062\n#1003=#5063\n(PROBEKIT RECORD 1 f 1 1 0 0 0 1)\nG1 Z5 F500\n"
    "G0 Z60\nG0 A0\n(PROBEKIT END)\n"
)
HEAD = "%\nG21 G90 G17 G94 G40 G49 G80 G54\n"
FIRST = "(OP1)\nT1 M6\nG43 H1\nS900 M3\nG0 X0 Y0\nG0 Z50\nG1 Z-1 F300\nX50\nG0 Z50\n"
NEXT = "(OP2)\nT2 M6\nG43 H2 Z50\nS700 M3\nG0 X10 Y10\nG1 Z-2 F200\nG0 Z60\nM30\n%\n"
SAME = "(OP2)\nG0 X20 Y0\nG1 Z-1\nG0 Z50\nM30\n%\n"


def merged(milling: str):
    return merge(milling, PROBING, after="OP1", kinematics=MACHINE)


def cuts(text: str) -> Iterator[tuple]:
    """Where milling tools cut, in order: tool, offsets, start below, end, feed, spindle."""
    for step in run(text, kinematics=MACHINE):
        if step.kind in ("feed", "arc") and step.state.tool != 9 and step.start != step.end:
            s = step.state
            place = tuple(round(value, 5) for value in (*step.end, *step.angles_end))
            yield s.tool, s.length_offset, s.offset, s.spindle, s.speed, round(step.feed or 0.0, 4), place


KEPT = {
    "as it is": HEAD + FIRST + NEXT,
    "the same tool goes on": HEAD + FIRST + SAME,
    "lower case without spaces": (HEAD + FIRST + NEXT).lower().replace(" ", ""),
    "CR LF": (HEAD + FIRST + NEXT).replace("\n", "\r\n"),
    "leading zeros": re.sub(r"\b([GM])(\d)\b", r"\g<1>0\2", HEAD + FIRST + NEXT),
    "spaces within words": HEAD + FIRST.replace("X50", "X 5 0") + NEXT,
    "comments in odd places": HEAD + FIRST.replace("G0 Z50\nG1", "G0 (here) Z50 (and here)\nG1") + NEXT,
    "inch": (HEAD.replace("G21", "G20") + FIRST + SAME).replace("50", "2"),
    "the next tool called before": HEAD + FIRST.replace("M6\n", "M6\nT2\n") + NEXT.replace("T2 M6", "M6"),
    "called before, without a length of its own": HEAD
    + FIRST.replace("M6\n", "M6\nT2\n")
    + "(OP2)\nM6\nS700 M3\nG0 X10 Y10\nG1 Z-2 F200\nM30\n",
    "a canned cycle begins": HEAD + FIRST + "(OP2)\nG98 G81 X20 Y0 Z-5 R2 F100\nX30\nG80\nG0 Z50\nM30\n",
    "G99 holes": HEAD + FIRST + "(OP2)\nG99 G81 X20 Y0 Z-5 R2 F100\nX30\nG80\nG0 Z50\nM30\n",
    "incremental from there": HEAD + FIRST + "(OP2)\nG91\nG1 X5 F100\nG0 Z50\nG90\nM30\n",
    "incremental in force": HEAD + FIRST + "G91\n(OP2)\nG0 X5\nG1 Z-51 F100\nG0 Z60\nM30\n",
    "feed per turn": HEAD + FIRST.replace("G1 Z-1 F300", "G95 G1 Z-1 F0.1") + SAME,
    "inverse time": HEAD
    + FIRST.replace("G1 Z-1 F300", "G93 G1 Z-1 F2").replace("X50", "X50 F3")
    + SAME.replace("Z-1", "Z-1 F2"),
    "another plane": HEAD + FIRST + "G18\n(OP2)\nG0 X0\nG1 Z-1\nG2 X5 Z-1 I2.5 K0\nG0 Z50\nM30\n",
    "a tilted table": HEAD + FIRST + "G0 A30\n" + SAME,
    "a tilted table, next tool": HEAD + FIRST + "G0 A30\n" + NEXT,
    "the other way round": HEAD + FIRST.replace("M3", "M4") + SAME,
    "two coolants": HEAD + FIRST.replace("M3", "M3 M8\nM7") + SAME,
    "home": HEAD + FIRST + "G0 G53 Z0\n" + SAME,
    "a shift that is taken back": HEAD + FIRST + "G52 X5\nG52 X0 Y0 Z0\n" + NEXT,
    "another work offset": HEAD.replace("G54", "G57") + FIRST + SAME,
    "unclamped": HEAD + FIRST + "M10\nM11\n" + NEXT,
    "a parameter set anew": HEAD + "#1001=-5\n" + FIRST + "(OP2)\n#1001=-1\nG0 X20 Y0\nG1 Z#1001\nG0 Z50\nM30\n",
    "a tolerance of the path": HEAD + "G64 P0.05\n" + FIRST + SAME,
}


@pytest.mark.parametrize("name", KEPT)
def test_milling_cuts_where_and_how_it_cut(name):
    milling = KEPT[name]
    found = merged(milling)
    assert found.difference.unchanged
    assert list(cuts(found.text)) == list(cuts(milling))
    assert check(found.text, kinematics=MACHINE, milling=milling).of("stop") == ()


REFUSED = {
    "G68": ("G68 X0 Y0 R30\n", "coordinate rotation"),
    "g68 in lower case without spaces": ("g68x0y0r30\n", "coordinate rotation"),
    "G51": ("G51 X0 Y0 P2\n", "scaling"),
    "G51.1": ("G51.1 X0\n", "mirroring"),
    "G52": ("G52 X5\n", "shifts the origin"),
    "G92": ("G92 X5\n", "shifts the origin"),
    "G16": ("G16\n", "polar coordinates"),
    "G43.4": ("G43.4 H1\n", "tool-centre control"),
    "G54.1": ("G54.1\n", "needs the number of a work offset as P"),
    "an additional offset in doubt": ("G54 P2.5\n", "needs the number of a work offset as P"),
    "G10 of the tool table": ("G10 L1 P9 Z100\n", "not understood"),
    "a call": ("M98 P100\n", "it is a call"),
    "a macro": ("G65 P9000 X1\n", "it is a call"),
    "a smoothing mode": ("G5.1 Q1\n", "not understood"),
    "arcs by absolute centres": ("G90.1\n", "arc centres in absolute coordinates"),
    "constant cutting speed": ("G96 S100\n", "not understood"),
    "a jump": ("IF [#1 LT 2] GOTO 10\n", "flow control"),
    "an offset in a line that may be left out": ("/G55\n", "block delete switch"),
    "a rotary axis nobody knows": ("G0 B30\n", "rotary axis that the kinematics does not have"),
    "a clamped rotary axis": ("M10\n", "M10 is in force where the probing is to go"),
    "an origin by its parameter": ("#5221=5\n", "not understood"),
    "polar interpolation": ("G12.1\n", "polar interpolation"),
}


@pytest.mark.parametrize("name", REFUSED)
@pytest.mark.parametrize("following", [NEXT, SAME], ids=["next tool", "same tool"])
def test_what_the_milling_leaves_in_force_is_refused_by_name(name, following):
    left, said = REFUSED[name]
    with pytest.raises(InputError, match=said):
        merged(HEAD + FIRST + left + following)


def test_milling_that_reads_what_the_probing_stores_is_refused():
    """Its depth would be where the probe touched: a spindle driven into the table."""
    milling = HEAD + "#1003=-5\n" + FIRST + "(OP2)\nG0 X20 Y0\nG1 Z#1003 F100\nG0 Z50\nM30\n%\n"
    with pytest.raises(InputError, match="the milling reads #1003, which the probing sets"):
        merged(milling)


def test_a_parameter_that_somebody_sets_in_the_probing_later_is_a_stop():
    milling = HEAD + "#500=-5\n" + FIRST + "(OP2)\nG0 X20 Y0\nG1 Z#500 F100\nG0 Z50\nM30\n%\n"
    text = merged(milling).text
    assert check(text, kinematics=MACHINE, milling=milling).of("stop") == ()
    edited = text.replace("#1001=#5061", "#500=7\n#1001=#5061")
    assert "reckoned_alone" in {f.check for f in check(edited, kinematics=MACHINE, milling=milling).of("stop")}


def test_a_clamped_axis_does_not_matter_where_nothing_turns():
    straight = PROBING.replace("G0 A90\n", "").replace("G0 A0\n", "")
    milling = HEAD + FIRST + "M10\n" + NEXT
    assert merge(milling, straight, after="OP1", kinematics=MACHINE).difference.unchanged


def test_a_next_tool_that_goes_on_without_a_motion_word_goes_as_it_went():
    following = NEXT.replace("G43 H2", "G43 H2 X10 Y10")
    milling = HEAD + FIRST + "G1 Z60\n" + following

    def kinds(text: str) -> list[str]:
        return [step.kind for step in run(text, kinematics=MACHINE) if step.text.startswith("G43 H2")]

    found = merged(milling)
    assert kinds(milling) == kinds(found.text) == ["feed"]
    assert check(found.text, kinematics=MACHINE, milling=milling).of("stop") == ()
    lost = found.text.replace("G1 (motion in force again)\n", "")
    assert lost != found.text
    assert "handed_back" in {one.check for one in check(lost, kinematics=MACHINE, milling=milling).of("stop")}
    with pytest.raises(InputError, match="a motion other than a straight line"):
        merged(milling.replace("G1 Z60", "G2 X60 Y0 I5 J0"))


def test_milling_that_states_no_feed_does_not_take_that_of_the_probing():
    milling = HEAD + FIRST.replace(" F300", "") + NEXT
    found = merge(milling, PROBING, after="start", kinematics=MACHINE)
    said = [one.what for one in check(found.text, kinematics=MACHINE, milling=milling).of("stop")]
    assert said == ["the milling has stated no feed: it would move at that of the probing"]
    stated = merge(HEAD + FIRST + NEXT, PROBING, after="start", kinematics=MACHINE)
    assert check(stated.text, kinematics=MACHINE, milling=HEAD + FIRST + NEXT).of("stop") == ()


ADDITIONAL = HEAD.replace("G54", "G54.1 P7") + FIRST + SAME


@pytest.mark.parametrize("milling", [ADDITIONAL, ADDITIONAL.replace("G54.1 P7", "G54 P7")])
@pytest.mark.parametrize("probing", [PROBING, PROBING.replace("G54\n", "")])
def test_an_additional_work_offset_is_given_back(milling, probing):
    """Common practice of milling controls, no source: G54.1 P1 and on, on some controls G54 P1."""
    found = merge(milling, probing, after="OP1", kinematics=MACHINE)
    own = {one[2] for one in cuts(found.text)}
    assert own == {"G54.1 P7" if "G54.1" in milling else "G54 P7"}
    assert list(cuts(found.text)) == list(cuts(milling))
    probed = {step.state.offset for step in run(found.text, kinematics=MACHINE) if step.kind == "probe"}
    assert probed == ({"G54"} if probing == PROBING else own)
    assert check(found.text, kinematics=MACHINE, milling=milling).of("stop") == ()
    lost = re.sub(r"(?m)^G21 G17 G54(.1)? P7$", "G21 G17 G55", found.text)
    assert lost != found.text
    assert "handed_back" in {f.check for f in check(lost, kinematics=MACHINE, milling=milling).of("stop")}


def test_what_stands_beside_a_harmless_word_belongs_to_it():
    milling = HEAD + FIRST.replace("M3\n", "M3\nG5.1 Q1\nG187 P3 E0.01\n") + "G5.1 Q0\n" + NEXT
    with pytest.raises(InputError, match=r"G5\.1 is in force"):
        merged(milling)
    found = merge(milling, PROBING, after="OP1", kinematics=MACHINE, known=["G5.1", "G187"])
    assert list(cuts(found.text)) == list(cuts(milling))


def test_a_program_that_begins_at_the_reference_point_takes_probing_at_its_start():
    milling = HEAD + "G91 G28 Z0.\nG28 X0. Y0.\nG90\n" + FIRST.replace("M6\n", "M6\nG55\n") + NEXT
    found = merge(milling, PROBING, after="start", kinematics=MACHINE)
    assert found.first < milling[: milling.index("G28")].count("\n") + 2
    assert list(cuts(found.text)) == list(cuts(milling))
    assert check(found.text, kinematics=MACHINE, milling=milling).of("stop") == ()
    with pytest.raises(InputError, match="a tool that it has not called"):
        merge(milling.replace("G91 G28 Z0.", "G28 Z50."), PROBING, after="start", kinematics=MACHINE)


def test_a_line_left_out_by_a_switch_is_no_text_outside_the_marks():
    milling = HEAD + FIRST.replace("X50\n", "X50\n/X50\n") + NEXT
    told = check(merged(milling).text, kinematics=MACHINE, milling=milling).of("look")
    assert not [one for one in told if one.check == "program_end"]
