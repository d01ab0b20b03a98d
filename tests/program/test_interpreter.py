"""The interpreter: what a program does, against the rules of RS274/NGC and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis
from probekit.program import run
from probekit.program.reading.arcs import Arc
from probekit.program.reading.steps import Step, path_of

HEAD = "G21 G90 G17 G94\nG0 X0 Y0 Z0\n"


def moves(text: str, **options: object) -> list[Step]:
    return [step for step in run(HEAD + text, **options) if step.line > 2]


def ends(text: str, **options: object) -> list[tuple[str, tuple[float, ...]]]:
    return [(s.kind, tuple(round(v, 9) for v in s.end)) for s in moves(text, **options)]


def unknown(text: str, **options: object) -> list[object]:
    return [s.detail for s in moves(text, **options) if s.kind == "unknown"]


def test_absolute_incremental_and_inch() -> None:
    assert ends("G1 X1 F100\nG91 X1\nX1 Y-2\nG90 X0") == [
        ("feed", (1, 0, 0)),
        ("feed", (2, 0, 0)),
        ("feed", (3, -2, 0)),
        ("feed", (0, -2, 0)),
    ]
    inch = moves("G20 G1 X1 F10")[0]
    assert inch.end[0] == pytest.approx(25.4)
    assert inch.feed == pytest.approx(254.0)


def test_what_the_text_does_not_tell_is_not_known() -> None:
    first, second = run("G0 X1\nG0 Y2 Z3")
    assert math.isnan(first.start[0])
    assert first.end[0] == 1
    assert math.isnan(first.end[1])
    assert second.end == (1, 2, 3)
    assert next(run("G0 X1", start=(7, 8, 9))).end == (1, 8, 9)


def test_old_values_of_parameters_hold_within_a_block() -> None:
    # NISTIR 6556, 3.3.2.2 (from memory): "#3=6 G1 X#3" goes to the old value of #3
    assert ends("#3=15\n#3=6 G1 X#3 F1\nX#3") == [("feed", (15, 0, 0)), ("feed", (6, 0, 0))]
    assert ends("G1 X#7 F1", parameters={7: 4.5}) == [("feed", (4.5, 0, 0))]


@pytest.mark.parametrize("plane", ["G17", "G18", "G19"])
@pytest.mark.parametrize("word", ["G2", "G3"])
@given(
    radius=st.floats(0.5, 100),
    begin=st.floats(0, 360),
    sweep=st.floats(5, 355),
    rise=st.floats(-10, 10),
    by_radius=st.booleans(),
)
def test_arcs_against_the_closed_form(
    plane: str, word: str, radius: float, begin: float, sweep: float, rise: float, by_radius: bool
) -> None:
    first, second, normal = {"G17": "XYZ", "G18": "ZXY", "G19": "YZX"}[plane]
    signed = sweep if word == "G3" else -sweep
    angles = np.radians([begin, begin + signed])
    points = radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    offset = {"X": "I", "Y": "J", "Z": "K"}
    how = (
        f"R{radius if sweep <= 180 else -radius:.12f}"
        if by_radius and abs(sweep - 180) > 1
        else f"{offset[first]}{-points[0, 0]:.12f} {offset[second]}{-points[0, 1]:.12f}"
    )
    text = (
        f"{plane} G0 {first}{points[0, 0]:.12f} {second}{points[0, 1]:.12f} {normal}0\n"
        f"{word} {first}{points[1, 0]:.12f} {second}{points[1, 1]:.12f} {normal}{rise:.12f} {how} F10"
    )
    step = moves(text)[-1]
    assert step.kind == "arc"
    assert isinstance(step.detail, Arc)
    assert step.detail.sweep == pytest.approx(signed, abs=1e-4)
    assert step.detail.length == pytest.approx(math.hypot(radius * math.radians(sweep), rise), rel=1e-5)
    way = path_of(step, 0.001)
    flat = way[:, ["XYZ".index(first), "XYZ".index(second)]]
    np.testing.assert_allclose(np.linalg.norm(flat, axis=1), radius, atol=1e-4)
    middle = np.radians(begin + signed / 2)
    chords = 0.5 * (flat[1:] + flat[:-1])
    assert np.linalg.norm(chords, axis=1).min() > radius - 0.0011
    assert np.linalg.norm(flat - radius * np.array([np.cos(middle), np.sin(middle)]), axis=1).min() < radius * 0.2


def test_a_full_circle_and_arcs_that_are_none() -> None:
    full = moves("G2 I5 F10")[0].detail
    assert isinstance(full, Arc)
    assert (full.sweep, full.centre) == (-360.0, (5.0, 0.0, 0.0))
    assert "from its centre" in str(unknown("G2 X10 I3 F1")[0])
    assert "more than twice" in str(unknown("G2 X10 R4 F1")[0])
    assert "full circle" in str(unknown("G2 X0 R4 F1")[0])
    assert "either" in str(unknown("G2 X10 F1")[0])
    assert "unknown position" in str(next(s.detail for s in run("G2 X1 I1 F1") if s.kind == "unknown"))


def test_drilling_at_three_places() -> None:
    # NISTIR 6556, 3.5.16.3, example of G81 (from memory): from (1, 2, 3), G90 G81 G98 X4 Y5 Z1.5 R2.8
    assert ends("G0 X1 Y2 Z3\nG90 G81 G98 X4 Y5 Z1.5 R2.8 F10")[1:] == [
        ("rapid", (4, 5, 3)),
        ("rapid", (4, 5, 2.8)),
        ("feed", (4, 5, 1.5)),
        ("rapid", (4, 5, 3)),
    ]


def test_drilling_by_increments_three_times() -> None:
    # same section, second example with its listed moves (from memory): the R level is 4.8, the bottom 4.2
    found = ends("G0 X1 Y2 Z3\nG91 G81 G98 X4 Y5 Z-0.6 R1.8 L3 F10")[1:]
    assert found[0] == ("rapid", (1, 2, 4.8))
    for number, hole in enumerate([(5, 7), (9, 12), (13, 17)]):
        assert [step for step in found[1:] if step[1][:2] == hole] == [
            ("rapid", (*hole, 4.8)),
            ("rapid", (*hole, 4.8)),  # already at the R level
            ("feed", (*hole, 4.2)),
            ("rapid", (*hole, 4.8)),
        ], number


def test_pecks_dwell_and_boring() -> None:
    pecks = ends("G0 Z5\nG83 X1 Z-10 R0 Q4 F10")
    assert [end[2] for kind, end in pecks if kind == "feed"] == [-4, -8, -10]
    assert [end[2] for kind, end in pecks if kind == "rapid"][-1] == 5
    dwell = moves("G0 Z5\nG82 X1 Z-1 R1 P0.5 F10")
    assert [s.detail for s in dwell if s.kind == "dwell"] == [0.5]
    bore = ends("G0 Z5\nG99 G85 X1 Z-1 R1 F10")
    assert bore[-2:] == [("feed", (1, 0, 1)), ("rapid", (1, 0, 1))]


def test_a_cycle_stays_in_force_until_g80() -> None:
    found = ends("G0 Z5\nG99 G81 X1 Z-1 R1 F10\nX2\nG80\nG0 X3")
    assert [end for kind, end in found if kind == "feed"] == [(1, 0, -1), (2, 0, -1)]
    assert unknown("G81 X1 F10") != []
    assert unknown("G0 Z5\nG83 X1 Z-10 R0 Q0 F10") != []
    assert unknown("G0 Z5\nG81 X1 Z10 R0 F10") != []
    assert unknown("G0 Z5\nG91 G81 X1 Z-1 R0 L9999999 F10") != []


def test_spindle_coolant_tool_and_length() -> None:
    steps = moves("S900 M3 M8\nG43 H4 Z9\nT7\nM6\nG49")
    assert [s.kind for s in steps] == ["spindle", "rapid", "tool"]
    assert (steps[1].state.turning, steps[1].state.flood, steps[1].state.length_offset) == (True, True, 4)
    # NISTIR 6556, 3.6.3 (from memory): after M6 the spindle stands
    assert (steps[2].detail, steps[2].state.tool, steps[2].state.spindle) == (7, 7, "M5")
    assert unknown("M6") != []
    assert unknown("G43") != []


def test_offsets_shifts_and_machine_coordinates() -> None:
    known = {"G54": (100.0, 0.0, -50.0), "G55": (110.0, 0.0, -50.0)}
    assert ends("G0 X1\nG55\nG0 Y0", offsets=known)[-1] == ("rapid", (-9, 0, 0))
    assert ends("G53 G0 Z0", offsets=known) == [("rapid", (0, 0, 50))]
    assert ends("G10 L2 P1 X90\nG0 Y1", offsets=known)[-1] == ("rapid", (10, 1, 0))
    assert ends("G92 X5\nG0 Y1\nG92.1\nG0 Y2")[1] == ("rapid", (5, 1, 0))
    assert ends("G92 X5\nG0 Y1\nG92.1\nG0 Y2")[3] == ("rapid", (0, 2, 0))
    assert ends("G92 X5\nG92.2\nG92.3\nG0 Y2")[-1] == ("rapid", (5, 2, 0))
    lost = moves("G55\nG0 Y1")[-1]
    assert math.isnan(lost.end[0])
    assert math.isnan(moves("G53 G0 Z0")[0].end[2])
    home = moves("G91 G28 Z0\nG90 G0 X1")
    assert [s.kind for s in home] == ["rapid", "rapid", "rapid"]
    assert math.isnan(home[1].end[2])


def test_probing_sets_the_documented_parameters_and_the_record() -> None:
    text = (
        "G38.2 Z-5 F50\n#101=#5063 (PROBEKIT RECORD 3 face_2 1 2 -1.5 0 0 1)\nG1 X#101 F10\n"
        "(PROBEKIT RECORD 4 face_2 1 2 3 0 0 1)"
    )
    asked: list[Step] = []

    def trigger(step: Step) -> tuple[float, float, float]:
        asked.append(step)
        return (0.0, 0.0, -1.25)

    probe, record, feed, again = moves(text, trigger=trigger)
    assert asked[0].end == (0, 0, -5)
    assert (probe.end, probe.feed, probe.detail) == ((0, 0, -1.25), 50.0, (0, 0, -1.25))
    assert (record.detail.touch, record.detail.feature, record.detail.target) == (3, "face_2", (1, 2, -1.5))
    assert record.detail.trigger == (0, 0, -1.25)
    assert feed.end == (-1.25, 0, -1.25)
    assert again.detail.trigger is None  # nothing was touched since
    inch = moves("G20 G38.2 Z-1 F5\nG1 X#5063 F5", trigger=lambda _: (0.0, 0.0, -12.7))
    assert inch[1].end[0] == pytest.approx(-12.7)


def test_a_miss_runs_to_the_end() -> None:
    probe, record = moves("G38.2 Z-5 F50\n(PROBEKIT RECORD 1 f 0 0 0 0 0 1)", trigger=lambda _: None)
    assert probe.end == (0, 0, -5)
    assert probe.detail is None
    assert record.detail.trigger is None
    with pytest.raises(InputError, match="line 3: the trigger is not a position"):
        moves("G38.2 Z-5 F50", trigger=lambda _: (0.0, math.nan, 0.0))


def test_rotary_axes_belong_to_the_kinematics() -> None:
    table = Kinematics((RotaryAxis("A", "table"), RotaryAxis("C", "table")))
    turn, both = moves("G0 A30 C-90\nG0 X1 A0", kinematics=table)
    assert (turn.kind, turn.angles_start, turn.angles_end) == ("index", (0, 0), (30, -90))
    assert (both.kind, both.angles_end) == ("rapid", (0, -90))
    assert unknown("G0 A30") == ["A30: a rotary axis that the kinematics does not have"]
    assert unknown("G38.2 A30 F10", kinematics=table) != []


def test_feed_modes() -> None:
    assert moves("G93 G1 X30 F2")[0].feed == pytest.approx(60.0)
    assert moves("G95 S1000 G1 X30 F0.2")[0].feed == pytest.approx(200.0)
    assert moves("G1 X30 F0.2\nG93\nG94 G1 X2")[-1].feed is None  # must be said again


@pytest.mark.parametrize(
    "line",
    ["G33 X5", "G1 X5 Y<a>", "G0 G1 X5", "M98 P100", "G1 X[1/0]", "IF [#1 EQ 2] GOTO 5"],
)
def test_what_is_not_understood_moves_nothing_and_loses_the_place(line: str) -> None:
    steps = moves(f"{line}\nG1 X1 F10")
    assert steps[0].kind == "unknown"
    assert [s.kind for s in steps if s.line == 3 and s.kind != "unknown"] == []
    assert math.isnan(steps[-1].end[1])


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("M123", "M123"),
        ("U5", "U5"),
        ("X1 X2", "X twice"),
        ("I5", "no use"),
        ("H3", "no use"),
        ("G4", "G4"),
        ("G4 X2", "G4"),
    ],
)
def test_words_without_a_meaning_are_listed(line: str, word: str) -> None:
    found = unknown(line)
    assert len(found) == 1
    assert word in str(found[0])


def test_aliases_are_words_of_this_control() -> None:
    assert [s.kind for s in moves("G901 Z-5 F50")] == ["unknown"]
    assert [(s.kind, s.end[2]) for s in moves("G901 Z-5 F50", aliases={"G901": "G38.2"})] == [("probe", -5.0)]
    for bad in ({"G901": "G77"}, {"G1": "G0"}):
        with pytest.raises(InputError, match="alias"):
            moves("G0 X1", aliases=bad)


def test_g4_never_moves_an_axis() -> None:
    assert [s.kind for s in moves("G1 X1 F1\nG4 X2")] == ["feed", "unknown"]


def test_ends_marks_and_block_delete() -> None:
    assert [s.detail for s in run("%\nM0\n%\nM2")] == ["M0", "%"]
    assert [s.detail for s in run("M30\nG0 X1")] == ["M30"]
    assert ends("/G0 X1\nG0 Y1", block_delete=True) == [("rapid", (0, 1, 0))]
    assert ends("/G0 X1\nG0 Y1")[-1] == ("rapid", (1, 1, 0))
    end = list(run("G55 G18 G91 M3 M8\nM30"))[-1]
    state = end.state
    assert (state.offset, state.plane, state.distance, state.spindle, state.flood) == ("G54", "G17", "G90", "M5", False)


def test_messages_and_the_number_of_the_program() -> None:
    assert [(s.kind, s.detail) for s in run("O1234\n(MSG, watch out)\n(quiet)")] == [("message", "watch out")]


WORDS = st.sampled_from(
    "G0 G1 G2 G3 G4 G10 G17 G18 G20 G21 G28 G38.2 G43 G49 G53 G55 G80 G81 G83 G90 G91 G92 G92.1 G93 G94 X1 Y-2 Z3 I1 "
    "J2 R5 F10 S5 T3 M6 M3 M5 M8 L2 P1 Q1 H1 A5 U1 #1=2 X#1 Y[#1*2] (c) M0 ZSIN[#5061] X[1/0]".split()
)


@given(st.lists(st.lists(WORDS, max_size=6).map(" ".join), max_size=12).map("\n".join))
def test_any_program_of_words_is_run_and_steps_join(text: str) -> None:
    before: Step | None = None
    for step in run(text):
        if before is not None and before.kind in ("rapid", "feed", "arc", "probe") and step.line == before.line:
            np.testing.assert_array_equal(step.start, before.end)
        before = step
