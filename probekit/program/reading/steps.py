"""What a program does, step by step, as plain data."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...show import shown
from .arcs import Arc
from .modal import Modal

__all__ = ["IN_WORDS", "MOVES", "Recorded", "Step", "first_touches", "path_of", "read_record"]

#: The kinds of step in which an axis moves.
MOVES = ("rapid", "feed", "arc", "probe", "index")

#: A kind of move in words.
IN_WORDS = {
    "rapid": "a rapid move",
    "feed": "a move at feed",
    "arc": "an arc",
    "probe": "a probing move",
    "index": "a rotary move",
}

_ALONG = 0.999  # cosine of the angle between ways that count as one line

_NUMBER = r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))"
_RECORD = re.compile(
    r"PROBEKIT RECORD ([0-9]+) ([^\s()]+)"
    + rf"\s+{_NUMBER}" * 6
    + r"(?:\s+TIP ([0-9]{1,3}))?(?:\s+FROM (G5[4-9](?:\.[123])?))?\s*"
)


@shown
@dataclass(frozen=True)
class Recorded:
    """What a record line asks to be written.

    Attributes
    ----------
    touch : int
    feature : str
    target, normal : (3,) float
        In the part frame [mm].
    trigger : (3,) float or None
        Last position at which the probe triggered, in program coordinates [mm], counted from `counted` where that is
        said; None if the last probing move ran to its end, or there was none since the last record.
    angles : (n_axes,) float
        Rotary axes at the trigger [degree].
    tip : int
        That is meant to touch; 0 is the reference tip.
    counted : str
        Work offset that the trigger is counted from, if that is not the one in force: a shifted copy of it.
    """

    touch: int
    feature: str
    target: tuple[float, float, float]
    normal: tuple[float, float, float]
    trigger: tuple[float, float, float] | None
    angles: tuple[float, ...]
    tip: int = 0
    counted: str = ""


@shown
@dataclass(frozen=True)
class Step:
    """One thing that a program does.

    Attributes
    ----------
    line : int
        Line of the program, counted from 1.
    kind : str
        rapid, feed, arc, probe, index (rotary axes only), dwell, tool, spindle, stop, record, message, end, unknown.
    start, end : (3,) float
        Program coordinates of the tool's end [mm]; NaN where the text does not tell. A probing move ends where it
        triggered.
    angles_start, angles_end : (n_axes,) float
        In the order of the kinematics' axes [degree].
    feed : float or None
        [mm/min] of moves at feed; None if the program has not said it.
    state : Modal
        In force during the step.
    text : str
        The line as it stands.
    detail : object
        arc: `Arc`; probe: the trigger position (3,) or None if it ran to its end; record: `Recorded`; dwell: seconds;
        tool: its number; spindle and stop: the word; message and unknown: words.
    origin : (3,) float
        Where the program's coordinates are counted from after the step, in machine coordinates [mm]: work offset and
        shifts; NaN where that is not known.
    """

    line: int
    kind: str
    start: tuple[float, ...]
    end: tuple[float, ...]
    angles_start: tuple[float, ...]
    angles_end: tuple[float, ...]
    feed: float | None
    state: Modal
    text: str
    detail: Any = None
    origin: tuple[float, ...] = (math.nan,) * 3

    @property
    def sentence(self) -> str:
        """Line, kind and text."""
        return f"line {self.line}, {self.kind}: {self.text.strip()}"


def path_of(step: Step, chord_error: float = 0.01) -> np.ndarray:
    """Points of the way of a move: its ends, and of an arc enough points between.

    Parameters
    ----------
    step : Step
    chord_error : float
        Largest distance of a chord from an arc [mm].

    Returns
    -------
    (n, 3) float
        Program coordinates [mm].
    """
    if step.kind == "arc" and isinstance(step.detail, Arc):
        return step.detail.points(chord_error)
    return np.array([step.start, step.end], dtype=float)


def read_record(comment: str) -> tuple[int, str, tuple[float, ...], tuple[float, ...], int, str] | None:
    """Touch, feature, target, normal, tip and counting offset of a record comment; None if it is not as it should be.

    Parameters
    ----------
    comment : str
        Without its brackets.
    """
    found = _RECORD.fullmatch(comment)
    if not found:
        return None
    values = tuple(float(value) for value in found.groups()[2:8])
    return int(found[1]), found[2], values[:3], values[3:], int(found[9] or 0), found[10] or ""


def first_touches(steps: Sequence[Step]) -> frozenset[int]:
    """Places of the first, fast touches: unrecorded probing moves; the next two moves go back and probe the same way.

    Parameters
    ----------
    steps : sequence of Step
    """
    found = set()
    told = [(row, step) for row, step in enumerate(steps) if step.kind in (*MOVES, "record", "tool")]
    for (row, first), (_, back), (_, again) in zip(told, told[1:], told[2:], strict=False):
        if (first.kind, back.kind, again.kind) == ("probe", "feed", "probe"):
            ways = [np.subtract(step.end, step.start) for step in (first, back, again)]
            lengths = [float(np.linalg.norm(way)) for way in ways]
            if min(lengths) > 0 and all(map(math.isfinite, lengths)):
                a, b, c = (way / length for way, length in zip(ways, lengths, strict=True))
                if a @ b < -_ALONG and a @ c > _ALONG:
                    found.add(row)
    return frozenset(found)
