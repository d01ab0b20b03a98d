"""The best placement of zones of position: the motion that leaves the worst of all derived features nearest.

Minimise h over c with (2 |s_k(c)| - b_k) / t_k <= h for each place k of each feature, and A c <= b of the play (at a
zero tolerance, t = 0, the share is 1 + (2 |s_k| - b_k) / T with the tolerance T of size). The
shifts s are linear in a small motion, so this is a cone program. |s| is the largest of u.s over all unit vectors u: a
linear program with some of them gives a value below the best, its solution a place whose true value is above; the
direction in which the solution is out is added, until both meet (cutting planes: J. E. Kelley, "The cutting-plane
method for solving convex programs", J. SIAM 8 (1960) 703-712, from memory). Turns are taken exactly at each step.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..fit import make_motion
from ..fit.datums.freedom import Freedom
from ..fit.datums.twists import velocity_rows
from ..fit.minimax import minimax_motion
from ..fit.motion import typical_arm
from ..fit.slp import Linear, Step, linear_step, minimise_largest
from ..geometry import apply_motion, left_jacobian
from ..show import shown
from .derived import Derived, beyond

__all__ = ["Held", "Skin", "middles_of", "settle", "settle_surfaces"]

_CUTS = 60  # most programs to one step
_NEGLIGIBLE = 1e-3  # part of the worst share; what a step of a micrometre may still promise


@shown
@dataclass(frozen=True, eq=False)
class Held:
    """A derived feature with its tolerance [mm], the bonus [mm], and the boundary of its virtual condition.

    `boundary` is its size [mm], `inside` whether it lies inside the surface, `contact` (n, 3) the touches. `unit`: what
    its share is counted in [mm], where that is not the tolerance, which may be zero.
    """

    feature: Derived
    width: float
    bonus: float
    contact: np.ndarray
    boundary: float = np.nan
    inside: bool = True
    unit: float = 0.0

    def __post_init__(self) -> None:
        if not self.unit:
            object.__setattr__(self, "unit", self.width)

    @property
    def ends(self) -> np.ndarray:
        """(m, 3) places at which it is judged [mm]."""
        return self.feature.shifts()[1]

    @property
    def weight(self) -> np.ndarray:
        """(m,) by which a distance is multiplied to give a share."""
        return np.full(len(self.ends), 2.0 / self.unit)

    @property
    def less(self) -> float:
        """What is taken off the weighted distance to make it a share."""
        return (self.width + self.bonus) / self.unit - 1.0

    def shifts(self, motion: np.ndarray) -> np.ndarray:
        """(m, z) shifts after a motion (4, 4) [mm]."""
        return self.feature.shifts(motion)[0]

    def slopes(self, motion: np.ndarray, pivot: np.ndarray) -> np.ndarray:
        """(m, z, 6) change of the shifts with a further small motion."""
        return self.feature.slopes(motion, pivot)

    def share(self, motion: np.ndarray) -> float:
        """1 + (P - b - t) / unit after a motion, which is (P - b) / t mostly: at most 1 if it conforms."""
        return 2.0 * float(np.linalg.norm(self.shifts(motion), axis=1).max()) / self.unit - self.less


@dataclass(frozen=True, eq=False)
class Skin:
    """Touches (n, 3) of a profile: `measure` gives deviations and gradients; middle and half width of zones (n,)."""

    points: np.ndarray
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
    middle: np.ndarray
    half: np.ndarray
    less: float = 0.0

    @property
    def ends(self) -> np.ndarray:
        """The touches."""
        return self.points

    @property
    def weight(self) -> np.ndarray:
        """(n,) by which a distance from the middle of the zone is multiplied to give a share."""
        return 1.0 / self.half

    def shifts(self, motion: np.ndarray) -> np.ndarray:
        """(n, 1) deviations from the middle of the zone after a motion (4, 4) [mm]."""
        return (self.measure(apply_motion(motion, self.points))[0] - self.middle)[:, None]

    def slopes(self, motion: np.ndarray, pivot: np.ndarray) -> np.ndarray:
        """(n, 1, 6) change of the deviations with a further small motion."""
        moved = apply_motion(motion, self.points)
        return velocity_rows(moved, self.measure(moved)[1], pivot, 1.0)[:, None]

    def share(self, motion: np.ndarray) -> float:
        """The largest |d - m| over half the width."""
        return float((np.abs(self.shifts(motion)[:, 0]) / self.half).max())


def middles_of(held: Sequence[Held], free: Freedom) -> list[tuple[np.ndarray, np.ndarray]]:
    """Change, with a small motion, of the place of the middle of each feature (z, 6) and of how it leans (k, 6)."""
    slopes = [one.slopes(np.eye(4), free.pivot) for one in held]
    return [(one.mean(axis=0), (one - one.mean(axis=0)).reshape(-1, 6)) for one in slopes]


def settle(features: Sequence[Held | Skin], free: Freedom) -> np.ndarray:
    """Motion (4, 4) that makes the largest share of a tolerance, over all features, as small as can be.

    Raises
    ------
    FitError
        If it does not settle.
    """
    if not free:
        return np.eye(4)
    ends = np.concatenate([one.ends for one in features])
    free = free.turning_little().scaled(typical_arm(ends, free.pivot))
    weight = np.concatenate([one.weight for one in features])
    less = np.concatenate([np.full(len(one.ends), one.less) for one in features])
    start = [shift for one in features for shift in one.shifts(np.eye(4))]
    cuts = [[*np.eye(len(shift)), *-np.eye(len(shift))] for shift in start]  # of one coordinate these are all
    settled = 5e-8 * float(weight.min())  # 1e-7 mm of position

    def placed(parameters: np.ndarray) -> np.ndarray:
        return make_motion(parameters[:3], np.degrees(parameters[3:]), pivot=free.pivot)

    def evaluate(state: tuple[np.ndarray, np.ndarray]) -> Linear:
        parameters, room = state
        motion = placed(parameters)
        shifts, slopes = _linear(features, motion, parameters, free)
        for own, shift in zip(cuts, shifts, strict=True):
            _cut(own, shift)
        top = max(one.share(motion) for one in features)
        values = np.concatenate([np.concatenate(shifts), -room])
        rules = np.repeat([True, False], [len(values) - len(room), len(room)])
        return Linear(values, np.vstack([*slopes, free.rows]), top, rules)

    def solve(there: Linear, radius: float) -> Step:
        """The step of the cone program, by cutting planes: its solution shows where to cut next."""
        bounds = np.cumsum([len(shift) for shift in start])
        *shifts, held = np.split(there.values, bounds)
        *slopes, rows = np.split(there.slope, bounds)
        for _ in range(_CUTS):
            seen = [w * np.array(own) for own, w in zip(cuts, weight, strict=True)]
            values = [d @ shift - b for d, shift, b in zip(seen, shifts, less, strict=True)]
            slope = [d @ one for d, one in zip(seen, slopes, strict=True)]
            rules = np.repeat([True, False], [sum(map(len, values)), len(held)])
            found = linear_step(
                Linear(np.concatenate([*values, held]), np.vstack([*slope, rows]), there.top, rules), radius
            )
            reached = [shift + one @ found.step for shift, one in zip(shifts, slopes, strict=True)]
            worst = max(w * float(np.linalg.norm(r)) - b for w, r, b in zip(weight, reached, less, strict=True))
            if worst - (there.top - found.promised) <= 0.1 * settled:
                break
            for own, shift in zip(cuts, reached, strict=True):
                _cut(own, shift)
        return found

    found = minimise_largest(
        evaluate,
        lambda state, step: (state[0] + free.motions @ step, np.maximum(state[1] - free.rows @ step, 0.0)),
        (np.zeros(6), free.limits),
        name="the placement of a pattern",
        radius=lambda _: 10.0,
        settled=settled,
        negligible=lambda value: max(10.0 * settled, _NEGLIGIBLE * abs(value)),
        solve=solve,
    )
    return placed(found.state[0])


def _cut(own: list[np.ndarray], shift: np.ndarray) -> None:
    """One more direction in which the length of a shift is seen."""
    length = float(np.linalg.norm(shift))
    if len(shift) > 1 and length > 1e-12:
        own.append(shift / length)


def settle_surfaces(features: Sequence[Held], free: Freedom) -> np.ndarray:
    """Motion (4, 4) that leaves the touches the most room to the boundaries of all features.

    Raises
    ------
    FitError
        If it does not settle.
    """
    contact = np.concatenate([one.contact for one in features])
    counts = np.cumsum([len(one.contact) for one in features])[:-1]

    def measure(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        found = [
            beyond(one.feature, part, one.boundary, inside=one.inside)
            for one, part in zip(features, np.split(points, counts), strict=True)
        ]
        scaled = [(value / one.unit, slope / one.unit) for (value, slope), one in zip(found, features, strict=True)]
        return np.concatenate([v for v, _ in scaled]), np.concatenate([s for _, s in scaled])

    start = measure(contact)[0]
    free = free.turning_little().scaled(typical_arm(contact, free.pivot))
    lift = 2.0 * float(np.abs(start).max()) + 1.0  # so that the largest is the largest in size as well
    solved = minimax_motion(
        contact, measure, free.motions, pivot=free.pivot, middle=-lift, within=(free.rows, free.limits)
    )
    return make_motion(solved.parameters[:3], np.degrees(solved.parameters[3:]), pivot=free.pivot)


def _linear(
    features: Sequence[Held | Skin], motion: np.ndarray, parameters: np.ndarray, free: Freedom
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Shift (z,) of each place, and its change (z, k) with the free motions."""
    turning = np.eye(6)
    turning[3:, 3:] = left_jacobian(parameters[3:])
    shifts, slopes = [], []
    for one in features:
        shifts += list(one.shifts(motion))
        slopes += list(one.slopes(motion, free.pivot + parameters[:3]) @ turning @ free.motions)
    return shifts, slopes
