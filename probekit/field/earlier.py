"""What earlier parts of the same process tell of the next one: their common pattern, and how parts differ from it.

symbol   variable     meaning
y_p      values       deviations of part p at the same targets [mm]
m        mean         the pattern: what all parts have in common, a field of its own kind
r_p                   y_p - m, with an offset of its own: a field whose numbers all parts share

Both are fields as `probekit.field.learn` weighs them. The weights of the numbers of r are those that explain all parts
together (maximum likelihood of a mixing distribution by three steps of EM: N. Laird, JASA 73, 1978, from memory), with
a tenth of what would be believed without them. The pattern is known as well as so many parts show it.

A new part is first asked whether it could be one of them: the square of its touches less the pattern, weighed by the
covariance that the numbers of r and the measurement give, is compared with the squares of the earlier parts. These are
taken for chi squares of a size that varies, which gives F with fewer degrees of freedom (F. E. Satterthwaite,
Biometrics Bulletin 2, 1946, from memory). One that is not is judged as if there were none. A local dent
between the touches is not noticed by this, nor by anything else but a touch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..show import shown
from .belief import UNLIKE, WHITE, Belief, grid_over, likelihoods, log_prior, offsets_of
from .kernel import correlation, six

if TYPE_CHECKING:
    from ..uncertainty import Scatter

__all__ = ["FEWEST_PARTS", "Earlier", "learn_prior"]

FEWEST_PARTS = 20
_OFF = 0.1  # between targets of the same touch in two parts [mm]
_FINE = 0.05  # distance over which finer form is the same, over that of the touches
_WEAK = 0.1  # share of what would be believed without earlier parts
_STEPS = 3
_MOST = 300  # touches


@shown
@dataclass(frozen=True, eq=False)
class Earlier:
    """What earlier parts tell.

    Attributes
    ----------
    parts : int
        How many.
    mean : Belief
        Of the pattern that they have in common, at their targets.
    grid : (t, 4) float
        Roughness, length [mm], strength [mm], finer form [mm] of how a part differs from it.
    weight : (t,) float
        By what all earlier parts together tell; sum 1.
    weak : (t,) float
        What would be believed without them; sum 1.
    covariance : (n, n) float
        Of the deviations of one part about the pattern, as measured, offsets included [mm^2].
    offset : float
        Standard deviation of the offsets of the parts [mm].
    square : float
        Mean over the parts of the squared distance from the pattern, over its degrees of freedom; 1 is as assumed.
    differ : float
        Relative variance of the size of form, squared, from part to part, as far as these squares show it.
    degrees : int
        Degrees of freedom of each.
    """

    parts: int
    mean: Belief
    grid: np.ndarray
    weight: np.ndarray
    weak: np.ndarray
    covariance: np.ndarray
    offset: float
    square: float = 1.0
    differ: float = 0.0
    degrees: int = 1

    @property
    def sentence(self) -> str:
        """What they have in common, how they differ, and what is assumed."""
        own = float(np.sqrt(np.median(np.diag(self.covariance))))
        return (
            f"{self.parts} earlier parts at {len(self.mean.points)} places: common pattern of rms "
            f"{1e3 * self.mean.deviation.std():.2g} um, each part about it by {1e3 * own:.2g} um; assumed: the same "
            "process, tools and set-up as then, and a form that is smooth between the touches"
        )

    def covariance_at(self, points: np.ndarray) -> np.ndarray:
        """(n, n) covariance of the form of one part about the pattern at points (n, 6), offsets aside [mm^2]."""
        strong = self.weight > 1e-4 * self.weight.max()
        grid, weight = self.grid[strong], self.weight[strong] / self.weight[strong].sum()
        total = float(weight @ grid[:, 3] ** 2) * np.eye(len(points))
        for roughness, length in np.unique(grid[:, :2], axis=0):  # what differs in strength alone has one correlation
            same = (grid[:, 0] == roughness) & (grid[:, 1] == length)
            total += float(weight[same] @ grid[same, 2] ** 2) * correlation(points, points, length, roughness)
        return total

    def pattern(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean (n,) [mm] and covariance (n, n) [mm^2] of the pattern at points (n, 6), by its likeliest numbers."""
        known, best = self.mean, self.mean.grid[int(self.mean.weight.argmax())]
        roughness, length, strength, white = best
        inverse = np.linalg.inv(known.covariance(int(known.weight.argmax())))
        one = np.ones(len(known.points))
        offset = float(one @ inverse @ known.deviation / (one @ inverse @ one))

        def between(one: np.ndarray, two: np.ndarray) -> np.ndarray:
            smooth = strength**2 * correlation(one, two, length, roughness)
            return smooth + white**2 * correlation(one, two, _FINE * known.apart, 0.5)

        to = between(points, known.points)
        mean = offset + to @ inverse @ (known.deviation - offset)
        return mean, between(points, points) - to @ inverse @ to.T

    def alike(self, points: np.ndarray, left: np.ndarray, whole: np.ndarray, offsets: np.ndarray) -> float:
        """How often a part like the earlier ones lies as far from their pattern as the rest `left` (n,) [mm] does.

        `whole` (n, n) is the covariance of measurement and pattern [mm^2]. The squared distance is compared with those
        of the earlier parts themselves: if their sizes of form differ, a large one among them is nothing strange.
        """
        from scipy import stats

        count = len(left) - offsets.shape[1]
        square = _squares(self.covariance_at(points) + whole, offsets, left[:, None])[0] / count
        return float(stats.f.sf(square / self.square, self._freedom(count), self.parts * self._freedom(self.degrees)))

    def _freedom(self, count: int) -> float:
        """Degrees of freedom of a squared distance over so many contrasts, as the earlier parts differ."""
        return 2.0 / (2.0 / count + self.differ * (1.0 + 2.0 / count))

    def applied(self, points: np.ndarray, y: np.ndarray, noise: np.ndarray, group: np.ndarray, zone: float) -> Belief:
        """Belief in a new part by its touches and the earlier ones; without `earlier` where they are not like them."""
        mean, unsure = self.pattern(points)
        offsets, left, whole = offsets_of(group), y - mean, noise + unsure
        alike = self.alike(points, left, whole, offsets)
        weight = np.log(np.maximum((1.0 - _WEAK) * self.weight + _WEAK * self.weak, 1e-300))
        weight = weight + likelihoods(points, whole, offsets, self.grid, left[:, None])[:, 0]
        weight = np.exp(weight - weight.max())
        like = alike >= UNLIKE
        return Belief(
            points, left, noise, group, self.grid, weight / weight.sum(), self.mean.apart, zone,
            earlier=self if like else None, pattern=mean if like else None, alike=alike,
        )  # fmt: skip


