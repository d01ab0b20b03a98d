"""Which touches share one placement of the zone, and what the placement does to them: an actual value, linearised.

    f(d) = max over blocks of min over p of max_i |share_i (d_i + a_i p)|      a zone that is placed by what it judges
    f(d) = min over p of max_i (d_i + a_i p)                                   an envelope

The rows a_i are taken at the place where the zone came to rest; the second order is motion squared times curvature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..fit.datums.freedom import Freedom
from ..show import shown

__all__ = ["Block", "of_circle", "of_element", "of_line", "of_motions", "of_range"]


@shown
@dataclass(frozen=True, eq=False)
class Block:
    """Touches (m,), as positions among those judged, and the change of their deviations with the placement (m, k).

    An envelope has a `rise`: change of the actual value with the distance by which touches push it [mm per mm], for
    instance 4 for a boss above the middle of its limits (twice a diameter). 0 is a zone of two sides.
    """

    touches: np.ndarray
    slope: np.ndarray
    rise: float = 0.0


def of_motions(at: np.ndarray, normal: np.ndarray, freedom: Freedom, *, offset: bool = False) -> tuple[Block, ...]:
    """A zone that is free to move, all touches together; what moves within limits only is taken as held."""
    loose = freedom.without_play()
    slope = normal @ loose.motions[:3] + np.cross(at - loose.pivot, normal) @ loose.motions[3:]
    return (Block(np.arange(len(at)), np.hstack([slope, np.ones((len(at), int(offset)))])),)


def of_element(at: np.ndarray, normal: np.ndarray, *, sized: bool, rise: float = 0.0) -> tuple[Block, ...]:
    """A minimum zone, or an envelope, wherever it lies; its size is free as well if `sized`."""
    off = at - at.mean(axis=0)
    slope = np.hstack([normal, np.cross(off, normal), np.ones((len(at), int(sized)))])
    return (Block(np.arange(len(at)), slope, rise),)


def of_circle(touches: np.ndarray, flat: np.ndarray, centre: np.ndarray) -> Block:
    """A section (m, 2) between two concentric circles about `centre` (2,): of an arc, not the middle of its touches."""
    off = flat - centre
    out = off / np.maximum(np.linalg.norm(off, axis=1), 1e-12)[:, None]
    return Block(touches, np.hstack([out, np.ones((len(flat), 1))]))


def of_line(touches: np.ndarray, along: np.ndarray) -> Block:
    """A line element between two parallel lines; `along` (m,): where each touch is on it [mm]."""
    return Block(touches, np.column_stack([np.ones(len(along)), along - along.mean()]))


def of_range(touches: np.ndarray) -> Block:
    """A reading whose middle is free: runout, or a zone that is held in direction."""
    return Block(touches, np.ones((len(touches), 1)))
