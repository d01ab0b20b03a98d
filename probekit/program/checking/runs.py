"""The ways of a text through its own branches, run with touches as of a nominal part."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..reading.flow import counting, executed, flow_of
from ..reading.interpreter import Interpreter
from ..reading.steps import Recorded, Step
from ..reading.words import Block
from .case import Case
from .contacts import contacts_of
from .in_milling import course

__all__ = ["known", "of_control", "runs_of", "touch_of_line", "touched"]

_MOST_RUNS = 64
_DEEPEST = 40  # decisions of one path that are turned over


def runs_of(case: Case, before: Callable[[Block, Interpreter], None] | None) -> Iterator[tuple[Step, ...]]:
    """The steps on each path that differs from another one in a branch; touches as of a nominal part.

    Loops turn as they do by themselves: what keeps them turning is a branch within them.

    Parameters
    ----------
    case : Case
    before : callable, optional
        Told of each block, before it is run.
    """
    places = touched(case)
    waiting: list[tuple[bool, ...]] = [()]
    done: set[tuple[tuple[int, bool], ...]] = set()
    runs = 0
    while waiting and runs < _MOST_RUNS:
        forced = waiting.pop()
        taken: list[tuple[int, bool]] = []
        runs += 1
        steps = _run(case, places, forced, taken, before)
        yield steps
        if not steps or steps[-1].kind != "end":
            return  # it is told, and there may be no end of such paths
        for place in range(len(forced), min(len(taken), _DEEPEST)):
            line, given = taken[place]
            key = tuple(sorted({*taken[:place], (line, not given)}))
            if key not in done:
                done.add(key)
                waiting.append((*(value for _, value in taken[:place]), not given))


def _run(
    case: Case,
    places: Mapping[int, tuple[np.ndarray, np.ndarray]],
    forced: Sequence[bool],
    taken: list[tuple[int, bool]],
    before: Callable[[Block, Interpreter], None] | None,
) -> tuple[Step, ...]:
    """The steps with some branches forced; probing moves end as programmed, as those of the case do."""
    asked: list[Step] = []
    counted = counting(case.blocks)

    def trigger(step: Step) -> Sequence[float] | None:
        asked.append(step)
        return places[step.line][0].tolist() if step.line in places else known(step.end)

    def choose(block: Block, holds: bool) -> bool:
        own = flow_of(block)
        if own is None or own.word not in ("IF", "ELSEIF") or block.line in counted:
            return holds
        given = forced[len(taken)] if len(taken) < len(forced) else holds
        taken.append((block.line, given))
        return given

    control, steps = Interpreter(trigger=trigger, **of_control(case)), list[Step]()
    flow = bool(case.options.get("flow"))
    blocks, at = course(case)

    def first(block: Block, control: Interpreter) -> None:
        at(block, control)
        if before is not None:
            before(block, control)

    for _, own in executed(blocks, control, flow=flow, choose=choose, before=first):
        steps += own
    ends = iter(asked)
    return tuple(replace(step, end=next(ends).end) if step.kind == "probe" else step for step in steps)


def touched(case: Case) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """By line of a probing move: the ball's place at contact and the outward normal there, program coordinates."""
    contacts = contacts_of(case.steps, case.probe, case.kinematics)
    found = {}
    for row, at in contacts.items():
        step = case.steps[row]
        record = next(s.detail for s in case.steps[row:] if s.kind == "record" and isinstance(s.detail, Recorded))
        motion = case.kinematics.part_motion(step.angles_end)[:3, :3]
        found[step.line] = (at, motion @ np.array(record.normal))
    return found


def known(place: Sequence[float]) -> Sequence[float] | None:
    """A place whose coordinates are all known, else None."""
    return place if all(map(math.isfinite, place)) else None


def of_control(case: Case) -> dict:
    """What an interpreter is told of the control of a case.

    Parameters
    ----------
    case : Case
    """
    return {
        "kinematics": case.kinematics,
        **{key: case.options.get(key) for key in ("start", "offsets", "aliases")},
    }


def touch_of_line(case: Case) -> dict[int, int]:
    """Line of each recorded probing move, and of the fast one before it -> touch."""
    found: dict[int, int] = {}
    lines: list[int] = []
    for step in case.steps:
        if step.kind == "probe":
            lines.append(step.line)
        elif step.kind == "record" and isinstance(step.detail, Recorded):
            found |= dict.fromkeys(lines, step.detail.touch)
            lines = []
    return found