def learn_prior(
    table: pd.DataFrame, scatter: Scatter, *, area: float, zone: float, white: float = WHITE, part: str = "part"
) -> Earlier:
    """What earlier parts of a process, touched at the same targets, tell of the next one.

    Parameters
    ----------
    table : DataFrame
        Deviations tables of all parts, one below the other: touch, x0 y0 z0, i j k, deviation, and a column that says
        the part. A touch that one of the parts lacks is left out for all.
    scatter : Scatter
        Uncertainty of the touches of one part, a row for each touch in the order of the first part in the table.
    area : float
        Of the faces that the touches stand for [mm2].
    zone : float
        Half the width of the zone [mm].
    white : float
        Size of the form that is finer than the touches [mm].
    part : str
        Name of the column that says the part.

    Returns
    -------
    Earlier

    Raises
    ------
    InputError
        For fewer than 20 parts, a touch twice in a part, targets that are not the same in all parts, fewer than 12
        touches that all parts have, more than 300, or a column that is missing.
    """
    y, first, kept = _by_part(table, part)
    n = len(first)
    if len(scatter.own) != n:
        raise InputError("one row of the scatter for each touch of the first part", found=len(scatter.own), expected=n)
    noise, points = scatter.of(kept).covariance(), six(array(first, TARGET)[kept], array(first, NORMAL)[kept])
    y = y[:, kept]
    count, group = len(y), np.zeros(len(points), dtype=int)
    apart, offsets = float(np.sqrt(area / len(points))), offsets_of(group)
    mean = y.mean(axis=0)
    rest = (y - mean) * np.sqrt(count / (count - 1.0))
    grid = grid_over(points, apart, zone, white, float(rest.std()))
    weak = np.exp(_centred(log_prior(grid, apart, zone, white)))
    likelihood = likelihoods(points, noise, offsets, grid, rest.T)
    each = np.exp(likelihood - likelihood.max(axis=0))
    weak = weak / weak.sum()
    weight = weak
    for _ in range(_STEPS):
        shares = weight[:, None] * each
        weight = (shares / shares.sum(axis=0)).mean(axis=1)
    bare = Earlier(count, _nothing(points, zone), grid, weight, weak, np.zeros((0, 0)), 0.0)
    of_mean = (bare.covariance_at(points) + noise) / count
    wide = grid_over(points, apart, zone, white, float(mean.std()))
    found = likelihoods(points, of_mean, offsets, wide, mean[:, None])[:, 0] + log_prior(wide, apart, zone, white)
    found = np.exp(_centred(found))
    belief = Belief(points, mean, of_mean, group, wide, found / found.sum(), apart, float(zone))
    about = rest - rest.mean(axis=0)
    squares = _squares(bare.covariance_at(points) + noise, offsets, rest.T) / (n := len(points) - 1)
    differ = max(0.0, (float(squares.var(ddof=1) / squares.mean() ** 2) - 2.0 / n) / (1.0 + 2.0 / n))
    return Earlier(
        count, belief, grid, weight, weak, about.T @ about / count, float(rest.mean(axis=1).std(ddof=1)),
        float(squares.mean()), differ, n,
    )  # fmt: skip


