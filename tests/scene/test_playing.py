"""The way of the whole probe, for the player: against the motions of the view, the moves, and closed forms of time."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scene import planned

from probekit import program
from probekit.plan.access.poses import pose_frame
from probekit.program.deciding.decisions import Continue, Decide
from probekit.program.deciding.expressions import Deviation, Operation, Value
from probekit.program.moves import Approach, Index, Lift, SafeStop, Touch
from probekit.program.timing import time_of
from probekit.program.writing.compose import Touching
from probekit.scene.playing import KINDS, played_all


@pytest.fixture(scope="module")
def given():
    return planned.planned()


@pytest.fixture(scope="module")
def moves(given):
    return program.moves_of(given["route"], given["probe"], given["kinematics"], tool=9)


def ways(given, steps):
    scene = planned.planned_scene()
    rows = {int(touch): row for row, touch in enumerate(scene.touches["touch"])}
    return scene, played_all(steps, given["kinematics"], given["probe"], given["route"].pace, rows)


def test_at_each_touch_the_probe_stands_as_the_view_draws_it(given, moves) -> None:
    scene, (play,) = ways(given, moves)
    motions = next(one.motions for one in scene.solids if one.motions is not None)
    seen = []
    for at in np.flatnonzero(play.kind == KINDS.index("touches")):
        row = play.row[at]
        seen.append(row)
        assert play.place[at] == pytest.approx(motions[row, :3, 3], abs=1e-9)
        assert play.frames[play.frame[at]] == pytest.approx(motions[row, :3, :3], abs=1e-7)
    assert seen == list(range(len(given["route"].targets)))


def test_the_time_is_that_of_the_player_with_the_slow_last_millimetres(given, moves) -> None:
    """Slower by near (1 / near_feed - 1 / positioning) each touch, by the definition of speed."""
    pace, near, feed = given["route"].pace, 3.0, 400.0
    options = (given["route"], given["probe"], given["kinematics"])
    slow = program.moves_of(*options, tool=9, touching=Touching(near_feed=feed, near=near))
    before, after = (time_of(one, *options[1:][::-1], pace) for one in (moves, slow))
    for steps, time in ((moves, before), (slow, after)):
        assert time.total == pytest.approx(ways(given, steps)[1][0].seconds[-1])
    slowed = sum(isinstance(one, Approach) for one in slow) - sum(isinstance(one, Approach) for one in moves)
    assert slowed == len(given["route"].targets)
    assert after.total - before.total == pytest.approx(slowed * near * 60.0 * (1 / feed - 1 / pace.positioning))
    assert (after.touching, after.rapid) == pytest.approx((before.touching, before.rapid))


def test_every_place_is_one_that_the_text_goes_to(given, moves) -> None:
    """The text in RS274/NGC, run by the interpreter; without a trigger it goes on to the end of the overtravel."""
    _, (play,) = ways(given, moves)
    kinematics, length = given["kinematics"], given["probe"].tool_length
    text = program.write(moves, "rs274", kinematics=kinematics, probe=given["probe"], whole=True)
    after, row = [], 0
    for step in program.run(text, kinematics=kinematics):
        end = np.array(step.end)
        if step.kind == "probe":
            target = given["route"].targets.iloc[row]
            end += (np.array(step.start) - end) * target["overtravel"] / (target["standoff"] + target["overtravel"])
            row += 1
        if step.kind in ("rapid", "feed", "probe", "index") and np.isfinite(end).all():
            place = kinematics.to_part(end, step.angles_end, length=length)
            after.append((place, pose_frame(kinematics, step.angles_end)))
    turning = play.kind == KINDS.index("turns")
    shown = [k for k in range(len(play.kind)) if not (turning[k] and turning[k + 1 : k + 2].any())]
    assert row == len(given["route"].targets)
    assert len(shown) > 3 * row
    rest = iter(after)
    for at in shown:  # in this order; the text may say a place twice
        frame = play.frames[play.frame[at]]
        assert any(
            np.abs(place - play.place[at]).max() < 2e-4 and np.abs(turn - frame).max() < 1e-6 for place, turn in rest
        ), (at, KINDS[play.kind[at]], play.place[at])


def test_times_are_ways_over_feeds(given, moves) -> None:
    """A probing move takes its length at its feed; a turn takes the axis' angle at its speed and the fixed time."""
    _, (play,) = ways(given, moves)
    pace = given["route"].pace
    at = np.flatnonzero(play.kind == KINDS.index("touches"))
    length = np.linalg.norm(play.place[at] - play.place[at - 1], axis=1)
    assert length == pytest.approx(given["route"].targets["standoff"].to_numpy(float), abs=1e-9)
    assert play.seconds[at] - play.seconds[at - 1] == pytest.approx(length * 60.0 / pace.touch)
    turns = [move.angles for move in moves if isinstance(move, Index)]
    angles = [max(abs(a - b) for a, b in zip(*pair, strict=True)) for pair in itertools.pairwise(turns)]
    spent = sum(pace.per_index + angle / pace.rotary for angle in angles if angle)
    turning = play.kind[1:] == KINDS.index("turns")
    assert np.diff(play.seconds)[turning].sum() == pytest.approx(spent)
    assert (np.diff(play.seconds) >= 0).all()


def test_while_the_axes_turn_the_machine_stands_still(given, moves) -> None:
    _, (play,) = ways(given, moves)
    kinematics, length = given["kinematics"], given["probe"].tool_length
    high = next(move.height for move in moves if isinstance(move, Lift))
    after = np.flatnonzero(play.kind == KINDS.index("turns"))
    ends = [one for one in after if one + 1 not in after]
    turns = [move.angles for move in moves if isinstance(move, Index)][1:]
    for at, angles in zip(ends, turns, strict=True):
        assert kinematics.to_program(play.place[at], angles, length=length)[2] >= high - 1e-6


def test_every_end_of_a_program_that_decides_can_be_chosen(given, moves) -> None:
    end = max(k for k, move in enumerate(moves) if isinstance(move, Lift))
    last = next(move.touch for move in reversed(moves) if isinstance(move, Touch))
    good = Operation("<=", (Deviation(last), Value(0.1, "mm")))
    steps = [*moves[: end + 1], Decide(good, (Continue(),), (SafeStop("TOO FAR"),)), *moves[end + 1 :]]
    _, plays = ways(given, steps)
    assert [one.name for one in plays] == ["as planned, to its end", "stops: TOO FAR"]
    longer, shorter = (one.seconds[-1] for one in plays)
    assert longer > shorter  # the axes turn back only where it goes on
