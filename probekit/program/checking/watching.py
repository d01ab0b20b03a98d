"""Whether the control watches the probe on its way to the touches."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from ..reading.modal import WATCHED
from ..reading.steps import MOVES, Step
from ..writing.sound import LEAST_PROBING
from .case import Case
from .findings import Finding, gathered

__all__ = ["before_touches", "watched_alike"]


def watched_alike(case: Case) -> list[Finding]:
    """The ways down to the touches are watched, all or none."""
    long = [s for s in _ways_down(case.steps) if math.dist(s.start, s.end) >= LEAST_PROBING]
    if not any(s.state.motion == WATCHED for s in long):
        return []  # the sheet says that none is
    hits = ((s.line, "the way to a touch is not watched, others are") for s in long if s.state.motion != WATCHED)
    todo = f"Write {WATCHED} again: a move that is not watched does not stop where the ball meets something."
    return gathered(hits, "stop", todo)


def _ways_down(steps: Sequence[Step]) -> list[Step]:
    """Moves by feed to stated places that lead to a touch from a rapid; from a touch before, the last of them alone."""
    found: list[Step] = []
    way: list[Step] = []
    away = False  # whether these began at a touch
    for step in steps:
        if step.kind == "feed" and step.state.distance == "G90":
            way.append(step)
        elif step.kind in MOVES:
            found += (way[-1:] if away else way) if step.kind == "probe" else []
            way, away = [], step.kind == "probe"
    return found


def before_touches(steps: Sequence[Step]) -> list[Step]:
    """The moves by feed, to a place that is stated, that end where a probing move begins."""
    moves = [step for step in steps if step.kind in MOVES]
    return [b for b, s in pairwise(moves) if s.kind == "probe" and b.kind == "feed" and b.state.distance == "G90"]
