"""Checks before release: a clean program passes, and every check is seen to fail."""

from __future__ import annotations

import balls
import numpy as np
import pandas as pd
import pytest
import shapes
from balls import CASES, clear_of_balls, moves_on_balls

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis
from probekit.plan.access.clearance import Obstacles, clearance_along
from probekit.plan.probe import Probe
from probekit.program import check, merge, write
from probekit.program.checking.findings import Findings
from probekit.program.moves import Lift

PROBE = Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (60.0, 40.0), (110.0, 40.0)))
#: A box 60 x 40 x 20 mm whose top is z = 0; one touch on top, one on the side at x = 30.
OBSTACLES = Obstacles(shapes.box(centre=(0.0, 0.0, -10.0)))
PROGRAM = """%
G21 G90 G94 G17 G40 G80
G54 G61
M5
M9
T9 M6
G43 H9
G0 Z40
G0 X5 Y5 Z40
G1 X5 Y5 Z5 F2000
G38.2 X5 Y5 Z1 F100
(PROBEKIT RECORD 1 top 5 5 0 0 0 1)
G1 X5 Y5 Z5 F2000
G0 X5 Y5 Z40
G0 X40 Y0 Z40
G1 X40 Y0 Z-6 F2000
G1 X35 Y0 Z-6 F2000
G38.2 X31 Y0 Z-6 F100
(PROBEKIT RECORD 2 side 30 0 -6 1 0 0)
G1 X35 Y0 Z-6 F2000
G1 X40 Y0 Z-6 F2000
G0 X40 Y0 Z40
M30
%
"""


def clear(starts: np.ndarray, ends: np.ndarray, axes: np.ndarray) -> np.ndarray:
    return clearance_along(OBSTACLES, PROBE, starts, ends, axes, enough=2.0)


TRAVEL = ((-200.0, 200.0), (-150.0, 150.0), (-50.0, 300.0))
OPTIONS = {"kinematics": Kinematics(travel=TRAVEL), "probe": PROBE, "clear": clear, "safe_height": 30.0, "tool": 9}

#: Checks that need more than a text: see test_seams.py.
OF_A_PLAN = (
    "offsets_as_planned",
    "touches_as_planned",
    "rapids_as_planned",
    "ways_as_planned",
    "from_above",
    "kept",
    "lifted_for_changes",
    "milling_as_before",
    "confirmed",
    "restarts",
    "warmed_up",
    "as_written",
)


def checked(*changes: tuple[str, str], **options: object) -> Findings:
    text = PROGRAM
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return check(text, **(OPTIONS | options))


def names(findings: Findings, severity: str) -> set[str]:
    return {finding.check for finding in findings.of(severity)}


def test_a_clean_program_has_nothing_to_stop_for_or_look_at() -> None:
    found = checked()
    assert [f for f in found if f.severity != "note"] == []
    assert all(result.skipped == "" for result in found.checks if result.name not in OF_A_PLAN)
    assert found.sentence == "The checks found no blocking problem; 12 of the 45 checks could not be made."


