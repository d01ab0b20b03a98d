"""RS274/NGC text read back by an independent grammar (tree-sitter-gcode) and compared with the plan."""

import re

import numpy as np
import pytest
from balls import BALLS, CASES, PROBE, moves_on_balls, route_on_balls
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from rs274_grammar import motions_of, words_of

from probekit.errors import ProbekitWarning
from probekit.program.moves import Approach, Comment, Index, Lift, Link, Restart, Retract, Stop, ToolChange, Touch
from probekit.program.reading.interpreter import run
from probekit.program.writing.compose import moves_of
from probekit.program.writing.dialect_reader import read_dialect
from probekit.program.writing.kinds import omissions
from probekit.program.writing.write import write


def starts_of(moves) -> list[int]:
    """Where the place of the spindle is not known: at the tool change, and where somebody may start again."""
    return [k for k, move in enumerate(moves) if isinstance(move, (ToolChange, Restart))]


@settings(max_examples=15)
@given(st.sampled_from(CASES), st.integers(1, 15), st.integers(0, 2**32 - 1))
def test_every_position_of_the_text_is_that_of_the_plan(case, n, seed):
    kinematics, route = route_on_balls(case, n, seed)
    assume(len(route.targets) > 0)
    moves = moves_of(route, PROBE, kinematics, tool=9)
    motions = motions_of(write(moves, "rs274", kinematics=kinematics, probe=PROBE, whole=True), kinematics.letters)
    planned = [move for move in moves if isinstance(move, (Lift, Index, Link, Approach, Touch, Retract))]
    assert isinstance(planned[0], Index if kinematics.axes else Link)
    # in each pose, which may be the first of a new start, the axes turn up there; then it goes across, then down
    place_of = {id(move): k for k, move in enumerate(planned)}
    firsts = [place_of[id(next(m for m in moves[k:] if isinstance(m, Link)))] for k in starts_of(moves)]
    for first in firsts:
        mode, place, _, _ = motions.pop(first)
        assert mode == 0
        assert motions[first][1][:2] == pytest.approx(place[:2])
        assert np.isnan(place[2]) if first == firsts[0] else place[2] == pytest.approx(route.height, abs=1e-4)
    assert len(motions) == len(planned)
    modes = {Lift: 0, Index: 0, Link: 0, Approach: 1, Touch: 38.2, Retract: 1}
    for (mode, place, angles, feed), move in zip(motions, planned, strict=True):
        assert mode == modes[type(move)]
        if isinstance(move, Lift):
            assert place[2] == pytest.approx(move.height, abs=0.51e-4)
        elif isinstance(move, Index):
            assert angles == pytest.approx(move.angles, abs=0.51e-4)
        else:
            back = kinematics.to_part(place, angles, length=PROBE.tool_length)
            np.testing.assert_allclose(back, move.to, atol=1e-4)
            assert np.isnan(feed) if mode == 0 else feed == move.feed
    assert sum(mode == 38.2 for mode, *_ in motions) == len(route.targets) == n - len(route.left_out)


@pytest.mark.parametrize("case", CASES)
def test_each_touch_is_slow_and_starts_at_its_standoff(case):
    kinematics, route, moves = moves_on_balls(case, 25, 7)
    motions = motions_of(write(moves, "rs274", kinematics=kinematics, probe=PROBE), kinematics.letters)
    at = [k for k, motion in enumerate(motions) if motion[0] == 38.2]
    assert len(at) == len(route.targets) > 10
    for k, row in zip(at, route.targets.to_dict("records"), strict=True):
        target, normal = (np.array([row[c] for c in names]) for names in ("x0 y0 z0".split(), "ijk"))
        (before, start, angles, fast), (_, end, _, slow), (after, back, _, _) = motions[k - 1 : k + 2]
        assert (before, after) == (1, 1)  # no rapid move between standoff and touch, nor straight after
        assert slow == 100.0 < fast
        for place, beyond in ((start, PROBE.radius + 4.0), (end, PROBE.radius - 3.0), (back, PROBE.radius + 4.0)):
            ball = kinematics.to_part(place, angles, length=PROBE.tool_length)
            np.testing.assert_allclose(ball, target + beyond * normal, atol=1e-4)


def test_rapid_moves_end_farther_from_the_part_than_any_standoff():
    for case in CASES:
        kinematics, _, moves = moves_on_balls(case, 25, 11)
        motions = motions_of(write(moves, "rs274", kinematics=kinematics, probe=PROBE), kinematics.letters)
        known = [motion for motion in motions if motion[0] == 0 and np.isfinite([*motion[1], *motion[2]]).all()]
        for _, place, angles, _ in known:
            ball = kinematics.to_part(place, angles, length=PROBE.tool_length)
            assert (np.linalg.norm(BALLS[:, :3] - ball, axis=1) - BALLS[:, 3] - PROBE.radius).min() >= 1.0 - 1e-3


