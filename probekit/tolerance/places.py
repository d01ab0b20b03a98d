"""The places that compete to be the worst of a value judged as a whole: ends of an axis, pairs of opposed touches.

symbol   variable   meaning
s_k      shift      how far place k is off, a vector in the zone [mm]
o_k      offset     what is added, such as the room that another bonus leaves [mm]
v_k      value      |s_k| + o_k; the actual value is the largest

The largest of values that are each convex in the deviations: the place that rules may be the best known, and another,
nearly as far off, the least known (an axis carried on over what was not touched). Hence

    high = max over k and unit vectors w of  w s_k + o_k + z sigma(w s_k + o_k)
    noise alone: max over k of |e_k|, e_k ~ N(0, change V change')
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..geometry import apply_motion
from ..show import shown
from ..uncertainty import Scatter
from .propagation import element_gain, less_placement, motion_rows

if TYPE_CHECKING:
    from ..fit.datums.freedom import Freedom
    from .axes import Axis
    from .cover import Covered
    from .derived import Derived

__all__ = ["Highest", "Places", "of_lean", "of_shifts", "of_surfaces"]

_AROUND = 7  # values of each coordinate of the directions tried, besides that of the shift


class Highest(NamedTuple):
    """Upper bound [mm], the standard uncertainty there [mm], and the change of that value with each row of `change`."""

    value: float
    u: float
    weights: np.ndarray


@shown
@dataclass(frozen=True, eq=False)
class Places:
    """Of k places, each judged in z directions.

    Attributes
    ----------
    shift : (k, z) float
        [mm]
    offset : (k,) float
        [mm]
    change : (k, z + 1, n) float
        Change of the shifts, and of the offset, with the deviation of each touch judged.
    slope : (k, z + 1, 6) float
        The same with the shift of the origin of the datum frame [mm] and its turn [rad].
    """

    shift: np.ndarray
    offset: np.ndarray
    change: np.ndarray
    slope: np.ndarray

    def along(self, place: int) -> tuple[np.ndarray, np.ndarray]:
        """Gradient (n,) and slope (6,) of the value of one place, in the direction in which it is off."""
        weights = np.append(_directions(self.shift[place])[0], 1.0)
        return weights @ self.change[place], weights @ self.slope[place]

    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """Change and slope with one row for each shift and offset: (k (z + 1), n) and (k (z + 1), 6)."""
        return self.change.reshape(-1, self.change.shape[2]), self.slope.reshape(-1, 6)

    def beside(self, other: Places) -> Places:
        """With those of another, judged in as many directions by the same touches."""
        return Places(
            *(
                np.concatenate([getattr(self, what), getattr(other, what)])
                for what in ("shift", "offset", "change", "slope")
            )
        )

    def highest(self, judged: Scatter, z: float, common: np.ndarray | None) -> Highest:
        """Upper bound over all places and directions, z standard uncertainties up.

        Parameters
        ----------
        judged : Scatter
            Of the rows, without an own part.
        z : float
        common : (k (z + 1),) float or None
            Change of each row if all that is each touch's own were common [mm]; counted where that is more.
        """
        k, width = self.shift.shape
        factors = judged.factors.reshape(k, width + 1, -1)
        best = Highest(-np.inf, 0.0, np.zeros(k * (width + 1)))
        for place in range(k):
            towards = _directions(self.shift[place])
            weights = np.column_stack([towards, np.ones(len(towards))])
            u2 = ((weights @ factors[place]) ** 2).sum(axis=1)
            if common is not None:
                u2 = np.maximum(u2, (weights @ common.reshape(k, width + 1)[place]) ** 2)
            reach = weights @ np.append(self.shift[place], self.offset[place]) + z * np.sqrt(u2)
            at = int(reach.argmax())
            if reach[at] > best.value:
                every = np.zeros((k, width + 1))
                every[place] = weights[at]
                best = Highest(float(reach[at]), float(np.sqrt(u2[at])), every.ravel())
        return best

    def noise(self, drawn: np.ndarray) -> np.ndarray:
        """(t,) what errors (t, k (z + 1)) of the rows give by themselves [mm]."""
        k, width = self.shift.shape
        errors = drawn.reshape(len(drawn), k, width + 1)
        return (np.linalg.norm(errors[:, :, :width], axis=2) + errors[:, :, width]).max(axis=1)


def of_shifts(
    features: list[Derived],
    touches: list[tuple[np.ndarray, np.ndarray]],
    motion: np.ndarray,
    freedom: Freedom,
    bonus: np.ndarray,
    per_size: float = 0.0,
    bonus_from: list[tuple[int, ...]] | None = None,
) -> Places:
    """Of the position of some derived features, after a motion (4, 4): each place of each, features in their order.

    Parameters
    ----------
    features : list of Derived
    touches : list of (points, normals)
        Of each: (n_k, 3) contact points [mm] and outward normals. The changes run over all of them, in this order.
    motion, freedom
        Where the zones were placed, and what was free for that. The placement takes up, by least squares over all
        places judged, what it can of a motion of the frame; of the touches' own errors nothing is taken off.
    bonus : (features,) float
        By how much the limit of each is larger than that of the one which rules [mm].
    per_size : float
        1 if a bonus grows with less material (M), -1 if with more (L), 0 if there is none: it moves the limit.
    bonus_from : list of tuple of int
        Touches that the envelope of each rests on which the bonus comes from.
    """
    moved = [2.0 * one.slopes(motion, np.zeros(3)) for one in features]
    free = less_placement(np.concatenate([one.reshape(-1, 6) for one in moved]), freedom)
    shift, offset, change, slope, first, row = [], [], [], [], 0, 0
    n = sum(len(at) for at, _ in touches)
    for k, (one, (points, normals), seen) in enumerate(zip(features, touches, moved, strict=True)):
        places, width, own = len(seen), seen.shape[1], slice(first, first + len(points))
        twist, _, centre = element_gain(points, normals, one.active)
        outward = element_gain(points, normals, bonus_from[k] if bonus_from else ())[1]
        grown, turned = np.zeros((places, width + 1, n)), np.zeros((places, width + 1, 6))
        grown[:, :width, own] = 2.0 * one.slopes(np.eye(4), centre) @ twist
        grown[:, width, own] = 2.0 * per_size * outward
        turned[:, :width] = free[row : row + places * width].reshape(places, width, 6)
        shift.append(2.0 * one.shifts(motion)[0])
        offset.append(np.full(places, -bonus[k]))
        change.append(grown)
        slope.append(turned)
        first, row = first + len(points), row + places * width
    return Places(*(np.concatenate(part) for part in (shift, offset, change, slope)))


def of_surfaces(
    touches: list[tuple[np.ndarray, np.ndarray]],
    taken: np.ndarray,
    motion: np.ndarray,
    freedom: Freedom,
    *,
    least: bool,
) -> Places:
    """Of what each touch takes of the room to the boundary of a virtual condition.

    `touches`, `motion`, `freedom` as for `of_shifts`; `taken` (n,): the actual value if that touch alone decided [mm].
    The boundary lies on the other side of the material with `least`.
    """
    sign = -2.0 if least else 2.0  # a touch takes room on both sides of the axis: sizes are twice its distance
    rows = np.concatenate([motion_rows(apply_motion(motion, at), n @ motion[:3, :3].T) for at, n in touches])
    rows = sign * less_placement(rows, freedom)
    return Places(np.zeros((len(taken), 0)), taken, sign * np.eye(len(taken))[:, None], rows[:, None])


def of_lean(axis: Axis, slant: np.ndarray, across: np.ndarray, span: float, turns: np.ndarray, on: Covered) -> Places:
    """Of the orientation of an axis: how far it leans over its length, one place.

    `slant` (3,): that lean over `span` [mm]; `across` (z, 3): directions of the zone; `turns` (3, t): turns that the
    datum frame leaves.
    """
    about = span * np.cross(axis.direction, across)  # change of the lean with a turn: span (w x d) . across
    twist = element_gain(on.contact, on.normal, axis.active)[0]
    left = about - (turns @ np.linalg.lstsq(turns, about.T, rcond=None)[0]).T if turns.shape[1] else about
    change = np.vstack([about @ twist[3:], np.zeros((1, len(on.contact)))])
    slope = np.vstack([np.hstack([np.zeros((len(across), 3)), left]), np.zeros((1, 6))])
    return Places((across @ slant)[None], np.zeros(1), change[None], slope[None])


def _directions(shift: np.ndarray) -> np.ndarray:
    """(d, z) unit vectors: that of the shift first, then some all around; one without entries if there is no shift."""
    grid = np.array(list(product(np.linspace(1.0, -1.0, _AROUND), repeat=len(shift))))
    size = np.linalg.norm(grid, axis=1)
    around = grid[size > 0] / size[size > 0, None] if len(shift) else grid
    own = float(np.linalg.norm(shift))
    return np.vstack([shift / own, around]) if own > 1e-9 else around
