"""Whether the control watches the probe on its way to the touches."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from ..reading.modal import WATCHED
from ..reading.steps import MOVES, Step
from ..writing.sound import LEAST_PROBING
from .case import Case
from .findings import Finding, gathered

__all__ = ["before_touches", "watched_alike"]


def watched_alike(case: Case) -> list[Finding]:
    """The ways down to the touches are watched, all or none."""
    down = (one for way, from_touch in _ways(case.steps) for one in (way[-1:] if from_touch else way))
    long = [s for s in down if math.dist(s.start, s.end) >= LEAST_PROBING]
    if not any(s.state.motion == WATCHED for s in long):
        return []  # the sheet says that none is
    hits = ((s.line, "the way to a touch is not watched, others are") for s in long if s.state.motion != WATCHED)
    todo = f"Write {WATCHED} again: a move that is not watched does not stop where the ball meets something."
    return gathered(hits, "stop", todo)


def before_touches(steps: Sequence[Step]) -> list[Step]:
    """The moves by feed, to a place that is stated, that end where a probing move begins."""
    return [way[-1] for way, _ in _ways(steps) if way]


def _ways(steps: Sequence[Step]) -> Iterator[tuple[list[Step], bool]]:
    """To each probing move: the moves by feed to stated places that lead there, and whether from a touch before."""
    way: list[Step] = []
    from_touch = False
    for step in steps:
        if step.kind == "feed" and step.state.distance == "G90":
            way.append(step)
        elif step.kind in MOVES:
            if step.kind == "probe":
                yield way, from_touch
            way, from_touch = [], step.kind == "probe"
