"""A star's tips in moves and in text: which touches, where its ball goes, and what is refused."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from balls import CASES, Standing, clear_everywhere, targets_on_balls
from undercut import planned

from probekit.errors import InputError
from probekit.plan import Probe, Tip, order
from probekit.program import check, example_dialect, moves_of, read_dialect, run, table_of, write
from probekit.program.moves import Orient, Record, SelectTip, StopIf, Touch
from probekit.program.writing.sound import check_moves

STAR = Probe(4.0, 2.0, 30.0, hub=12.0, name="star", orientation="by hand",
             tips=(Tip(3.0, 2.0, 20.0, (0.8, 0.0, 0.6), name="side tip"), Tip(5.0, 2.0, 15.0, (0, -1, 0))))  # fmt: skip


def star_moves(case, n=12, **changes):
    """Route and moves over balls, every third target touched with each tip."""
    kinematics, poses = case
    targets = targets_on_balls(n, np.random.default_rng(1), kinematics, poses)
    targets = targets.assign(reachable=True, tip=np.arange(n) % 3, **changes)
    route = order(targets, STAR, kinematics, poses, obstacles=Standing(clear_everywhere), margin=1.0)
    return route, moves_of(route, STAR, kinematics, tool=9, limits=(-0.05, 0.08))


def test_a_tip_is_selected_before_its_first_touch_and_not_again():
    route, moves = star_moves(CASES[1])
    selected, taken = 0, []
    for move in moves:
        if isinstance(move, SelectTip):
            assert move.tip != selected
            selected = move.tip
        elif isinstance(move, Touch):
            assert move.tip == selected
            taken.append(move.tip)
    assert taken == route.targets["tip"].tolist()
    table = table_of(moves)
    words = table["words"][table["move"] == "Record"]
    assert ["tip 1" in one for one in words] == (route.targets["tip"] == 1).tolist()


def test_moves_with_a_tip_that_is_not_selected_are_refused():
    _, moves = star_moves(CASES[0])
    with pytest.raises(InputError, match=r"is for tip [12], but tip 0 is selected"):
        check_moves([move for move in moves if not isinstance(move, SelectTip)], CASES[0][0])
    with pytest.raises(InputError, match="a record does not follow its touch"):
        check_moves([replace(move, tip=2) if isinstance(move, Record) else move for move in moves], CASES[0][0])


@pytest.mark.filterwarnings("ignore:the dialect")
def example(folder):
    """The example dialect, filled in with an invented word."""
    file = folder / "ours.toml"
    file.write_text(example_dialect().replace("<FILL IN>", "G901"), "utf-8")
    return read_dialect(file)


@pytest.mark.parametrize("name", ["rs274", "the example"])
def test_record_lines_tell_the_tip_and_only_of_side_tips(name, tmp_path):
    name = name if name == "rs274" else example(tmp_path)
    route, moves = star_moves(CASES[1])
    text = write(moves, name, kinematics=CASES[1][0], probe=STAR)
    lines = [line for line in text.splitlines() if re.match(r"(N\d+ )?\((PROBEKIT RECORD|TOUCH) ", line)]
    told = [re.search(r" TIP (\d)\b", line) for line in lines]
    assert [int(found[1]) if found else 0 for found in told] == route.targets["tip"].tolist()
    assert [line for line in text.splitlines() if re.fullmatch(r"\(TIP 1 side.tip\)", line, re.I)]


def test_the_tips_are_read_back_from_the_text():
    route, _, text, _ = planned("three axes")
    records = [step.detail for step in run(text) if step.kind == "record"]
    assert [(one.touch, one.tip) for one in records] == route.targets[["touch", "tip"]].apply(tuple, axis=1).tolist()
    wrong = "G21\n(PROBEKIT RECORD 1 f 0 0 0 0 0 1 TIP)\n(PROBEKIT RECORD 1 f 0 0 0 0 0 1 TIP -1)\nM2\n"
    assert [step.kind for step in run(wrong)].count("unknown") == 2


def test_a_dialect_that_does_not_tell_the_tip_is_refused():
    _, moves = star_moves(CASES[0])
    own = read_dialect("rs274")
    lines = tuple(line.replace("{side_tip}", "") for line in own.moves["record"])
    mute = replace(own, moves={**own.moves, "record": lines})
    with pytest.raises(InputError, match=r"moves.record.*do not state the tip.*touch \d+ with"):
        write(moves, mute, kinematics=CASES[0][0], probe=STAR)
    with pytest.raises(InputError, match="no such tip"):
        write(moves, own, kinematics=CASES[0][0], probe=replace(STAR, tips=STAR.tips[:1]))


def test_a_conditional_stop_reckons_from_where_the_reference_ball_triggers(tmp_path):
    """Without turned axes: the surface 0.03 mm outside must give 0.03 by the formula of the example dialect."""
    route, moves = star_moves(CASES[0], critical=True)
    own = example(tmp_path)
    line = "STOP {touch} R{radius}"
    text = write(
        moves, replace(own, moves={**own.moves, "stop_if": (line,)}, omit={}), kinematics=CASES[0][0], probe=STAR
    )
    radius = {int(touch): float(r) for touch, r in re.findall(r"STOP (\d+) R(\S+)", text)}
    places = {0: [0, 0, 0], 1: [16.0, 0, 24.0], 2: [0, -15.0, 12.0]}
    for stop in (move for move in moves if isinstance(move, StopIf)):
        n, ball = np.array(stop.normal), {0: 2.0, 1: 1.5, 2: 2.5}[stop.tip]
        trigger = np.array(stop.target) + (ball + 0.03) * n - places[stop.tip]
        assert (trigger - stop.target) @ n - radius[stop.touch] == pytest.approx(0.03, abs=1e-4)
    assert len(radius) == len(route.targets)


@pytest.mark.filterwarnings("ignore:the dialect dmis omitted")
@pytest.mark.parametrize("case", [CASES[0], CASES[2]])
def test_dmis_selects_a_sensor_per_tip_and_moves_its_ball(case):
    kinematics, _ = case
    route, moves = star_moves(case)
    rows = iter(zip(route.targets.to_dict("records"), route.targets["direction"], strict=True))
    sensor, at, standoff = "", None, None
    for line in write(moves, "dmis", kinematics=kinematics, probe=STAR).splitlines():
        if found := re.fullmatch(r"SNSLCT/SA\((\w+)\)", line):
            sensor = found[1]
        elif line.startswith("GOTO/CART,"):
            at = np.array([float(c) for c in line.split(",")[1:]])
        elif line.startswith("SNSET/APPRCH,"):
            standoff = float(line.split(",")[1])
        elif line.startswith("MEAS/POINT"):
            row, direction = next(rows)
            pose = f"B{route.poses[direction][0]:g}".replace("-", "_") if kinematics.axes else "star"
            assert sensor == pose + (f"_TIP_{row['tip']}" if row["tip"] else "")
            away = (2.0, 1.5, 2.5)[row["tip"]] + 4.0
            start = [row[p] + away * row[n] for p, n in (("x0", "i"), ("y0", "j"), ("z0", "k"))]
            np.testing.assert_allclose(at, start, atol=1e-4)
            assert standoff == 4.0
    assert next(rows, None) is None


def test_side_tips_need_an_oriented_spindle():
    """After a tool change the spindle stands anywhere: M6 does not say at which angle (NISTIR 6556, from memory)."""
    kinematics = CASES[0][0]
    route, moves = star_moves(CASES[0])
    rs274, own = read_dialect("rs274"), read_dialect("rs274")
    own = replace(own, moves={**own.moves, "orient": ("M19 R{angle}",)}, omit={"stop_if": "no flow"})

    def text(orientation, dialect, moved=()):
        probe = replace(STAR, orientation=orientation)
        return write(moved or moves_of(route, probe, kinematics, tool=9), dialect, kinematics=kinematics, probe=probe)

    with pytest.raises(InputError, match=r"touch \d+ is made with .*tip.*the spindle is not oriented.*by hand"):
        text(None, rs274)
    with pytest.raises(InputError, match=r"rs274 cannot orient the spindle.*by hand"):
        text(90.0, rs274)
    lines = text("by hand", rs274).splitlines()
    at = lines.index("(PROBEKIT ORIENT BY HAND)")
    assert lines[at + 1 : at + 3] == ["(MSG,TURN SPINDLE, TIP 2 TO Y MINUS)", "M0"]
    assert lines.index("T9 M6") < at < next(k for k, line in enumerate(lines) if "G38.2" in line)
    spelled = text(90.0, own).splitlines()
    assert spelled.index("T9 M6") < spelled.index("M19 R90.") < next(k for k, a in enumerate(spelled) if "G38.2" in a)
    straight = [move for move in moves if not isinstance(move, Orient)]
    with pytest.raises(InputError, match="the spindle is not oriented"):
        text("by hand", rs274, straight)
    assert [move for move in moves if isinstance(move, Orient)] == [Orient(None, "TURN SPINDLE, TIP 2 TO Y MINUS")]
    for wrong in ("by foot", math.nan, True):
        with pytest.raises(InputError, match="the orientation of the spindle is not usable"):
            replace(STAR, orientation=wrong)


@pytest.mark.parametrize("orientation", ["by hand", 90.0])
def test_a_touch_with_a_side_tip_and_no_orientation_since_the_tool_change_is_a_stop(orientation):
    kinematics, probe = CASES[0][0], replace(STAR, orientation=orientation)
    route, _ = star_moves(CASES[0])
    own = read_dialect("rs274")
    own = replace(own, moves={**own.moves, "orient": ("M19 R{angle}",)}, omit={"stop_if": "no flow"})
    text = write(moves_of(route, probe, kinematics, tool=9), own, kinematics=kinematics, probe=probe, whole=True)

    def stops(changed):
        return [f for f in check(changed, tool=9, probe=probe).of("stop") if f.check in ("orientation", "modes")]

    assert stops(text) == []
    word = "M19 R90." if orientation == 90.0 else "\nM0"
    assert "nothing has oriented the spindle" in stops(text.replace(word, "", 1))[0].what
    assert stops(text.replace("G4 P", "T9 M6\nG43 H9\nG4 P", 1)), "another tool change: the spindle is anywhere again"
    assert stops(text.replace("G4 P", "M5\nG4 P", 1)), "and M5 lets it go"


def test_where_only_the_straight_tip_of_a_star_touches_its_side_tips_are_oriented_too():
    """Its clearances hold with the side tips where they are described; a spindle after M6 stands anywhere."""
    kinematics, (route, _) = CASES[0][0], star_moves(CASES[0])
    route = replace(route, targets=route.targets.assign(tip=0))
    moves = moves_of(route, STAR, kinematics, tool=9)
    text = write(moves, "rs274", kinematics=kinematics, probe=STAR)
    assert "(PROBEKIT ORIENT BY HAND)" in text
    unsaid = replace(STAR, orientation=None)
    with pytest.raises(
        InputError,
        match=r"touch \d+ is made with straight tip of a probe with side tips, but the spindle is not oriented",
    ):
        write(moves_of(route, unsaid, kinematics, tool=9), "rs274", kinematics=kinematics, probe=unsaid)
    found = check(text.replace("\nM0", "", 1), tool=9, probe=STAR)
    assert "nothing has oriented the spindle" in next(f for f in found.of("stop") if f.check == "orientation").what
    assert "orientation" not in {f.check for f in check(text, tool=9, probe=STAR).of("stop")}