@pytest.mark.parametrize(
    ("change", "name", "severity", "line", "words"),
    [
        (("M5\n", "S500 M3\n"), "spindle", "look", 6, "M5 has stopped"),
        (("G43 H9", "G43 H9 S100 M3"), "spindle", "stop", 7, "turns (M3)"),
        (("M9", "M8"), "coolant", "stop", 6, "coolant is on"),
        (("M30", "M8\nM30"), "coolant", "stop", 23, "coolant is on"),  # makes no step: the probe is still in
        (("M30", "M8\nT2 M6\nM30"), "coolant", "stop", 23, "coolant is on"),
        (("T9 M6", "T9"), "probe_is_in", "stop", 11, "no tool"),
        (("T9 M6", "T8 M6"), "probe_is_in", "stop", 11, "tool 8"),
        (("G54 G61", "G54 G64"), "exact_path", "look", 8, "the probe moves in G64"),
        (("G54 G61", "G54"), "exact_path", "look", 8, "a path mode that the program text does not state"),
        (("G1 X40 Y0 Z-6", "G81 X40 Y0 Z-6 R30"), "probe_is_in", "stop", 16, "canned cycle"),
        (("G1 X5 Y5 Z5", "G41 D1 G1 X5 Y5 Z5"), "probe_is_in", "stop", 10, "G41"),
        (("G43 H9\n", "\n"), "length_offset", "stop", 11, "without a tool length"),
        (("G43 H9\n", "G43 H3\n"), "length_offset", "look", 11, "H3"),
        (
            ("M30", "T3 M6\nG43 H9\nG0 Z50\nM30"),
            "length_offset",
            "look",
            25,
            "tool 3 moves with length offset H9, that",
        ),
        (("G0 X40 Y0 Z40\nG1", "G0 G53 Z-260\nG0 X40 Y0 Z40\nG1"), "machine_coordinates", "stop", 15, "how near"),
        (("G0 X40 Y0 Z40\nG1", "G0 G53 X-90\nG0 X40 Y0 Z40\nG1"), "machine_coordinates", "look", 15, "how near"),
        (("T9 M6\nG43 H9\n", "T4 M6\nG43 H4\nT9 M6\n"), "length_offset", "stop", 12, "H4, set before the probe"),
        (("T9 M6\nG43 H9\n", "G43 H9\nT9 M6\n"), "length_offset", "stop", 11, "H9, set before the probe"),
        (("G1 X5 Y5 Z5 F2000\nG0", "G1 X5 Y5 Z5 F2000\nG43 H8\nG0"), "length_offset", "stop", 11, "several"),
        (("Z1 F100", "Z1 F201"), "touch_feed", "stop", 11, "201 mm/min"),
        (("G1 X5 Y5 Z5 F2000", "G1 X5 Y5 Z5 F9000"), "touch_feed", "stop", 10, "9000"),
        (("G1 X5 Y5 Z5 F2000", "G1 X5 Y5 Z5"), "feed_said", "stop", 10, "without a feed"),
        (("Z1 F100", "Z1 F0"), "feed_said", "stop", 11, "without a feed"),
        (("G0 X5 Y5 Z40\nG1", "G0 X5 Y5 Z29\nG1"), "rapid_height", "stop", 9, "Z29"),
        (("G0 X40 Y0 Z40\nG1", "G0 X400 Y0 Z40\nG1"), "travel", "stop", 15, "X400 is outside"),
        (("M30", "G2 X40 Y0 I0 J90\nM30"), "travel", "stop", 23, "outside the travel"),
        (("(PROBEKIT RECORD 1 top 5 5 0 0 0 1)", "G55"), "work_offset", "stop", 18, "G54 to G55"),
        (("M9", "M9\nG10 L2 P1 X5"), "work_offset", "look", 6, "G10"),
        (("G0 X40 Y0 Z40\nG1", "G10 L2 P1 Z-3\nG0 X40 Y0 Z40\nG1"), "work_offset", "stop", 15, "between two touches"),
        (("G0 X40 Y0 Z40\nG1", "G10 L2 P2 Z-3\nG0 X40 Y0 Z40\nG1"), "work_offset", "look", 15, "G55"),
        (("M9", "M9\nG92 X5"), "work_offset", "look", 6, "G92"),
        (("G21 G90 G94", "G90 G94"), "units", "look", 8, "before the units"),
        (("G54", "G20"), "units", "stop", 11, "inch"),
        (("G1 X35 Y0 Z-6 F2000\nG38.2", "G20\nG21\nG91 G38.2"), "units", "look", 19, "G91"),
        (("M30", "G20 G0 X1.5\nM30"), "units", "look", 23, "units change"),
        (("(PROBEKIT RECORD 1 top 5 5 0 0 0 1)", "(none)"), "records", "look", 11, "nothing records"),
        (("(PROBEKIT RECORD 2 side 30 0 -6 1 0 0)", ""), "records", "look", 18, "nothing records"),
        (
            ("G0 X40 Y0 Z40\nG1", "(PROBEKIT RECORD 3 a 1 1 1 0 0 1)\nG0 X40 Y0 Z40\nG1"),
            "records",
            "stop",
            15,
            "without a probing",
        ),
        (("RECORD 2", "RECORD 1"), "records", "stop", 19, "again"),
        (("G0 X5 Y5 Z40\nG1 X5 Y5 Z5", "G1 X5 Z5"), "place_known", "look", 9, "does not say"),
        (("G54", "G54 M123"), "unknown_words", "look", 3, "M123"),
        (("G0 X5 Y5 Z40\nG1", "G0 X5 Y5 Z40 M123\nG1"), "unknown_words", "stop", 9, "M123"),
        (("(PROBEKIT RECORD 1 top", "(PROBEKIT RECORD 1"), "unknown_words", "stop", 12, "record line"),
        (("M30\n%\n", ""), "program_end", "stop", 22, "no end"),
        (("M30\n%", "M30"), "program_end", "look", 23, "only one program mark"),
        (("M30\n", "M30\nG0 X1\n"), "program_end", "look", 24, "never run"),
        (("G1 X5 Y5 Z5 F2000\nG0 X5 Y5 Z40\nG0", "G1 Z4 F2000\nG0 X6 Z3.5\nG0"), "collision", "stop", 14, "rapid move"),
        (("G1 X5 Y5 Z5 F2000\nG0", "G0 X5 Y5 Z40\nG0"), "collision", "stop", 13, "closer than the margin"),
        (("G1 X40 Y0 Z-6", "G1 X31 Y0 Z-6"), "collision", "stop", 16, "enters the model in a move at feed"),
        (("G38.2 X31 Y0", "G38.2 X31 Y1"), "collision", "stop", 18, "beside the target"),
        (("G38.2 X5 Y5 Z1", "G38.2 X5 Y5 Z4"), "collision", "look", 11, "ends before"),
        (("G38.2 X5 Y5 Z1", "G38.2 X5 Y5 Z-12"), "collision", "stop", 11, "travels 15.00 mm beyond its target"),
        (
            ("G1 X5 Y5 Z5 F2000\nG38.2", "G1 X5 Y5 Z3.5 F2000\nG0 Z3.6\nG38.2"),
            "collision",
            "stop",
            11,
            "closer than the margin",
        ),
    ],
)
def test_every_check_fails_once(change: tuple[str, str], name: str, severity: str, line: int, words: str) -> None:
    found = [f for f in checked(change) if f.check == name and f.severity == severity]
    assert any(f.line == line and words in f.what for f in found), found
    assert all(f.todo for f in found)


