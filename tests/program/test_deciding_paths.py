"""What must hold on every path of a program that decides: each slip in the data is refused, by what it would do."""

from __future__ import annotations

import dataclasses
import math
import sys

import pytest

from probekit.errors import InputError
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.program.deciding.decisions import (
    Continue,
    Decide,
    Entered,
    Recut,
    Reprobe,
    ShiftOffset,
    UseOffset,
    linear,
)
from probekit.program.deciding.expressions import Deviation, Let, Name, Operation, Value
from probekit.program.deciding.outcome import outcome
from probekit.program.deciding.paths import check_paths, paths_of, straight
from probekit.program.moves import (
    Approach,
    Away,
    Index,
    Lift,
    Link,
    Message,
    Record,
    Retract,
    SafeStop,
    SpindleStop,
    ToolChange,
    Touch,
)

UP, LIFT = (0.0, 0.0, 1.0), Lift(50.0)
HEAD = (SpindleStop(), Away(), ToolChange(9, 9))
MM = Value(0.5, "mm")
FAR = Operation(">", (Operation("abs", (Name("dz"),)), MM))
STOP = SafeStop("FAR OFF")
HELD = Decide(Operation("<=", (Operation("abs", (Name("dz"),)), MM)), (Continue(),), (STOP,))
GONE, RECUT = Operation("<=", (Name("dz"), Value(0.1, "mm"))), Recut("FINISH", "dz", 0.5, "G59", "G54")
SHIFT = ShiftOffset("G55", "G54", ("dz",), (UP,))
FLAT = Kinematics()
TABLE = Kinematics((RotaryAxis("C", "table"),))


def touch(number: int, x: float = 0.0) -> tuple:
    at = (x, 0.0, 5.0)
    return (
        Link((x, 0.0, 20.0)),
        Approach(at, 500.0),
        Touch(number, "top", (x, 0.0, 0.0), UP, (x, 0.0, 2.0), 100.0),
        Record(number, "top", (x, 0.0, 0.0), UP),
        Retract(at, 500.0),
    )


DZ = Let("dz", Deviation(1))
GOOD = (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, (STOP,)), SHIFT, *touch(2, 5.0), LIFT, UseOffset("G54"))


def test_a_sound_program_has_its_paths():
    check_paths(GOOD, FLAT)
    assert len(list(paths_of(GOOD))) == 2
    assert [type(one).__name__ for one in straight(GOOD)].count("Touch") == 2
    assert [type(one).__name__ for one in straight(GOOD, keep=True)].count("ShiftOffset") == 1


def test_a_long_program_has_its_paths_too():
    """More moves than Python calls within one another, on both sides of a branch and within it."""
    many = tuple(Message(str(number)) for number in range(3 * sys.getrecursionlimit()))
    good = Decide(FAR, (*many, STOP), many)
    stopped, through = paths_of((*many, good, *many))
    assert stopped == (*many, *many, STOP)
    assert through == 3 * many
    assert len(list(paths_of([Decide(FAR, (STOP,))] * 255))) == 256


@pytest.mark.parametrize(
    ("deviation", "stopped", "touches"), [(0.2, "", [1, 2]), (0.6, "FAR OFF", [1]), (-0.6, "FAR OFF", [1])]
)
def test_what_it_comes_to(deviation, stopped, touches):
    found = outcome(GOOD, lambda number, _time: deviation if number == 1 else 0.0)
    assert (found.stopped, found.touches) == (stopped, touches)
    assert stopped or found.shifts[0] == ("G55", (), (0.0, 0.0, pytest.approx(deviation)))


def test_a_repeat_is_made_as_often_as_it_may_and_no_more():
    again = Reprobe((*touch(1), LIFT), Operation("<", (Operation("abs", (Deviation(1),)), MM)), 2)
    assert outcome((*HEAD, again), lambda _number, _time: 1.0).touches == [1, 1, 1]
    assert outcome((*HEAD, again), lambda _number, time: 1.0 - time).touches == [1, 1]
    assert outcome((*HEAD, again), lambda _number, _time: 0.0).touches == [1]


