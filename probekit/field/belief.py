"""What the touches of one part say of the field of its deviations: how rough, how long, how strong.

symbol   variable      meaning
y        deviation     deviations of the touches [mm]
N        noise         their covariance: what each has to itself and what all share [mm^2]
F        groups        one unknown offset per group of faces, such as those that one tool cut
K        s^2 R(nu, l)  covariance of the smooth form
w        white         form finer than the touches, as a standard deviation [mm]

y ~ N(F b, K + w^2 I + N) with b unknown: the likelihood is the restricted one (REML; Stein, Interpolation of Spatial
Data, 1999, from memory). It is not maximised: one part does not say its own roughness, and the best value of each
number is too sure of itself. All sets of a grid are kept with their weights. The prior is that of penalised complexity
(Fuglstad, Simpson, Lindgren, Rue, JASA 114, 2019; density from memory): short lengths and strong fields cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..show import shown
from ..uncertainty import Scatter
from .kernel import ACROSS, correlation, distances, six
from .sides import Sides, sides_of

if TYPE_CHECKING:
    from .earlier import Earlier

__all__ = [
    "RESOLVED",
    "UNLIKE",
    "WHITE",
    "Belief",
    "grid_over",
    "learn",
    "likelihoods",
    "log_prior",
    "offsets_of",
    "restricted",
]

UNLIKE = 0.01  # touches that parts like the earlier ones give more rarely are not like them
WHITE = 0.005  # form finer than the touches where nothing is said of it [mm]; our judgement
RESOLVED = 0.3  # above this probability that the touches do not resolve the surface there is no number

_ROUGHNESS = (0.5, 1.5, 2.5)
_LENGTHS, _STRENGTHS = 12, 10
_WHITE = (0.0, 0.25, 0.7, 1.5, 3.0)  # in units of the scale of its half-normal prior
_TAIL = -np.log(0.05)
_ONE_PLACE = 0.1  # of the distance of touches: closer ones were made at one place; our judgement
_FEWEST = 4


@shown
@dataclass(frozen=True, eq=False)
class Belief:
    """Sets of numbers that may describe the field, with their weights.

    Attributes
    ----------
    points : (n, 6) float
        Places and normals of the touches, see `probekit.field.kernel.six`.
    deviation : (n,) float
        [mm].
    noise : (n, n) float
        Covariance of the measurement [mm^2].
    group : (n,) int
        Group of faces of each touch; each has an offset of its own.
    grid : (t, 4) float
        Roughness, length [mm], strength s [mm], finer form w [mm].
    weight : (t,) float
        Sum 1.
    apart : float
        One touched place per square of this side [mm].
    zone : float
        Half the width of the zone, by which the prior is scaled [mm].
    earlier : Earlier, optional
        Earlier parts that it rests on; None, too, where the touches are not like theirs.
    pattern : (n,) float, optional
        What these had at the touches on average, taken off `deviation` [mm].
    alike : float
        How often a part like the earlier ones would lie as far from them as these touches do.
    gap : float
        How far from their nearest touch 95 of 100 places are at most, once places are judged [mm].
    sides : Sides, optional
        Where the part has several: what each has of its own.
    """

    points: np.ndarray
    deviation: np.ndarray
    noise: np.ndarray
    group: np.ndarray
    grid: np.ndarray
    weight: np.ndarray
    apart: float
    zone: float
    earlier: Earlier | None = None
    pattern: np.ndarray | None = None
    alike: float = 1.0
    gap: float = 0.0
    sides: Sides | None = None

    @property
    def places(self) -> int:
        """How many places were touched: a touch made again is no further one."""
        return _places(self.points, self.apart)

    @property
    def unresolved(self) -> float:
        """Probability that the touches stand too far apart: the length below their distance, or the form finer."""
        if self.sides is not None:
            return float(self.sides.unresolved(self.weight, self.grid).sum())
        _, length, strength, white = self.grid.T
        return float(self.weight[(length < max(self.apart, self.gap)) | (white > strength)].sum())

    def length(self, share: float) -> float:
        """Length below which the given share of the weight lies [mm]."""
        order = np.argsort(self.grid[:, 1], kind="stable")
        reached = int(np.searchsorted(np.cumsum(self.weight[order]), share))
        return float(self.grid[order, 1][min(reached, len(order) - 1)])

    @property
    def sentence(self) -> str:
        """What the touches resolve."""
        if self.earlier is not None:
            learned = f"the pattern of {self.earlier.parts} earlier parts at {len(self.earlier.mean.points)} places"
            return f"{self._touches} and {learned}, which they are like"
        return self._unlike + self._resolved

    @property
    def _touches(self) -> str:
        count, places = len(self.points), self.places
        return f"{count} touches" + (f" at {places} places" if places < count else "")

    @property
    def _unlike(self) -> str:
        if self.earlier is not None or self.alike >= UNLIKE:
            return ""
        return f"The touches are not like the earlier parts ({self._alike}), which have no say; "

    @property
    def _alike(self) -> str:
        return (
            "under 1 in 1000 would be so far off"
            if self.alike < 1e-3
            else f"1 in {1 / self.alike:.0f} would be so far off"
        )

    @property
    def _resolved(self) -> str:
        if self.unresolved > RESOLVED:
            gap = f" with gaps of {self.gap:.3g} mm" if self.gap > self.apart else ""
            return (
                f"{self._touches}, one per {self.apart:.3g} mm{gap}, are too far apart to say what lies "
                f"between: with a probability of {self.unresolved:.2f} the surface changes faster than they follow"
                + self._where
            )
        return (
            f"{self._touches}, one per {self.apart:.3g} mm, resolve the surface: its form changes over "
            f"{self.length(0.5):.3g} mm ({self.length(0.1):.3g} to {self.length(0.9):.3g} mm)"
        )

    @property
    def _where(self) -> str:
        """The side that adds most to it."""
        if self.sides is None:
            return ""
        worst = int(self.sides.unresolved(self.weight, self.grid).argmax())
        own = self.sides.side == worst
        normal = self.points[own, 3:].mean(axis=0)
        i, j, k = normal / np.linalg.norm(normal)
        count = int(own.sum())
        return f", most of all where it looks along ({i:z.2f}, {j:z.2f}, {k:z.2f}), with {count} touch" + (
            "" if count == 1 else "es"
        )

    @property
    def small(self) -> str:
        """The same where the form is so small that touches need not follow it."""
        return self._unlike + (
            f"{self._touches}, one per {self.apart:.3g} mm, do not follow its finest form, which is small "
            f"against the zone (rms {self.deviation.std():.2g} mm)"
        )

    def draw(self, sets: int, rng: np.random.Generator) -> np.ndarray:
        """(sets,) rows of the grid, systematically by weight."""
        steps = (np.arange(sets) + rng.random()) / sets
        return np.searchsorted(np.cumsum(self.weight), steps * self.weight.sum()).clip(0, len(self.weight) - 1)

    def covariance(self, number: int) -> np.ndarray:
        """(n, n) covariance of the deviations with one set of the grid, offsets left aside [mm^2]."""
        roughness, length, strength, white = self.grid[number]
        field = strength**2 * correlation(self.points, self.points, length, roughness)
        return field + self.noise + white**2 * np.eye(len(self.points))


def learn(
    places: np.ndarray,
    normals: np.ndarray,
    deviation: np.ndarray,
    scatter: Scatter,
    *,
    area: float,
    zone: float,
    group: np.ndarray | None = None,
    white: float = WHITE,
    earlier: Earlier | None = None,
) -> Belief:
    """Weigh what the field may be like by the touches of one part.

    Many parameters: the touches with their uncertainty, and what is known before them, each of which may be left out.

    Parameters
    ----------
    places, normals : (n, 3) float
        Feet of the touches [mm] and outward normals.
    deviation : (n,) float
        [mm].
    scatter : Scatter
        Uncertainty of the deviations, alignment and what they share included.
    area : float
        Of the faces that the touches stand for [mm2].
    zone : float
        Half the width of the zone [mm].
    group : (n,) int, optional
        Faces that one tool cut have one offset; default one for all.
    white : float
        Size of the form that is finer than the touches [mm]: roughness that a ball feels, waves of the cutter.
    earlier : Earlier, optional
        What earlier parts of the same process tell (`probekit.field.learn_prior`). Where the touches are not like
        theirs, it has no effect, and the belief says so.

    Returns
    -------
    Belief

    Raises
    ------
    InputError
        For fewer than four touches, a number that is not finite, or a zone or area that is not positive.
    """
    y = np.asarray(deviation, dtype=float)
    points = six(places, normals)
    group = np.zeros(len(y), dtype=int) if group is None else np.asarray(group)
    _check(points, y, group, area, zone, white)
    if earlier is not None:
        resting = earlier.applied(points, y, scatter.covariance(), group, float(zone))
        if resting.earlier is not None:
            return resting
    apart = float(np.sqrt(area / _places(points, float(np.sqrt(area / len(y))))))
    offsets = offsets_of(group)
    rms = float(np.sqrt(np.mean((y - offsets @ np.linalg.lstsq(offsets, y, rcond=None)[0]) ** 2)))
    noise = scatter.covariance()
    grid = grid_over(points, apart, zone, white, rms)
    side = sides_of(points[:, 3:] / ACROSS)
    sides = None
    if side.any():
        each = [side == k for k in range(side.max() + 1)]
        own = [likelihoods(points[k], noise[np.ix_(k, k)], offsets_of(group[k]), grid, y[k, None])[:, 0] for k in each]
        sides = Sides.of(side, np.array(own), grid, apart)
    likelihood = likelihoods(points, noise, offsets, grid, y[:, None])[:, 0] if sides is None else sides.log_likelihood
    weight = likelihood + log_prior(grid, apart, zone, white)
    weight = np.exp(weight - weight.max())
    alike = 1.0 if earlier is None else resting.alike
    return Belief(points, y, noise, group, grid, weight / weight.sum(), apart, float(zone), alike=alike, sides=sides)


def grid_over(points: np.ndarray, apart: float, zone: float, white: float, rms: float) -> np.ndarray:
    """(t, 4) sets of numbers that are weighed, for touches (n, 6) so far apart whose deviations scatter by so much."""
    top = 2.0 * float(distances(points[:, :3], points[:, :3]).max())
    lengths = np.geomspace(0.25 * apart, max(top, apart), _LENGTHS)
    strengths = np.geomspace(0.02 * zone, max(2.0 * zone, 3.0 * rms), _STRENGTHS)
    return np.array([*product(_ROUGHNESS, lengths, strengths, white * np.array(_WHITE))])


def likelihoods(
    points: np.ndarray, noise: np.ndarray, offsets: np.ndarray, grid: np.ndarray, y: np.ndarray
) -> np.ndarray:
    """(t, k) restricted log likelihood of k columns of deviations (n, k), for each row of the grid (t, 4)."""
    found, fine = np.empty((len(grid), y.shape[1])), np.eye(len(points))
    last, smooth = (np.nan, np.nan), fine
    for row, (roughness, length, strength, white) in enumerate(grid):
        if last != (roughness, length):
            last, smooth = (roughness, length), correlation(points, points, length, roughness)
        found[row] = restricted(strength**2 * smooth + noise + white**2 * fine, offsets, y)
    return found


def restricted(covariance: np.ndarray, offsets: np.ndarray, y: np.ndarray) -> np.ndarray:
    """(k,) restricted log likelihood of k columns of deviations.

    Parameters
    ----------
    covariance : (n, n) float
        [mm^2].
    offsets : (n, g) float
        Columns whose sizes are unknown.
    y : (n, k) float
        [mm].
    """
    from scipy.linalg import cholesky, solve_triangular

    lower = cholesky(covariance, lower=True, check_finite=False)
    white = solve_triangular(lower, np.hstack([offsets, y]), lower=True, check_finite=False)
    f, z = white[:, : offsets.shape[1]], white[:, offsets.shape[1] :]
    q, r = np.linalg.qr(f)
    left = z - q @ (q.T @ z)
    size = np.log(np.diag(lower)).sum() + np.log(np.abs(np.diag(r))).sum()
    return -0.5 * (left**2).sum(axis=0) - size


def offsets_of(group: np.ndarray) -> np.ndarray:
    """(n, g) one column of ones for each group."""
    return (group[:, None] == np.unique(group)[None, :]).astype(float)


def _places(points: np.ndarray, apart: float) -> int:
    """How many places touches (n, 6) stand at that are so far apart [mm] on average."""
    from scipy.cluster.hierarchy import fcluster, linkage

    return int(fcluster(linkage(points, "complete"), _ONE_PLACE * apart, "distance").max())


def log_prior(grid: np.ndarray, apart: float, zone: float, white: float) -> np.ndarray:
    """(t,) log of the prior times the width of each cell of the grid."""
    _, length, strength, w = grid.T
    reach = 2.0 * length  # (8 nu)^1/2 / kappa: where the correlation is about 0.1
    smooth = -_TAIL * apart / reach - np.log(reach)  # density times reach: the grid is even in its logarithm
    calm = -_TAIL * strength / zone + np.log(strength)
    sizes = white * np.array(_WHITE)
    width = dict(zip(sizes, np.gradient(sizes), strict=True))
    return smooth + calm - 0.5 * (w / white) ** 2 + np.log([width[one] for one in w])


def _check(points: np.ndarray, y: np.ndarray, group: np.ndarray, area: float, zone: float, white: float) -> None:
    if len(y) < _FEWEST + len(np.unique(group)) - 1:
        raise InputError(
            "too few touches for a field", found=len(y), expected=f"at least {_FEWEST}, one more per group"
        )
    if len(points) != len(y) or len(group) != len(y) or not (np.isfinite(points).all() and np.isfinite(y).all()):
        raise InputError(
            "places, normals, deviations and groups belong together and are finite",
            found=f"{len(points)} places, {len(y)} deviations",
        )
    for what, value in (("area", area), ("zone", zone), ("white", white)):
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"{what} must be positive", found=value)