def test_lifts_in_machine_coordinates_and_the_next_tool_before_its_length_are_nothing() -> None:
    lift = ("G0 X40 Y0 Z40\nG1", "G0 G53 Z0\nG0 X40 Y0 Z40\nG1")
    own = ("M30", "G0 G53 Z-5\nT3 M6\nG0 X9 Y9\nG43 H3\nG0 Z50\nM30")
    assert {f.check for f in checked(lift, own, start=(0, 0, 40), lifts=["G0 G53 Z-5"])} & {
        "machine_coordinates",
        "length_offset",
    } == set()
    known = ("G0 X40 Y0 Z40\nG1", "G0 G53 Z-260\nG0 X40 Y0 Z40\nG1")
    found = checked(known, offsets={"G54": (0, 0, -290)})  # then the other checks follow it
    assert "machine_coordinates" not in {f.check for f in found}


def test_how_far_a_probing_move_may_go_beyond_its_target() -> None:
    # the balls' centres should be at Z3 and X33 at contact: both moves go 2 mm on
    assert names(checked(overtravel=2.0), "stop") == set()
    both = checked(overtravel=1.998).of("stop")
    assert [f.what for f in both] == [
        "a probing move travels 2.00 mm beyond its target (and in 1 more line, the last 18)"
    ]
    assert "1.998 mm" in both[0].todo


def test_no_probing_and_nothing_at_all() -> None:
    assert "no probing move" in str(check("G21 G0 X1\nM30").of("look"))
    assert "does nothing" in str(check("").of("stop"))
    assert "does nothing" in str(check("\n\n").of("stop"))


def test_a_collision_of_the_body_on_the_way_down_the_side_is_found() -> None:
    # at z = -40 the body (20 mm wide from 50 mm above the ball) stands beside the box: x = 40 - 20 < 30
    found = checked(("G1 X40 Y0 Z-6 F2000\n", "G1 X40 Y0 Z-6 F2000\nG1 X40 Y0 Z-60 F2000\nG1 X40 Y0 Z-6\n"))
    assert "the probe enters the model in a move at feed" in str(found.of("stop"))
    # without the probe's ball the touch can only be followed to its end
    assert names(checked(probe=None), "stop") == set()
    assert "enters the model in a probing move" in str(checked(probe=None, overtravel=0.5).of("stop"))


