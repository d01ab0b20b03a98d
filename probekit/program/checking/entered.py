"""A copy of the work offset that a person enters: the program stops where it lies too far from what it copies."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..deciding.decisions import Entered, linear
from ..reading.interpreter import run
from ..reading.steps import MOVES, Step
from .case import SOMEWHERE, Case
from .findings import Finding, gathered

__all__ = ["entered_within"]

_BESIDE = 1e-3  # of the limit: the program is run so much within and so much beyond it


def entered_within(case: Case) -> list[Finding]:
    """What a person has entered stops the program before the probe moves near the part, if it lies beyond its limit."""
    wrong = []
    for one in linear(case.decided):
        if not isinstance(one, Entered):
            continue
        for way in (*np.eye(3), *-np.eye(3), np.ones(3) / np.sqrt(3.0)):
            for length, good in ((one.limit * (1 - _BESIDE), True), (one.limit * (1 + _BESIDE), False)):
                stopped = _stops(case, one, length * way)
                told = ", ".join(f"{value:g}" for value in np.round(length * way, 4).tolist())
                if stopped and good:
                    wrong.append((stopped, f"an error at ({told}) in {one.to}, which is within its limit"))
                elif not stopped and not good:
                    what = (
                        f"nothing stops the program where what is entered in {one.to} lies beyond its limit: ({told})"
                    )
                    wrong.append((_line(case, one), what))
    return gathered(wrong[:1], "stop", "Write the program again: a slip of the hand would move the whole path.")


def _stops(case: Case, one: Entered, off: np.ndarray) -> int:
    """The line at which a program is an error before its first touch, with a copy off by so much; 0 if it is none."""
    for step in _until_touched(case, {one.by: np.array(SOMEWHERE), one.to: SOMEWHERE + off}):
        if step.kind == "unknown" and step.detail not in case.known:
            return step.line
    return 0


def _until_touched(case: Case, offsets: dict[str, np.ndarray]) -> Iterator[Step]:
    options = {key: case.options.get(key) for key in ("start", "aliases")}
    flow = bool(case.options.get("flow"))
    for step in run(case.blocks, kinematics=case.kinematics, offsets=offsets, flow=flow, **options):
        if step.kind in MOVES and step.state.offset in offsets and step.state.offset in case.copies:
            return
        yield step


def _line(case: Case, one: Entered) -> int:
    return next((step.line for step in case.steps if step.state.offset == one.to), 0)