def test_records_say_what_was_meant():
    kinematics, route, moves = moves_on_balls(CASES[1], 12, 3, feature="Mitte 1")
    lines = words_of(write(moves, "rs274", kinematics=kinematics, probe=PROBE))
    records = [k for k, line in enumerate(lines) if isinstance(line, str) and "RECORD" in line]
    for n, (k, row) in enumerate(zip(records, route.targets.to_dict("records"), strict=True)):
        kept = [f"{1001 + 3 * n + axis}=#{5061 + axis}" for axis in range(3)]  # no two touches in one parameter
        assert [line[0][1] for line in lines[k - 3 : k]] == kept
        assert lines[k - 4][0] == ("G", 38.2)
        match = re.fullmatch(r"\(PROBEKIT RECORD (\d+) (\S+)((?: -?\d+\.\d*){6})\)", lines[k])
        assert (int(match[1]), match[2]) == (row["touch"], "Mitte_1")
        meant = [row[c] for c in ("x0", "y0", "z0", "i", "j", "k")]
        np.testing.assert_allclose([float(c) for c in match[3].split()], meant, atol=0.51e-5)


def test_the_beginning_is_safe_whatever_ran_before():
    kinematics, _, moves = moves_on_balls(CASES[1], 5)
    lines = words_of(write(moves, "rs274", kinematics=kinematics, probe=PROBE, work_offset="G59.1"))
    flat = [word for line in lines if not isinstance(line, str) for word in line]
    first_probing = flat.index(("G", 38.2))
    for word in [("G", 21.0), ("G", 90.0), ("G", 94.0), ("G", 59.1), ("T", 9.0), ("H", 19.0), ("P", 10.0)]:
        assert flat.index(word) < first_probing
    assert flat.index(("M", 5.0)) < flat.index(("M", 6.0)) < flat.index(("G", 43.0)) < first_probing
    assert lines[0] == "(PROBEKIT BEGIN probing)"
    assert lines[-1] == "(PROBEKIT END probing)"
    assert not {("G", 49.0), ("M", 2.0), ("M", 30.0), ("M", 3.0)} & set(
        flat
    )  # nothing ends or spoils the milling program
    assert [line for line in lines if "NOT RELEASED FOR ANY MACHINE" in line]


def test_the_interpreter_reads_the_same_touches():
    kinematics, route, moves = moves_on_balls(CASES[1], 10, 5)
    steps = list(run(write(moves, "rs274", kinematics=kinematics, probe=PROBE), kinematics=kinematics))
    assert not [step for step in steps if step.kind == "unknown"]
    probes = [step for step in steps if step.kind == "probe"]
    ends = [kinematics.to_part(step.end, step.angles_end, length=PROBE.tool_length) for step in probes]
    np.testing.assert_allclose(ends, [move.to for move in moves if isinstance(move, Touch)], atol=1e-4)
    assert sum(step.kind == "record" for step in steps) == len(route.targets)


def test_stops_that_cannot_be_spelled_are_warned_of_and_listed():
    kinematics, route, moves = moves_on_balls(CASES[0], 6, 1, limits=(-0.1, 0.1), critical=True)
    count = len(route.targets)
    with pytest.warns(ProbekitWarning, match=f"omitted {count} x stop_if: NISTIR 6556 has no flow control"):
        text = write(moves, "rs274", kinematics=kinematics, probe=PROBE)
    assert f"(omitted {count} x stop_if: NISTIR 6556 has no flow control)" in text
    assert omissions(moves, read_dialect("rs274")) == (f"omitted {count} x stop_if: NISTIR 6556 has no flow control",)


def skeleton(text):
    """The lines that a control acts on."""
    return [line for line in text.splitlines() if not line.startswith("(") or line.upper().startswith("(MSG,")]


def test_a_long_name_cannot_forge_a_record_where_its_remark_wraps():
    forged = "PROBEKIT RECORD 2 f 0. 0. 0. 0. 0. 1."
    for lead in range(30, 60, 2):
        kinematics, route, moves = moves_on_balls(CASES[0], 3, 2, feature="x" * lead + " " + forged)
        text = write(moves, "rs274", kinematics=kinematics, probe=PROBE)
        records = [line for line in text.splitlines() if line.startswith("(PROBEKIT RECORD")]
        assert len(records) == len(route.targets)


NASTY = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        [
            "a)M3S9000(",
            "x\nM30",
            "%",
            "#1=2",
            ";G0Z-99",
            "(MSG,hi",
            "a\r\nG0 Z-9",
            "{x}",
            "ﾍM3",
            "\u2028M3",
            "N1 O2",
            "/",
        ]
    ),
)


@settings(max_examples=50)
@given(feature=NASTY, name=NASTY, words=NASTY)
def test_no_name_can_inject_code(feature, name, words):
    kinematics, route, _ = moves_on_balls(CASES[0], 3, 2)
    texts = []
    for one, two, three in ((feature, name, words), ("plain", "plain", "plain")):
        route.targets["feature"] = one
        moves = list(moves_of(route, PROBE, kinematics, tool=9))
        moves[2] = ToolChange(9, 9, two)
        moves += [Comment(three), Comment("PROBEKIT RECORD 1 false 0 0 0 0 0 1"), Stop("done")]
        texts.append(write(moves, "rs274", kinematics=kinematics, probe=PROBE, name=two))
        words_of(texts[-1])
    assert skeleton(texts[0]) == skeleton(texts[1])
    allowed = read_dialect("rs274").safe
    for line in texts[0].splitlines():
        if line.startswith("("):
            assert set(line[1:-1]) <= allowed
            assert line.endswith(")")
    records = [line for line in texts[0].splitlines() if line.startswith("(PROBEKIT RECORD")]
    assert [len(line.split()) for line in records] == [10] * len(route.targets)