def test_what_was_not_checked_is_said() -> None:
    found = check(PROGRAM)
    assert {check.name for check in found.checks if check.skipped} == {
        "rapid_height",
        "travel",
        "collision",
        *OF_A_PLAN,
    }
    assert sum("not checked" in f.what for f in found.of("look")) == 3
    assert "no blocking problem and 3 points to review; 15 of the 45 checks could not be made" in found.sentence
    assert "has the shape" in str(check(PROGRAM, clear=lambda a, _b, _c: np.zeros(len(a) + 1)).of("look"))
    assert "clearance is not known" in str(checked(clear=lambda a, _b, _c: np.full(len(a), np.nan)).of("look"))


TABLE = Kinematics((RotaryAxis("A", "table", limits=(-120, 30)), RotaryAxis("C", "table")), travel=TRAVEL)


def test_rotary_axes_turn_lifted_alone_and_clear_of_the_model() -> None:
    turned = PROGRAM.replace("G0 X40 Y0 Z40\nG1", "G0 C90\nG0 C0\nG0 X40 Y0 Z40\nG1", 1)
    options = OPTIONS | {"kinematics": TABLE}
    assert check(turned, **options).of("stop") == ()
    low = check(turned.replace("G0 X5 Y5 Z40\nG0 C90", "G0 C90"), **options)
    assert "rotary axes turn with the probe at Z5, below Z30" in str(low.of("stop"))
    assert "move together" in str(check(turned.replace("G0 C90", "G0 X6 C90"), **options).of("stop"))
    assert "A-130 is outside" in str(check(turned.replace("G0 C90", "G0 A-130"), **options).of("stop"))
    # the box is turned up into the probe: at A -90 its front side swings to the top
    into = turned.replace("G0 C90", "G0 Z31\nG0 A-90").replace("G0 C0", "G0 A0")
    far = shapes.box(size=(60, 140, 20), centre=(0.0, 0.0, -10.0))
    swung = check(
        into, **(options | {"clear": lambda a, b, t: clearance_along(Obstacles(far), PROBE, a, b, t, enough=2.0)})
    )
    assert "in a rotary move" in str(swung.of("stop"))
    unknown = check(turned, **(OPTIONS | {"kinematics": Kinematics(travel=TRAVEL)}))
    assert "rotary axis that the kinematics does not have" in str(unknown.of("stop"))


def test_lines_under_block_delete_are_checked_both_ways() -> None:
    found = checked(("M5\n", "S100 M3\n/M5\n"))
    assert "block delete on" in str([f.what for f in found])
    assert "block delete on" not in str([f.what for f in checked()])


@pytest.mark.parametrize("case", CASES, ids=["3-axis", "table/table", "head"])
def test_the_text_of_a_plan_passes_alone_and_merged(case: tuple) -> None:
    kinematics, _route, moves = moves_on_balls(case, 10, 3)
    text = write(moves, "rs274", kinematics=kinematics, probe=balls.PROBE, whole=True)
    lifts = [move.height for move in moves if isinstance(move, Lift)]
    options = {"kinematics": kinematics, "probe": balls.PROBE, "clear": clear_of_balls, "turn_height": min(lifts)}
    found = check(text, **options)
    assert found.of("stop") == ()
    unproved = {"rotary_proved"} if kinematics.axes else set()  # several poses, and no place in two of them
    assert {f.check for f in found.of("look")} == {"travel", "length_offset"} | unproved  # tool 9 with H19
    milling = "G21 G90 G17 G94 G54\n(FACE)\nT1 M6\nG43 H1\nS900 M3\nG0 X0 Y0\nG0 Z150\nG1 Z140 F300\nG0 Z150\n(NEXT)\n"
    for more in ("G1 Z140\nM30\n", "T2 M6\nG43 H2\nG0 Z150\nM30\n", "M30\n"):
        merged = merge(milling + more, text, after="FACE", kinematics=kinematics, lift="G0 Z200")
        assert check(merged.text, **options).of("stop") == ()
        assert names(check(merged.text.replace("G43 H19", "", 1), **options), "stop") == {"length_offset"}
    # a bigger part than the plan knew of, and a probe that is longer than it was told
    grown = balls.BALLS + np.array([0, 0, 0, 4.5])
    assert "the probe enters the model" in str(
        check(text, **(options | {"clear": lambda a, b, t: clear_of_balls(a, b, t, grown)})).of("stop")
    )