SLIPS = {
    "a name used before it is set": (
        (*HEAD, *touch(1), LIFT, Decide(FAR, (STOP,)), DZ),
        "'dz' is used before it is set",
    ),
    "a name set twice": ((*HEAD, *touch(1), LIFT, DZ, DZ), "'dz' is set twice"),
    "a name set in one branch only": (
        (*HEAD, *touch(1), LIFT, Decide(Operation("<", (Deviation(1), MM)), (DZ,)), SHIFT),
        "'dz' is used before it is set",
    ),
    "a name used with another unit": (
        (*HEAD, *touch(1), LIFT, DZ, Let("a", Operation("+", (Name("dz", "degree"), Value(1.0, "degree"))))),
        "used as degree",
    ),
    "a condition that is named": (
        (*HEAD, *touch(1), LIFT, Let("far", Operation("<", (Deviation(1), MM)))),
        "a condition",
    ),
    "a deviation before its touch": ((*HEAD, LIFT, DZ, *touch(1), LIFT), "deviation of touch 1 is used before it is"),
    "a touch made twice on one path": ((*HEAD, *touch(1), *touch(1), LIFT), "touch 1 is made twice"),
    "something after a safe stop": ((*HEAD, LIFT, STOP, *touch(1)), "something follows a safe stop"),
    "a branch that goes on after its stop": (
        (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, (STOP, Message("ON")))),
        "something follows a safe stop",
    ),
    "a safe stop that is not lifted": ((*HEAD, *touch(1), DZ, Decide(FAR, (STOP,)), LIFT), "the probe is not lifted"),
    "both branches end": (
        (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, (STOP,), (STOP,)), Message("ON")),
        "both branches of a decision end",
    ),
    "branches in different work offsets": (
        (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, (Continue(),), (SHIFT,)), *touch(2)),
        "come out differently: offset is",
    ),
    "a branch that comes out low": (
        (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, touch(2), touch(3)), LIFT),
        "does not come out lifted",
    ),
    "one branch low, the other not": (
        (*HEAD, *touch(1), LIFT, DZ, Decide(FAR, touch(2)), LIFT),
        "come out differently: high",
    ),
    "a shift that is not lifted": ((*HEAD, *touch(1), DZ, SHIFT, LIFT), "ShiftOffset: the probe is not lifted"),
    "a shift of a copy": (
        (*HEAD, *touch(1), LIFT, DZ, SHIFT, dataclasses.replace(SHIFT, to="G56"), LIFT),
        "a shift of G54 in G55",
    ),
    "a repeat that comes back low": (
        (*HEAD, Reprobe(touch(1), Operation("<", (Deviation(1), MM)), 1), LIFT),
        "a repeat does not come back lifted",
    ),
    "a repeat that begins low": (
        (*HEAD, *touch(2), Reprobe((*touch(1), LIFT), Operation("<", (Deviation(1), MM)), 1)),
        "a repeat does not begin lifted",
    ),
    "a repeat that ends the program": (
        (*HEAD, Reprobe((LIFT, STOP), Operation("<", (MM, MM)), 1)),
        "what is repeated ends the program",
    ),
    "an operation cut again twice": (
        (*HEAD, *touch(1), LIFT, DZ, HELD, RECUT, *HEAD, RECUT),
        "cut again more than once",
    ),
    "cut again in what is repeated": (
        (*HEAD, Reprobe((*touch(1), LIFT, DZ, HELD, RECUT, *HEAD), GONE, 1)),
        "cut again more than once",
    ),
    "cut again before each of two repeats": (
        (*HEAD, Reprobe((*touch(1), LIFT, DZ, HELD), GONE, 2, (RECUT, *HEAD))),
        "cut again more than once",
    ),
    "cut again by anything": ((*HEAD, *touch(1), LIFT, DZ, RECUT), "nothing before it holds that to 0.5 mm"),
    "cut again beyond what is held": (
        (*HEAD, *touch(1), LIFT, DZ, HELD, dataclasses.replace(RECUT, limit=0.4)),
        "nothing before it holds that to 0.4 mm",
    ),
    "the probe moves after the cut": (
        (*HEAD, *touch(1), LIFT, DZ, HELD, RECUT, LIFT, *touch(2)),
        "before it is loaded",
    ),
    "the probe not put in again between": (
        (*HEAD, Reprobe((*touch(1), LIFT, DZ, HELD), GONE, 1, (RECUT,))),
        "before it is loaded",
    ),
    "another work offset after the cut": (
        (*HEAD, Reprobe((*touch(1), LIFT, DZ, HELD), GONE, 1, (RECUT, *HEAD, UseOffset("G55")))),
        "does not come back: offset",
    ),
    "cut again without a limit": ((*HEAD, *touch(1), LIFT, DZ, Recut("FINISH", "dz", 0.0)), "has no limit"),
    "cut again by what is not set": ((*HEAD, *touch(1), LIFT, Recut("FINISH", "dz", 0.1)), "used before it is set"),
}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_refused(name):
    steps, said = SLIPS[name]
    with pytest.raises(InputError, match=said):
        check_paths(steps, FLAT)


