"""What must hold on every path of a program that decides, before a line of it is written; and its plain path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ..moves import (
    Approach,
    Away,
    BackOff,
    FirstTouch,
    Index,
    Lift,
    Link,
    Move,
    Record,
    Retract,
    SafeStop,
    SelectTip,
    ToolChange,
    Touch,
)
from ..writing.sound import check_moves
from .decisions import Continue, Decide, Decision, Entered, Milling, Recut, Reprobe, ShiftOffset, Step, UseOffset
from .estimates import Estimate
from .expressions import Deviation, Expression, Let, Name, Operation, Value, leaves
from .outcome import outcome

__all__ = ["check_paths", "paths_of", "straight"]

_MOST_PATHS = 256
_MOVING = (Approach, BackOff, FirstTouch, Link, Retract, Touch)


@dataclass(frozen=True)
class _Here:
    """What is known between two steps, on every path that leads there."""

    high: bool = False
    tip: int = 0
    angles: tuple[float, ...] | None = None
    offset: str = ""
    shifted: tuple[float, ...] | None = None  # angles for which the copy in force was written
    names: frozenset[tuple[str, str]] = frozenset()
    recorded: frozenset[int] = frozenset()
    recuts: frozenset[tuple[str, int | None]] = frozenset()
    facts: frozenset[Expression] = frozenset()  # conditions that hold, for the program would have ended
    out: bool = False  # whether a milling tool is in the spindle


def straight(steps: Sequence[Step], *, keep: bool = False) -> tuple[Step, ...]:
    """The path of a part that is as planned: every value zero, no repeat.

    Parameters
    ----------
    steps : sequence of Step
    keep : bool
        Whether shifts and changes of the work offset stay in it; else it is moves alone.
    """
    found = outcome(steps, lambda _touch, _time: 0.0).steps
    kept = (ShiftOffset, UseOffset, Entered) if keep else ()
    return tuple(one for one in found if not isinstance(one, Decision) or isinstance(one, kept))


def paths_of(steps: Sequence[Step]) -> Iterator[tuple[Step, ...]]:
    """Every way through a program: branches by all their combinations; repeats once, and again if something is between.

    Parameters
    ----------
    steps : sequence of Step

    Raises
    ------
    InputError
        If there are too many.
    """
    count = 0
    for path, _ in _paths(tuple(steps)):
        count += 1
        if count > _MOST_PATHS:
            raise InputError("the program has too many paths to be checked", expected=f"at most {_MOST_PATHS}")
        yield path


def _paths(steps: tuple[Step, ...]) -> Iterator[tuple[tuple[Step, ...], bool]]:
    """Each path, and whether it ends the program."""
    # the moves up to the next branch at once: a call for each of them would reach Python's limit with some 100 touches
    at = next((n for n, one in enumerate(steps) if isinstance(one, SafeStop | Decide | Reprobe)), len(steps))
    before, first, rest = steps[:at], steps[at : at + 1], steps[at + 1 :]
    if not first:
        yield before, False
        return
    if isinstance(first[0], SafeStop):
        yield (*before, first[0]), True
        return
    for branch in _ways_of(first[0]):
        for begun, ended in _paths(branch):
            if ended:
                yield (*before, *begun), True
                continue
            for path, over in _paths(rest):
                yield (*before, *begun, *path), over


def _ways_of(one: Step) -> tuple[tuple[Step, ...], ...]:
    if isinstance(one, Decide):
        return one.then, one.otherwise
    assert isinstance(one, Reprobe)
    return (one.steps, *([(*one.steps, *one.between, *one.steps)] if one.between else []))


def check_paths(steps: Sequence[Step], kinematics: Kinematics) -> None:
    """Refuse a program one of whose paths could do harm or is not defined.

    Parameters
    ----------
    steps : sequence of Step
    kinematics : Kinematics

    Raises
    ------
    InputError
        For what `check_moves` refuses, on any path; a name used before it is set, set twice, or with another unit; a
        deviation of a touch that is not recorded by then; branches that come out unlifted, or at other angles, with
        another tip or in another work offset than one another; a repeat that does not come back to where it began; a
        touch in a shifted copy that was written for other angles; a shift of another work offset than the first one;
        something after a safe stop; an operation that could be cut again twice, or beyond its limit, or on a machine
        with rotary axes.
    """
    for path in paths_of(steps):
        for part in _parts_of(path):
            check_moves([one for one in part if not isinstance(one, Decision)], kinematics)
    _after(tuple(steps), _Here(), kinematics)


def _parts_of(path: Sequence[Step]) -> Iterator[Sequence[Step]]:
    """A path before and after what is cut again: touches are then made again."""
    first = 0
    for number, one in enumerate(path):
        if isinstance(one, Recut):
            yield path[first:number]
            first = number + 1
    yield path[first:]


def _after(steps: Sequence[Step], here: _Here, kinematics: Kinematics) -> _Here | None:
    """What is known after steps; None if they end the program."""
    for number, one in enumerate(steps, 1):
        if isinstance(one, SafeStop):
            if number < len(steps):
                raise InputError("something follows a safe stop, which is the end", found=type(steps[number]).__name__)
            return None
        if isinstance(one, Decide):
            _set(one.condition, here)
            joined = _joined(one, here, kinematics)
            if joined is None and number < len(steps):
                raise InputError("both branches of a decision end, and something follows them")
            if joined is None:
                return None
            here = joined
        elif isinstance(one, Reprobe):
            here = _repeated(one, here, kinematics)
        elif isinstance(one, Estimate):
            for let in one.lets:
                here = _named(let, here)
        elif isinstance(one, Let):
            here = _named(one, here)
        elif isinstance(one, Milling):
            _need(here.high, "the milling goes on, and the probe is not lifted")
            here = replace(here, high=False, tip=0, angles=None, out=True)
        elif isinstance(one, ShiftOffset | UseOffset | Entered | Recut):
            here = _changed(one, here, kinematics)
        elif not isinstance(one, Continue):
            here = _moved(one, here, kinematics)
    return here


def _moved(move: Move, here: _Here, kinematics: Kinematics) -> _Here:
    if isinstance(move, Lift | Away):
        return replace(here, high=True)
    if isinstance(move, Index):
        return replace(here, angles=move.angles)
    if isinstance(move, SelectTip):
        return replace(here, tip=move.tip)
    if isinstance(move, ToolChange):
        _need(here.high, "the probe is loaded, and the spindle is not lifted")
        return replace(here, tip=0, out=False)
    if isinstance(move, Record):
        return replace(here, recorded=here.recorded | {move.touch})
    if isinstance(move, _MOVING):
        _need(not here.out, "the probe moves before it is loaded again")
        if here.shifted is not None and not _same_turn(here.shifted, here.angles, kinematics):
            raise InputError(
                "the probe would move in a shifted work offset that holds for other angles of the rotary axes",
                found=here.angles,
                expected=here.shifted,
                todo="A table takes the shift along as it turns: write the copy anew in each pose.",
            )
        return replace(here, high=False)
    return here


def _same_turn(one: tuple[float, ...], other: tuple[float, ...] | None, kinematics: Kinematics) -> bool:
    """Whether the tables turn the part alike at two sets of angles; a head turns no part."""
    tables = [place for place, axis in enumerate(kinematics.axes) if axis.moves == "table"]
    if not tables or other is None or not one:
        return not tables
    return bool(np.allclose([one[k] for k in tables], [other[k] for k in tables], atol=1e-9))


def _changed(one: ShiftOffset | UseOffset | Entered | Recut, here: _Here, kinematics: Kinematics) -> _Here:
    _need(here.high, f"{type(one).__name__}: the probe is not lifted")
    if isinstance(one, UseOffset):
        return replace(here, offset=one.name, shifted=None)
    if isinstance(one, Entered):
        _need(one.limit > 0, "what a person enters has no limit")
        return replace(here, offset=one.to, shifted=(0.0,) * len(kinematics.axes))
    if isinstance(one, Recut):
        return _cut_again(one, here, kinematics)
    _need(not here.offset or here.offset == one.to or one.by == here.offset, f"a shift of {one.by} in {here.offset}")
    for name in one.names:
        _set(Name(name), here)
    same = _same_turn(one.angles, here.angles, kinematics)
    _need(same, "a shift is written for other angles than those of now")
    return replace(here, offset=one.to, shifted=one.angles)


def _cut_again(one: Recut, here: _Here, kinematics: Kinematics) -> _Here:
    """What holds after an operation has been cut again: its tool is in, wherever the probe was."""
    key = (one.operation, one.occurrence)
    _need(key not in here.recuts, "an operation could be cut again more than once")
    _need(one.limit > 0, "cutting again has no limit")
    _set(Name(one.by), here)
    if kinematics.axes:
        raise InputError(
            "an operation is cut again on a machine with rotary axes",
            found=", ".join(kinematics.letters),
            expected="three axes: the shift is along Z of the machine, and an operation may have tilted tool or part",
            todo="Leave recut out, and decide by the report what is to be cut again.",
        )
    sizes = [fact.of[1] for fact in here.facts if isinstance(fact, Operation) and _size_of(one.by, fact)]
    held = any(isinstance(most, Value) and most.number <= one.limit for most in sizes)
    _need(held, f"an operation is cut again by '{one.by}', and nothing before it holds that to {one.limit:g} mm")
    return replace(here, high=False, tip=0, angles=None, out=True, recuts=here.recuts | {key})


def _size_of(name: str, fact: Operation) -> bool:
    """Whether a condition limits the size of a name."""
    return fact.word in ("<", "<=") and fact.of[0] == Operation("abs", (Name(name),))


def _holding(tree: Expression) -> frozenset[Expression]:
    """What holds if a condition does."""
    if isinstance(tree, Operation) and tree.word == "and":
        return _holding(tree.of[0]) | _holding(tree.of[1])
    return frozenset([tree])


def _joined(one: Decide, here: _Here, kinematics: Kinematics) -> _Here | None:
    """What holds after both branches."""
    begun = ((one.then, replace(here, facts=here.facts | _holding(one.condition))), (one.otherwise, here))
    ways = [found for branch, at in begun if (found := _after(branch, at, kinematics)) is not None]
    if not ways:
        return None
    first, last = ways[0], ways[-1]
    for what in ("high", "tip", "angles", "offset", "shifted", "out"):
        old, new = getattr(first, what), getattr(last, what)
        _need(old == new, f"the branches of a decision come out differently: {what} is {old} or {new}")
    moves = any(isinstance(step, _MOVING) for path in paths_of((one,)) for step in path)
    _need(first.high or not moves, "a branch that moves the probe does not come out lifted")
    names, recorded = first.names & last.names, first.recorded & last.recorded
    recuts, facts = first.recuts | last.recuts, first.facts & last.facts
    return replace(first, names=names, recorded=recorded, recuts=recuts, facts=facts)


def _repeated(one: Reprobe, here: _Here, kinematics: Kinematics) -> _Here:
    """What holds after a repeat."""
    _need(here.high, "a repeat does not begin lifted")
    after = _after(one.steps, here, kinematics)
    if after is None:
        raise InputError("what is repeated ends the program")
    _set(one.until, after)
    _need(after.high, "a repeat does not come back lifted")
    for what in ("tip", "offset"):
        _need(getattr(after, what) == getattr(here, what), f"a repeat does not come back to the {what} it began with")
    if kinematics.axes and after.angles != here.angles:
        first = next((step for step in one.steps if isinstance(step, (Index, *_MOVING))), None)
        _need(isinstance(first, Index), "a repeat does not turn back to the angles it began with")
    _need(one.at_most == 0 or after.recuts == here.recuts, "an operation could be cut again more than once")
    return _between(one, here, after, kinematics) if one.between else after


def _between(one: Reprobe, here: _Here, after: _Here, kinematics: Kinematics) -> _Here:
    """What holds after a repeat before which something else is done."""
    again = _after(one.between, after, kinematics)
    if again is None:
        raise InputError("what comes between repeats ends the program")
    for what in ("high", "tip", "angles", "offset", "shifted", "out"):
        old, new = getattr(here, what), getattr(again, what)
        _need(old == new, f"what comes between repeats does not come back: {what} is {old} or {new}")
    _need(one.at_most <= 1 or again.recuts == after.recuts, "an operation could be cut again more than once")
    return replace(after, recuts=again.recuts)


def _named(let: Let, here: _Here) -> _Here:
    _set(let.to, here)
    _need(let.name not in {name for name, _ in here.names}, f"the name '{let.name}' is set twice")
    _need(let.to.unit != "truth", f"the name '{let.name}' is for a condition")
    return replace(here, names=here.names | {(let.name, let.to.unit)})


def _set(tree: Expression, here: _Here) -> None:
    """Refuse what is not known on every path that leads here."""
    for leaf in leaves(tree):
        if isinstance(leaf, Deviation):
            _need(leaf.touch in here.recorded, f"the deviation of touch {leaf.touch} is used before it is recorded")
        elif isinstance(leaf, Name):
            known = dict(here.names)
            _need(leaf.name in known, f"the name '{leaf.name}' is used before it is set")
            _need(known[leaf.name] == leaf.unit, f"the name '{leaf.name}' is used as {leaf.unit or 'a plain number'}")


def _need(holds: bool, what: str) -> None:
    if not holds:
        raise InputError(what)
