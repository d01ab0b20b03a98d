"""How fast the machine goes, the legs of a way, and an estimate of the time that they take."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from ...errors import InputError
from ...show import shown

__all__ = ["CycleTime", "Leg", "Pace", "cycle_time"]


@shown
@dataclass(frozen=True)
class Pace:
    """How fast the machine goes. The defaults are cautious values of common practice, no source.

    Parameters
    ----------
    rapid : float
        Speed of rapid moves, for the estimate of the time only [mm/min].
    positioning : float
        Feed of approaches, rises and retracts [mm/min].
    touch : float
        Feed of the probing move; the one the probe was qualified with [mm/min].
    per_touch : float
        Time to trigger, settle and record [s].
    per_index : float
        Time to unclamp, start, stop and clamp the rotary axes [s].
    rotary : float
        Speed of the rotary axes [degree/s].

    Raises
    ------
    InputError
        If a speed is not positive, a time is negative, or a touch is faster than positioning.
    """

    rapid: float = 10_000.0
    positioning: float = 2_000.0
    touch: float = 100.0
    per_touch: float = 0.5
    per_index: float = 3.0
    rotary: float = 20.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value, timed = getattr(self, field.name), field.name.startswith("per_")
            if not np.isfinite(value) or value < 0 or (value == 0 and not timed):
                raise InputError(
                    "the pace is not usable", column=field.name, found=value, expected="a finite, positive number"
                )
        if self.touch > self.positioning:
            raise InputError("touching is faster than positioning", column="touch", found=self.touch)


@shown
@dataclass(frozen=True)
class Leg:
    """One straight move of the reference ball's centre between touches.

    Parameters
    ----------
    kind : {"rise", "rapid", "approach"}
        Away from a touch at positioning feed; on or above the clearance plane; towards a touch at positioning feed.
    to : (3,) float
        Part frame [mm].
    """

    kind: str
    to: tuple[float, float, float]


@shown
@dataclass(frozen=True)
class CycleTime:
    """Estimated time of the cycle, in parts [s].

    Accelerations, the jerk of the axes, the tool change and the control's block time are not reckoned in: a real cycle
    takes longer.
    """

    touching: float
    positioning: float
    rapid: float
    indexing: float

    @property
    def total(self) -> float:
        """Sum of the parts [s]."""
        return self.touching + self.positioning + self.rapid + self.indexing

    @property
    def sentence(self) -> str:
        """The estimate in words."""
        parts = ", ".join(f"{field.name} {getattr(self, field.name):.0f} s" for field in fields(self))
        return f"about {self.total:.0f} s, excluding acceleration and tool change: {parts}"


def cycle_time(
    starts: np.ndarray,
    standoff: np.ndarray,
    ways: Sequence[Sequence[Leg]],
    leaving: Sequence[Sequence[Leg]],
    indexed: np.ndarray,
    turns: Sequence[Sequence[float]],
    pace: Pace,
) -> CycleTime:
    """Estimate the time of a route, contact being where the nominal is.

    Parameters
    ----------
    starts : (n, 3) float
        Centre of the reference ball at the standoff of each target [mm].
    standoff : (n,) float
        [mm]
    ways, leaving, indexed
        As in `probekit.plan.route.route.Route`.
    turns : sequence of (n_axes,) float
        Angles that the rotary axes take one after the other, the first ones being where they stand [degree].
    pace : Pace
    """
    length = {"rise": 0.0, "rapid": 0.0, "approach": 0.0}
    before = None
    for way, after, start, lifted in zip(ways, leaving, starts, indexed, strict=True):
        at = None if lifted else before
        for leg in (*way, *after):
            if at is not None:
                length[leg.kind] += float(np.linalg.norm(np.subtract(leg.to, at)))
            at = leg.to
        before = start
    turned = [max((abs(b - a) for a, b in zip(*pair, strict=True)), default=0.0) for pair in itertools.pairwise(turns)]
    probing = float(standoff.sum()) * 60.0 * (1.0 / pace.touch + 1.0 / pace.positioning)
    return CycleTime(
        touching=probing + pace.per_touch * len(starts),
        positioning=(length["rise"] + length["approach"]) * 60.0 / pace.positioning,
        rapid=length["rapid"] * 60.0 / pace.rapid,
        indexing=sum(pace.per_index + angle / pace.rotary for angle in turned if angle > 0),
    )
