"""The reader of DMIS programs: what it knows, what ends it, where a head holds the ball.

Expressions are compared with those of Python, places with rotations of SciPy; the language is from memory of ISO 22093.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from balls import CASES, HEAD, PROBE, moves_on_balls
from scipy.spatial.transform import Rotation
from thorough import count

from probekit import InputError
from probekit.plan.kinematics import Kinematics
from probekit.plan.probe import Probe, Tip
from probekit.program.measuring.checks import check_measuring
from probekit.program.measuring.expressions import parsed, value_of
from probekit.program.measuring.reader import read
from probekit.program.measuring.state import sensor_of
from probekit.program.writing.write import write

pytestmark = pytest.mark.filterwarnings("ignore:the dialect dmis omitted")

HEADER = "DMISMN/'X',05.2\nUNITS/MM,ANGDEC\nRECALL/D(PART)\nMODE/PROG,MAN\nSNSLCT/SA(PROBE)\n"
SET = "FEDRAT/POSVEL,MPM,2\nFEDRAT/MESVEL,MPM,.1\nSNSET/APPRCH,2\nSNSET/SEARCH,1\nSNSET/RETRCT,3\n"
POINT = "F(P1)=FEAT/POINT,CART,1,2,3,0,0,1\nMEAS/POINT,F(P1),1\nPTMEAS/CART,1,2,3,0,0,1\nENDMES\nOUTPUT/FA(P1)\n"


def done(body: str, before: str = HEADER + SET):
    return read(f"{before}{body}ENDFIL\n", kinematics=Kinematics(), probe=PROBE)


def test_a_measured_point_goes_to_its_approach_searches_and_goes_back():
    found = done("GOTO/CART,1,2,30\n" + POINT)
    moves = [(step.kind, step.start, step.end, step.feed) for step in found.steps if step.kind in ("feed", "probe")]
    r = PROBE.radius
    assert [kind for kind, *_ in moves] == ["feed", "feed", "probe", "feed"]
    assert moves[1][1:] == ((1, 2, 30), (1, 2, 3 + r + 2), 2000.0)
    assert moves[2][1:] == ((1, 2, 3 + r + 2), (1, 2, 3 + r - 1), 100.0)
    assert moves[3][1:] == ((1, 2, 3 + r), (1, 2, 3 + r + 3), 2000.0)
    assert found.output == ((16, "P1"),)
    assert found.touches[0].moved == pytest.approx(30 - 3 - r - 2)


def test_a_system_that_is_moved_and_turned_carries_the_places_along():
    made = done("D(A)=TRANS/XORIG,10\nD(B)=ROTATE/ZAXIS,90\nGOTO/CART,1,2,30\nRECALL/D(PART)\nGOTO/CART,1,2,30\n")
    turned = Rotation.from_euler("z", 90, degrees=True).apply([1, 2, 30]) + np.array([10, 0, 0])
    ends = [step.end for step in made.steps if step.kind == "feed"]
    np.testing.assert_allclose(ends, [turned, [1, 2, 30]], atol=1e-9)


def test_a_head_holds_the_ball_of_its_tip_where_the_program_says():
    star = Probe(4.0, 2.0, 30.0, hub=12.0, tips=(Tip(3.0, 2.0, 20.0, (1, 0, 0)),))
    body = HEADER.replace("PROBE", "B_55_5_TIP_1") + "FEDRAT/POSVEL,MPM,2\nGOTO/CART,1,2,30\nENDFIL\n"
    step = next(one for one in read(body, kinematics=HEAD, probe=star).steps if one.kind == "feed")
    assert step.angles_end == (-55.5,)
    turned = Rotation.from_euler("y", -55.5, degrees=True)
    reach = HEAD.gauge + star.tool_length
    reference = np.array([1, 2, 30]) - turned.apply(star.offset(1))
    pivot = reference + turned.apply([0, 0, reach])
    np.testing.assert_allclose(step.end, pivot - [0, 0, reach], atol=1e-9)


@pytest.mark.parametrize(
    ("body", "line", "words"),
    [
        ("GOTO/CART,1,2\n", 11, "expected GOTO/CART,<number>,<number>,<number>"),
        ("GOTO/CART,1,2,1e3\n", 11, "not known here"),
        ("GOTO/CART,1,2,nan\n", 11, "not known here"),
        ("GOTO/CART,1,2,٣\n", 11, "not known here"),
        ("CALL/M(X)\n", 11, "expected one of DMISMN"),
        ("XTERN/DMS\n", 11, "not known here"),
        ("SNSLCT/SA(LONG)\n", 11, r"sensor is not known; found 'SA\(LONG\)'; expected SA\(PROBE\)"),
        ("SNSET/APPRCH,0\n", 11, "more than 0"),
        ("PTMEAS/CART,1,2,3,0,0,1\n", 11, "expected MEAS before it"),
        (POINT.replace("0,0,1\nEND", "0,0,1.1\nEND"), 13, "not the length 1"),
        (POINT.replace("PTMEAS", "GOTO/CART,1,2,3\nPTMEAS"), 13, "expected PTMEAS, then ENDMES"),
        (POINT + POINT, 16, "this one is taken"),
        ("OUTPUT/FA(P1)\n", 11, "its measurement before it"),
        ("X=ASSIGN/1\n", 11, "variable is not declared; found 'X'"),
        ("DECL/LOCAL,REAL,X\nX=ASSIGN/1/0\n", 12, "no number"),
        ("DECL/LOCAL,REAL,X\nX=ASSIGN/1 .LT. 2\n", 12, "expected <name>=ASSIGN/<expression>"),
        ("DECL/LOCAL,REAL,X\nIF/(X .LT. 2)\nENDIF\n", 12, "no value yet"),
        ("IF/(1 .LT. 2)\n", 12, "expected ENDIF"),
        ("ENDIF\n", 11, "expected an IF before it"),
        ("ENDFIL\nGOTO/CART,1,2,3\n", 11, "never run"),
        ("GOTO/CART,1,2,3$\n", 11, "not known here|does not fit"),
        ("TEXT/MAN,'a', 'b'\n", 11, "not known here"),
    ],
)
def test_what_is_not_known_ends_the_reading_with_its_line(body, line, words):
    with pytest.raises(InputError, match=words) as caught:
        done(body)
    assert caught.value.line == line
    assert caught.value.found or caught.value.expected


@pytest.mark.parametrize("gone", range(1, 10))
def test_nothing_that_a_touch_depends_on_may_be_missing(gone):
    lines = (HEADER + SET).splitlines(keepends=True)
    del lines[gone]
    with pytest.raises(InputError, match="before the program has said all") as caught:
        done("GOTO/CART,1,2,30\n" + POINT, before="".join(lines))
    assert caught.value.expected.split()[0].split("/")[0] in "".join((HEADER + SET).splitlines()[gone])


def test_a_branch_is_taken_by_what_was_measured():
    body = POINT + "DECL/LOCAL,REAL,Z\nZ=OBTAIN/FA(P1),5\nIF/(Z .GT. 2.9 .AND. Z .LT. 3.1)\nGOTO/CART,0,0,50\nELSE\n"
    found = done(body + "TEXT/MAN,'OFF'\nENDIF\n")
    assert found.taken == ((18, True),)
    assert [step.kind for step in found.steps if step.line > 18] == ["feed", "end"]


def test_expressions_give_what_those_of_python_give():
    draw = random.Random(5)

    def made(depth: int) -> tuple[str, str]:
        if depth == 0:
            value = f"{draw.uniform(0.1, 9):.3f}"
            return draw.choice([(value, value), ("X", "x")])
        (a, b), (c, d) = made(depth - 1), made(depth - 1)
        kind = draw.randrange(7)
        if kind < 3:
            return f"{a}{'+-*'[kind]}({c})", f"{b}{'+-*'[kind]}({d})"
        if kind == 3:
            return f"-({a})", f"-({b})"
        name = draw.choice(("MN", "MX"))
        both = [(f"ABS({a})", f"abs({b})"), (f"{name}({a},{c})", f"{'min' if name == 'MN' else 'max'}({b},{d})")]
        return [*both, (f"RTOD(ATAN2({a},{c}))", f"degrees(atan2({b},{d}))")][kind - 4]

    for _ in range(count(40, 2000)):
        own, pythons = made(3)
        known = {"x": 1.7, "degrees": math.degrees, "atan2": math.atan2}
        meant = eval(pythons, {"__builtins__": {"abs": abs, "min": min, "max": max}}, known)  # of our own making
        assert value_of(parsed(own, 1), {"X": 1.7}, 1) == pytest.approx(meant, rel=1e-12, abs=1e-12)
        assert value_of(parsed(f"({own}) .LT. 0 .OR. ({own}) .GE. 1", 1), {"X": 1.7}, 1) == (meant < 0 or meant >= 1)


@pytest.mark.parametrize(
    ("label", "angles", "tip"),
    [("B0", (0.0,), 0), ("B_55", (-55.0,), 0), ("B7_5", (7.5,), 0), ("B_0_25", (-0.25,), 0), ("PROBE", None, 0)],
)
def test_a_label_tells_the_angles(label, angles, tip):
    found = sensor_of(label, HEAD, PROBE, 1)
    assert (found.angles, found.tip) == (angles, tip)


@pytest.mark.parametrize("case", [CASES[0], CASES[2]])
def test_programs_of_three_balls_are_read_and_pass(case):
    kinematics, route, moves = moves_on_balls(case, 12, 3, limits=(-0.05, 0.08), critical=True)
    text = write(moves, "dmis", kinematics=kinematics, probe=PROBE, whole=True)
    found = check_measuring(
        text, kinematics=kinematics, probe=PROBE, steps=moves, frame="RECALL/D(PART)", turn_height=route.height
    )
    assert found.of("stop") == ()
    assert [check.name for check in found.checks if check.skipped] == ["travel", "collision"]