def test_words_known_to_be_harmless() -> None:
    assert "M123" in str(list(checked(("G54", "G54 M123"))))
    assert "M123" not in str([f.what for f in checked(("G54", "G54 M123"), known=("M123",))])


def test_a_dialect_with_another_word_for_touching() -> None:
    text = PROGRAM.replace("G38.2", "G901")
    found = check(text, **OPTIONS)
    assert names(found, "stop") == {"unknown_words", "modes", "records"}
    empty = [f.what for f in found if f.check == "records"]
    assert empty == ["a touch is recorded without a probing move before it (and in 1 more line, the last 19)"]
    assert check(text, **OPTIONS, aliases={"G901": "G38.2"}).of("stop") == ()
    fast = check(text.replace("F100", "F900"), **OPTIONS, aliases={"G901": "G38.2"})
    assert names(fast, "stop") == {"touch_feed"}


def test_the_same_finding_is_said_once() -> None:
    found = [f for f in checked(("G43 H9", "G43 H9 M3")) if f.check == "spindle"]
    assert len(found) == 1
    assert "more lines, the last" in found[0].what


def test_the_table_and_the_notebook_view() -> None:
    found = checked(("M9", "M8"), ("(PROBEKIT RECORD 1 top 5 5 0 0 0 1)", "G1 X<b> (<script>)"))
    assert isinstance(found.table, pd.DataFrame)
    assert len(found.table) == len(found) == len(list(found))
    assert list(found.table.columns) == ["line", "severity", "what", "todo", "check"]
    order = ["stop", "look", "note"]
    assert found.table["severity"].map(order.index).is_monotonic_increasing
    html = found._repr_html_()
    assert "X<B>" not in html
    assert "X&lt;B&gt;" in html
    assert "blocking problem" in html
    by_name = {c.name: found.result(c) for c in found.checks}
    assert (by_name["coolant"], by_name["spindle"]) == ("stop", "nothing found")
    clean = check(PROGRAM)
    assert {clean.result(c) for c in clean.checks} == {"nothing found", "not made", "note"}


def test_limits_must_make_sense_and_encodings_are_noted() -> None:
    for name in ("margin", "touch_feed", "positioning_feed", "overtravel", "near"):
        with pytest.raises(InputError, match=name):
            check(PROGRAM, **{name: -1.0})
    assert "Latin-1" in str(check(PROGRAM.replace("G54", "G54 (\xb5)").encode("latin-1")).of("note"))


def test_a_merged_program_passes_where_its_parts_do() -> None:
    head = "%\nG21 G90 G94 G17 G54\n(FACE)\nT1 M6\nG43 H1\nS900 M3\nG0 X0 Y0\nG0 Z50\nM8\n"
    milling = head + "G1 Z1 F300\nG0 Z50\nM5 M9\nM30\n%\n"
    merged = merge(milling, PROGRAM, after="FACE", lift="G0 Z45")
    options = OPTIONS | {"lifts": ("G0 Z45",)}
    assert check(merged.text, **options).of("stop") == ()
    hot = check(merged.text.replace("M9\nT9 M6\nG43 H9", "M9\nT9 M6\nM3\nG43 H9"), **options)
    assert names(hot, "stop") == {"spindle"}


def test_moves_at_feed_keep_the_margin_too() -> None:
    """A plane at Z 10 and a ball of radius 3: an approach that ends 0.06 mm above it at 2000 mm/min is no approach."""
    head = "G21 G90 G94 G17 G61 G54\nT9 M6\nG43 H9\nG0 X0 Y0 Z50\n"
    touch = "G38.2 Z12 F50\n(PROBEKIT RECORD 1 top 0 0 10 0 0 1)\nG1 Z15 F2000\nG0 Z50\nM30\n"
    options = {"tool": 9, "probe": Probe(6.0, 4.0, 50.0), "margin": 0.3, "overtravel": 1.5}
    options["clear"] = lambda start, end, _: np.minimum(start[:, 2], end[:, 2]) - 13.0

    def near(height: float) -> list[str]:
        found = check(f"{head}G1 Z{height} F2000\n{touch}", **options).of("stop")
        return [f.what for f in found if f.check == "collision"]

    assert near(15.0) == []
    assert near(13.06) == ["the probe comes closer than the margin 0.3 mm to the model in a move at feed"]
