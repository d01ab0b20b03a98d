"""How likely a whole surface lies in its zone, by what its touches say of the field of its deviations.

Fields are drawn given the touches (`probekit.field.drawing`), for some sets of the grid of the belief by weight. P is
the share of fields that lie within both limits at every node and every touched place. Too few nodes make P too large:
their distance is part of the statement.

P is no verdict: a hill between the touches is not in it (`probekit.field.blind_spot`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..errors import InputError
from ..show import shown
from .belief import RESOLVED, Belief
from .defects import Defects, hills
from .drawing import Drawing
from .earlier import Earlier
from .kernel import ACROSS, distances, six
from .nodes import Nodes
from .tempering import ROWS, explain
from .words import CONDITION, blind_spot_said

__all__ = ["Surface", "surface"]

FEWEST = 30  # touched places below which there are words instead of a number
FEWEST_WITH_EARLIER = 12  # the same where twenty earlier parts have shown the form
_SMALL = (
    8.0  # form that is finer than the touches may stay so, if the zone is so many times its rms away: our judgement
)
_SETS = 20
_WITH_DEFECTS = 500  # sets, as each has other defects
_FEW_SETS = 50
_FEW_POPULATIONS = 2.0
_OPEN = 0.3  # width of the interval of a probability above which it is not a number to decide by: our judgement
FINE = 6.0  # nodes stand closer than the length (its lower tenth) over this
_MOST_PLACES = 0.95  # that must not be farther from a touch than the length of the form
_EVEN = 1.5  # gap over distance of touches: above it small form at the touches says nothing of the gap; our judgement


@shown
@dataclass(frozen=True, eq=False)
class Surface:
    """What may be said of a surface between its touches.

    Attributes
    ----------
    belief : Belief
    probability : float
        That the whole surface is in its zone, if its form is smooth between the touches; NaN where no number is given.
    low, high : float
        95 % interval of it by the number of fields.
    out : (m,) float
        Probability of each node to be out.
    mean, u : (m,) float
        Estimated deviation of each node and its standard deviation [mm].
    fields : (k, m) float
        The fields drawn, at the nodes [mm].
    touched : (k, n) float
        The same fields at the touched places [mm].
    inside : (k,) bool
        Fields that are in the zone at all nodes and touches.
    spacing : float
        Distance of the nodes [mm].
    small : bool
        Whether the form is so small against the zone that touches need not follow it.
    defects : Defects, optional
        Local defects that were declared.
    effective : float
        How many independent sets of defects are worth as much as those drawn, by how often they repeat and by how far
        the populations that drew them agree; infinite if none were declared.
    blind : str
        What hills and dents the touches would have felt.
    """

    belief: Belief
    probability: float
    low: float
    high: float
    out: np.ndarray
    mean: np.ndarray
    u: np.ndarray
    fields: np.ndarray
    touched: np.ndarray
    inside: np.ndarray
    spacing: float
    small: bool = False
    defects: Defects | None = None
    effective: float = np.inf
    blind: str = "what hides between the touches is not known"

    @property
    def told(self) -> bool:
        """Whether anything may be said: the touches resolve the surface, or its form is small against the zone."""
        return self.small or self.belief.unresolved <= RESOLVED

    @property
    def unsettled(self) -> bool:
        """Whether the sets of declared defects that were drawn leave the probability open by more than three tenths."""
        return self.defects is not None and self.high - self.low > _OPEN

    @property
    def word(self) -> str:
        """In words: "very likely in its zone", "not decided", "very likely not in its zone", "too far apart to say"."""
        if not self.told:
            return "too far apart to say"
        if self.unsettled:
            return "not decided"
        share = float(self.inside.mean())
        if share > 0.95:
            return "very likely in its zone"
        return "very likely not in its zone" if share < 0.05 else "not decided"

    @property
    def open(self) -> bool:
        """Whether further touches may decide: enough is known to choose them, and it is not decided."""
        return self.word == "not decided" and bool(np.isfinite(self.probability) or self.unsettled)

    @property
    def sentence(self) -> str:
        """What the touches say of the surface between them; never without what they could not see."""
        return self.said(self.blind)

    def said(self, blind: str) -> str:
        """The same with a blind spot in other words: one sentence, so that no part of it is read alone."""
        hidden = f"; {blind[:1].lower()}{blind[1:]}"
        if not self.told:
            return self.belief.sentence + hidden
        touches = self.belief.sentence if self.belief.unresolved <= RESOLVED else self.belief.small
        if self.unsettled:
            return (
                f"{touches}; what was drawn of the declared local defects does not agree on a number "
                f"({self.low:.2f} to {self.high:.2f}): {self.word}, {CONDITION}{hidden}"
            )
        if not np.isfinite(self.probability):
            few = f"{self.belief.places} touched places are too few for a number, which takes {self._fewest}"
            return f"{touches}; {few}: {self.word}, {CONDITION}{hidden}"
        condition = CONDITION
        if self.defects:
            rough = f" (rough: of those drawn only about {self.effective:.0f} sets explain the touches)"
            condition += " but for the declared local defects" + (rough if self.effective < _FEW_SETS else "")
        return (
            f"{touches}; the whole surface lies in its zone with a probability of "
            f"{_said(self.probability)} ({self._drawn()}nodes every {self.spacing:.2g} mm{self._coarse}), "
            f"{condition}{hidden}"
        )

    @property
    def _coarse(self) -> str:
        """That nodes so far apart make the probability too large."""
        if self.spacing <= self.belief.length(0.1) / FINE:
            return ""
        return f", coarse for a form of {self.belief.length(0.1):.2g} mm: with more of them it would be smaller"

    @property
    def _fewest(self) -> int:
        return FEWEST if self.belief.earlier is None else FEWEST_WITH_EARLIER

    def _drawn(self) -> str:
        sure = not 0.01 <= self.probability <= 0.99
        return "" if sure else f"{self.low:.2f} to {self.high:.2f} by simulation, "


def _said(probability: float) -> str:
    """Two digits, and never certain."""
    if probability > 0.99:
        return "more than 0.99"
    return "less than 0.01" if probability < 0.01 else f"{probability:.2f}"


def surface(
    belief: Belief,
    at: Nodes,
    limits: tuple[float, float],
    rng: np.random.Generator,
    *,
    group: np.ndarray | None = None,
    defects: Defects | None = None,
    fields: int = 1000,
) -> Surface:
    """Judge a whole surface by its touches.

    Parameters
    ----------
    belief : Belief
        See `learn`.
    at : Nodes
        Where it is judged; 600 to 1600 of them, some on the edges of the faces: see `nodes`.
    limits : (lower, upper)
        Of the deviation [mm]; infinite where there is none.
    rng : numpy.random.Generator
    group : (m,) int, optional
        Group of each node; default the first group of the belief for all.
    defects : Defects, optional
        Local defects that the process makes; without them P holds only for a form that is smooth.
    fields : int
        How many are drawn.

    Returns
    -------
    Surface

    Raises
    ------
    InputError
        If a node is of a group that has no touch, or the limits are not in order.
    """
    lower, upper = map(float, limits)
    if not lower < upper:
        raise InputError("the lower limit must be below the upper one", found=limits)
    group = np.full(len(at.places), belief.group[0]) if group is None else np.asarray(group)
    if not np.isin(group, belief.group).all():
        raise InputError("a face has no touch of its own: nothing is said of it", found=sorted(set(group.tolist())))
    points = six(at.places, at.normals)
    m, drawing = len(points), Drawing.at(belief, points, group)
    if belief.earlier is None:  # touches that earlier parts have placed stand unevenly
        away = distances(points[: m - at.edges], belief.points).min(axis=1)
        belief = replace(belief, gap=float(np.quantile(away, _MOST_PLACES)))
        if belief.sides is not None:
            sides = belief.sides.reaching(belief.points, points[: m - at.edges], at.area, _MOST_PLACES)
            belief = replace(belief, sides=sides)
    sets, hidden = belief.draw(_SETS, rng), np.zeros((_SETS, m + len(belief.points)))
    effective, population, counts = np.inf, None, np.ones(1)
    base = belief.deviation
    if belief.earlier is not None and belief.pattern is not None:
        sets, base = belief.draw(ROWS, rng), belief.deviation + belief.pattern
        hidden = _patterns(belief.earlier, np.vstack([points, belief.points]), ROWS, rng)
    if defects is not None:
        middles = points[: m - at.edges]
        sets, chosen, effective, population, counts = explain(belief, defects, middles, _WITH_DEFECTS, rng)
        local = hills(chosen, np.vstack([points, belief.points]))
        hidden = local if base is belief.deviation else local + hidden[rng.integers(ROWS, size=len(local))]
    each = -(-fields // len(sets))
    drawn: list[np.ndarray] = []
    for number in np.unique(sets):
        off = np.repeat(hidden[sets == number], each, axis=0)
        for some in np.split(off, len(off) // each) if belief.sides is not None and defects is None else [off]:
            drawn.append(some + drawing.given(int(number), base - some[:, m:], rng))
    everywhere = np.vstack(drawn)
    if belief.earlier is not None:
        everywhere = _stretched(everywhere, belief.earlier.parts - 1, rng)
    within = (everywhere > lower) & (everywhere < upper)
    inside, at_nodes = np.asarray(within.all(axis=1)), everywhere[:, :m]
    if population is not None:
        populations = np.repeat(population[np.argsort(sets, kind="stable")], each)
        effective = min(effective, _agreeing(inside, populations, counts))
    low, high = _interval(inside.reshape(ROWS if len(sets) > _SETS else _SETS, -1), effective)
    share = float(inside.mean())
    far = belief.gap if belief.sides is None else max(belief.gap, float(belief.sides.reach.max()))
    small = far <= _EVEN * belief.apart and _small(belief, base, lower, upper)
    fewest = FEWEST if belief.earlier is None else FEWEST_WITH_EARLIER
    told = (small or belief.unresolved <= RESOLVED) and belief.places >= fewest
    told = told and (defects is None or high - low <= _OPEN)
    return Surface(
        belief=belief,
        probability=min(max(share, 3.0 / len(inside)), 1.0 - 3.0 / len(inside)) if told else np.nan,
        low=low,
        high=high,
        out=1.0 - within[:, :m].mean(axis=0),
        mean=at_nodes.mean(axis=0),
        u=at_nodes.std(axis=0),
        fields=at_nodes,
        touched=everywhere[:, m:],
        inside=inside,
        spacing=at.spacing,
        small=small,
        defects=defects,
        effective=effective,
        blind=_blind(belief, at, lower, upper),
    )


def _blind(belief: Belief, at: Nodes, lower: float, upper: float) -> str:
    """What the touches would have felt, of a hill as high as the zone is wide."""
    if not np.isfinite(upper - lower):
        return "a single hill or dent is not limited by a zone that is open, and can lie between the touches unfelt"
    white = float(belief.weight @ belief.grid[:, 3])
    u = float(np.hypot(np.sqrt(np.mean(np.diag(belief.noise))), white))
    return blind_spot_said(at, belief.points[:, :3], belief.points[:, 3:] / ACROSS, u, upper - lower)


def _patterns(earlier: Earlier, everywhere: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """(count, m + n) patterns that the earlier parts may have in common, at nodes and touches [mm]."""
    mean, covariance = earlier.pattern(everywhere)
    root = np.linalg.cholesky(covariance + 1e-8 * float(np.trace(covariance)) / len(mean) * np.eye(len(mean)))
    return mean + rng.standard_normal((count, len(mean))) @ root.T


def _stretched(fields: np.ndarray, freedom: int, rng: np.random.Generator) -> np.ndarray:
    """The fields (k, m) as draws of Student's t: so few parts do not say exactly by how much they differ."""
    middle = fields.mean(axis=0)
    return middle + np.sqrt(freedom / rng.chisquare(freedom, (len(fields), 1))) * (fields - middle)