def _squares(covariance: np.ndarray, offsets: np.ndarray, left: np.ndarray) -> np.ndarray:
    """(k,) squared distances of columns (n, k) from zero by their covariance (n, n), with offsets (n, g) left free."""
    inverse = np.linalg.inv(covariance)
    off = inverse @ offsets
    return np.einsum("ik,ij,jk->k", left, inverse - off @ np.linalg.solve(offsets.T @ off, off.T), left)


def _by_part(table: pd.DataFrame, part: str) -> tuple[np.ndarray, pd.DataFrame, np.ndarray]:
    """Deviations (parts, n), rows of the first part, and positions of the touches that all parts have."""
    for column in (part, "touch", "deviation", *TARGET, *NORMAL):
        if column not in table:
            raise InputError("the table of earlier parts lacks a column", column=column)
    names = list(dict.fromkeys(table[part]))
    if len(names) < FEWEST_PARTS:
        raise InputError(
            "too few earlier parts to learn from",
            column=part,
            found=len(names),
            expected=f"{FEWEST_PARTS} or more: fewer give numbers that are too sure of themselves",
        )
    twice = table.duplicated([part, "touch"])
    if twice.any():
        row = table[twice].iloc[0]
        raise InputError(f"part {row[part]} has touch {row['touch']} twice", column="touch", todo="Keep one of them.")
    first = table[table[part] == names[0]].reset_index(drop=True)
    places = array(first, TARGET)
    wide = table.pivot(index=part, columns="touch", values="deviation").loc[names, first["touch"].tolist()]
    for name in names[1:]:
        there = table[table[part] == name].set_index("touch").reindex(first["touch"])
        off = np.linalg.norm(there[list(TARGET)].to_numpy(dtype=float) - places, axis=1)
        if np.nanmax(off, initial=0.0) > _OFF:
            row = int(np.nanargmax(off))
            raise InputError(
                f"part {name} was touched elsewhere",
                column="x0",
                found=f"touch {first['touch'].iloc[row]}, {off[row]:.3g} mm away",
                expected="the same targets for all parts: take those of one plan",
            )
    y = wide.to_numpy(dtype=float)
    kept = np.flatnonzero(np.isfinite(y).all(axis=0))
    if not 12 <= len(kept) <= _MOST:
        raise InputError(
            "touches that all earlier parts have", column="deviation", found=len(kept), expected=f"12 to {_MOST}"
        )
    return y, first, kept


def _centred(values: np.ndarray) -> np.ndarray:
    return values - values.max()


def _nothing(points: np.ndarray, zone: float) -> Belief:
    none = np.zeros(len(points))
    return Belief(points, none, np.zeros((len(points),) * 2), none.astype(int), np.zeros((1, 4)), np.ones(1), 1.0, zone)