def test_an_operation_is_cut_again_once_and_touched_again():
    steps = (*HEAD, Reprobe((*touch(1), LIFT, DZ, HELD), GONE, 1, (RECUT, *HEAD)))
    check_paths(steps, FLAT)
    with pytest.raises(InputError, match="on a machine with rotary axes"):
        check_paths((*HEAD, Index((0.0,)), *touch(1), LIFT, DZ, HELD, RECUT), TABLE)
    for first, second, touches, recuts in ((0.0, 0.0, 1, 0), (0.3, 0.0, 2, 1), (0.3, 0.3, 2, 1), (0.6, 0.0, 1, 0)):
        found = outcome(steps, lambda _number, time, pair=(first, second): pair[time])
        assert (len(found.touches), len(found.recuts)) == (touches, recuts)
        assert found.recuts == ([("FINISH", 0.3)] if recuts else [])
        assert bool(found.stopped) == (first > 0.5)


def test_a_shift_holds_for_the_pose_that_it_was_written_for():
    turn, back = Index((90.0,)), Index((0.0,))
    begun = (*HEAD, back, *touch(1), LIFT, DZ)
    good = (*begun, turn, dataclasses.replace(SHIFT, angles=(90.0,)), *touch(2), LIFT)
    check_paths(good, TABLE)
    with pytest.raises(InputError, match="other angles than those of now"):
        check_paths((*begun, turn, dataclasses.replace(SHIFT, angles=(0.0,)), *touch(2), LIFT), TABLE)
    with pytest.raises(InputError, match="holds for other angles of the rotary axes"):
        check_paths((*begun, dataclasses.replace(SHIFT, angles=(0.0,)), turn, *touch(2), LIFT), TABLE)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: ShiftOffset("G54", "G54", ("dz",), (UP,)), "into the work offset itself"),
        (lambda: Entered("G54", "G54", 1.0), "into the work offset itself"),
        (lambda: ShiftOffset("G55", "G54", ("a", "b"), (UP, (0.6, 0.0, 0.8))), "not square to each other"),
        (lambda: ShiftOffset("G55", "G54", ("a",), ((0.0, 0.0, 2.0),)), "no unit vector"),
        (lambda: ShiftOffset("G55", "G54", (), ()), "a direction for each of its values"),
        (lambda: Reprobe(touch(1), FAR, 10), "not bounded; found 10; expected 0 to 9"),
        (lambda: Reprobe(touch(1), FAR, math.inf), "not bounded"),
        (lambda: Reprobe(touch(1), FAR, True), "not bounded"),
        (lambda: Decide(MM, (STOP,)), "needs a condition; found 'mm'"),
        (lambda: Decide(FAR, ()), "a branch of a decision is empty"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_once(make, said):
    with pytest.raises(InputError, match=said):
        make()


def test_too_many_paths_are_refused_not_left_out():
    steps = [*HEAD, *touch(1), LIFT, DZ]
    steps += [Decide(FAR, (Message(str(k)),)) for k in range(9)]
    with pytest.raises(InputError, match="too many paths to be checked"):
        check_paths(steps, FLAT)


def test_as_one_list_it_is_numbered_and_closed():
    kinds = [(one.where, one.number) for one in linear(GOOD) if hasattr(one, "where")]
    assert kinds == [("then", 1), ("end", 1)]