def _small(belief: Belief, base: np.ndarray, lower: float, upper: float) -> bool:
    """Whether both limits are many times the scatter of the touches away from each group of them."""
    parts = [base[belief.group == one] for one in np.unique(belief.group)]
    rms = float(np.sqrt(np.mean(np.concatenate([part - part.mean() for part in parts]) ** 2)))
    return all(min(upper - part.mean(), part.mean() - lower) > _SMALL * rms for part in parts)


def _interval(by_set: np.ndarray, effective: float) -> tuple[float, float]:
    """95 % interval of a share (Jeffreys: Brown, Cai, DasGupta, Statistical Science 16, 2001).

    Fields of one set (a row) are no independent draws: as many count as have the scatter that the sets show, and no
    more than there are sets of defects.
    """
    from scipy.special import betaincinv

    share = float(by_set.mean())
    scatter = float(by_set.mean(axis=1).var(ddof=1)) / len(by_set)
    worth = share * (1.0 - share) / scatter if scatter > 0 and 0 < share < 1 else by_set.size
    k = float(min(worth, by_set.size, effective))
    yes = share * k
    return (
        float(betaincinv(yes + 0.5, k - yes + 0.5, 0.025)) if yes else 0.0,
        float(betaincinv(yes + 0.5, k - yes + 0.5, 0.975)) if yes < k else 1.0,
    )


def _agreeing(inside: np.ndarray, population: np.ndarray, weight: np.ndarray) -> float:
    """How many independent sets would leave the share inside (k,) as open as the populations (k,) that drew them do.

    Each population counts by its weight (p,). Where one or two have nearly all of it, there is nothing to compare, and
    that is one set.
    """
    worth = 1.0 / float((weight**2).sum())
    if worth < _FEW_POPULATIONS:
        return 1.0
    share = np.array(
        [inside[population == k].mean() if (population == k).any() else np.nan for k in range(len(weight))]
    )
    drawn = np.isfinite(share)
    whole, counts = float(inside.mean()), weight[drawn] / weight[drawn].sum()
    variance = float(counts**2 @ (share[drawn] - whole) ** 2) * worth / (worth - 1.0)
    return max(whole * (1.0 - whole) / variance, 1.0) if variance > 0 and 0 < whole < 1 else np.inf
