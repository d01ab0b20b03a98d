"""Moves of a route: complete, in order; and moves that could do harm are refused."""

import dataclasses

import numpy as np
import pytest
from balls import CASES, PROBE, moves_on_balls, route_on_balls

from probekit.errors import InputError
from probekit.plan.kinematics import Kinematics
from probekit.program.moves import (
    Approach,
    Away,
    Comment,
    Index,
    Lift,
    Link,
    Record,
    Retract,
    SpindleStop,
    StopIf,
    ToolChange,
    Touch,
    WarmUp,
)
from probekit.program.writing.compose import moves_of, table_of
from probekit.program.writing.sound import check_moves


@pytest.mark.parametrize("case", CASES)
def test_every_touch_is_approached_made_recorded_and_left(case):
    kinematics, route, moves = moves_on_balls(case, 20, 1)
    assert [type(move) for move in moves[:4]] == [SpindleStop, Away, ToolChange, WarmUp]
    assert isinstance(moves[-2] if kinematics.axes else moves[-1], Lift)
    at = [k for k, move in enumerate(moves) if isinstance(move, Touch)]
    assert [moves[k].touch for k in at] == route.targets["touch"].tolist()
    for k in at:
        assert [type(move) for move in moves[k - 1 : k + 3]] == [Approach, Touch, Record, Retract]
        assert moves[k - 1].to == moves[k + 2].to
    for k, move in enumerate(moves):
        if isinstance(move, Index):
            assert isinstance(moves[k - 1], (Lift, WarmUp))  # lifted, or still where tools are changed
    indexes = [move.angles for move in moves if isinstance(move, Index)]
    assert len(indexes) == (route.indexed.sum() + 1 if kinematics.axes else 0)
    assert indexes[-1:] == [(0.0,) * len(kinematics.axes)] * bool(kinematics.axes)


def test_only_critical_touches_may_stop_the_program():
    kinematics, route = route_on_balls(CASES[0], 12, 4)
    route.targets["critical"] = route.targets["touch"] % 2 == 0
    stops = [m for m in moves_of(route, PROBE, kinematics, tool=1, limits=(-0.1, 0.2)) if isinstance(m, StopIf)]
    assert [stop.touch for stop in stops] == route.targets["touch"][route.targets["critical"]].tolist()
    assert {(stop.lower, stop.upper, stop.radius) for stop in stops} == {(-0.1, 0.2, PROBE.radius)}
    route.targets["critical"] = route.targets["critical"].astype(object).where(route.targets["critical"], np.nan)
    again = [m for m in moves_of(route, PROBE, kinematics, tool=1, limits=(-0.1, 0.2)) if isinstance(m, StopIf)]
    assert again == stops


def test_the_table_has_a_row_per_move():
    _, route, moves = moves_on_balls(CASES[1], 8, 4)
    table = table_of(moves)
    assert table["move"].tolist() == [type(move).__name__ for move in moves]
    touched = table[table["move"] == "Touch"]
    assert touched["touch"].tolist() == route.targets["touch"].tolist()
    expected = [move.to for move in moves if isinstance(move, Touch)]
    np.testing.assert_array_equal(touched[["x", "y", "z"]].to_numpy(float), expected)
    assert "height" in table.loc[table["move"] == "Lift", "words"].iloc[0]


def test_a_route_without_touches_is_refused():
    kinematics, route = route_on_balls(CASES[0], 3, 4, reachable=False, direction=-1)
    assert len(route.left_out) == 3
    with pytest.raises(InputError, match="no touch"):
        moves_of(route, PROBE, kinematics, tool=1)


def test_limits_must_increase():
    kinematics, route = route_on_balls(CASES[0], 3, 4)
    with pytest.raises(InputError, match="do not increase"):
        moves_of(route, PROBE, kinematics, tool=1, limits=(0.1, -0.1))


UP, AT, TARGET, NORMAL = (0.0, 0.0, 9.0), (0.0, 0.0, 6.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1.0)
TOUCH = Touch(1, "a", TARGET, NORMAL, (0.0, 0.0, -1.0), 100.0)
GOOD = [
    *(SpindleStop(), Lift(50.0), ToolChange(9, 9), Lift(50.0), Index((10.0, 20.0)), Link(UP), Approach(AT, 2000.0)),
    *(
        TOUCH,
        Record(1, "a", TARGET, NORMAL),
        Retract(AT, 2000.0),
        StopIf(1, TARGET, NORMAL, 2.0, -0.1, 0.1),
        Lift(50.0),
    ),
]


def without(kind):
    return [move for move in GOOD if not isinstance(move, kind)]


def changed(kind, **values):
    return [dataclasses.replace(move, **values) if isinstance(move, kind) else move for move in GOOD]


def test_the_good_moves_pass():
    check_moves(GOOD, CASES[1][0])


@pytest.mark.parametrize(
    ("moves", "message"),
    [
        (without(SpindleStop), "spindle is not stopped"),
        (without(ToolChange), "before it is loaded"),
        (without(Lift), "without a lift"),
        (without(Index), "angles of the rotary axes are not known"),
        (without(Approach), "does not follow its approach"),
        (without(Record), "is not recorded"),
        (without(Touch), "does not follow its touch"),
        (GOOD[:8], "is not recorded"),
        ([*GOOD[:7], Link(UP), *GOOD[7:]], "does not follow its approach"),
        (GOOD[:-1] + GOOD[6:-2], "made twice"),
        (changed(StopIf, touch=2), "last recorded"),
        (changed(Record, target=UP), "does not follow its touch"),
        (changed(Touch, feed=3000.0), "faster than its approach"),
        (changed(Touch, feed=0.0), "no feed"),
        (changed(Touch, to=(0.0, np.nan, 0.0)), "not finite"),
        (changed(Lift, height=np.inf), "not finite"),
        (changed(Index, angles=(10.0,)), "one angle"),
        (changed(Index, angles=(125.0, 0.0)), "outside the limits"),
        (changed(ToolChange, tool=-1), "negative number"),
    ],
)
def test_moves_that_could_do_harm_are_refused(moves, message):
    with pytest.raises(InputError, match=message):
        check_moves(moves, CASES[1][0])


def test_a_turn_of_no_axis_is_refused():
    upright = [move for move in GOOD if not isinstance(move, Index)]
    check_moves(upright, Kinematics())
    with pytest.raises(InputError, match="no rotary axis to turn"):
        check_moves([*upright[:4], Index(()), *upright[4:]], Kinematics())


def test_words_may_stand_between_approach_and_touch():
    check_moves([*GOOD[:7], Comment("look"), *GOOD[7:]], CASES[1][0])
    with pytest.raises(InputError, match="one angle"):
        check_moves(GOOD, Kinematics())
