"""Fewer touches at equal risk: what touches cost in blind spot and in certainty, by their number and their way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..field import Defects, learn, surface
from ..field.belief import WHITE
from ..field.defects import radius_seen
from ..field.kernel import six
from ..field.nodes import Nodes
from ..machine import AsMade, Hill
from ..plan import blue_noise, fill_gaps, grid_along, join, scan
from ..plan.targets.snapping import face_numbers
from ..plan.targets.spread import candidates
from ..uncertainty import Scatter
from .readings import positive, whole
from .result import GaugeResult, Panel, Series, percent

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["fewer_touches"]

WAYS = ("fill_gaps", "blue_noise", "grid", "rows")
_ANY_NUMBER = ("fill_gaps", "blue_noise")  # the others come in whole rows
_STEPS = (0.4, 0.6, 0.8, 1.0, 1.4)  # of the touches of the plan
_PLACES = 2000
_ACCEPTED = 0.9
_WAVES = 300
_SHARE = 0.95  # of the places at which a hill is to be felt


def fewer_touches(
    nominal: Nominal,
    targets: pd.DataFrame,
    *,
    width: float,
    u: float = 0.003,
    white: float = WHITE,
    faces: str | Iterable[str] | None = None,
    margin: float = 3.0,
    counts: Sequence[int] | None = None,
    ways: Sequence[str] = WAYS,
    form: tuple[float, float] | None = None,
    defects: Defects | None = None,
    parts: int = 20,
    nodes: int = 600,
    seed: int = 0,
) -> GaugeResult:
    """What other numbers of touches, and other ways of placing them, would feel and would say.

    Many parameters: a plan is compared by what it is for (zone, uncertainty, margin) on parts that somebody describes.

    Parameters
    ----------
    nominal : Nominal
    targets : DataFrame
        The plan: its targets on these faces.
    width : float
        Of the zone, half of it on each side [mm].
    u : float
        Standard uncertainty of a touch [mm].
    white : float
        Size of the form that is finer than the touches [mm].
    faces : str or several, optional
        Default those of the targets.
    margin : float
        Least distance of targets from the edges of faces [mm], for the other ways.
    counts : sequence of int, optional
        Numbers of touches to compare; default 0.4 to 1.4 of the plan's.
    ways : sequence of str
        Of placing them: fill_gaps, blue_noise, grid, rows.
    form : (length, rms), optional
        Smooth form of the parts that are tried: over which length it changes, and how large it is [mm]. Without it
        only the blind spot is compared.
    defects : Defects, optional
        Hills and dents that these parts have as well.
    parts : int
        How many are tried for each number and way.
    nodes : int
        Places at which each is judged.
    seed : int
        Same seed, same parts, same result.

    Returns
    -------
    GaugeResult
        `table`: way, touches; `half` and `most`, the radius from which a hill as high as the zone is wide is felt at
        half and at 95 of 100 places [mm]; with `form` also parts, how many were good, accepted (P of 0.9 or more), bad
        among these, the 95 % interval of the share of bad, and the mean P of the good ones. `values`: ``touches``,
        ``half``, ``most`` of the plan, and ``as good <way>``, the number of touches by that way that leaves no larger
        `most` (NaN if none of those tried does): between those tried for fill_gaps and blue_noise, which can make any
        number, and one that was tried for grid and rows, which cannot.

    Raises
    ------
    InputError
        If a number is not usable, or the targets are not on the faces.

    Notes
    -----
    The parts are those of the virtual machine (`probekit.machine.AsMade`), touched at the targets with the uncertainty
    stated: half of its variance each touch has to itself, half all share. Smooth form is a sum of random cosines whose
    wave vectors are those of a Matern spectrum of random smoothness, so that it is not drawn by what judges it. Hills
    stand where they come to stand. Where a part is not smooth between the touches P does not know it: read `bad`.
    """
    positive(width, "width of the zone"), positive(u, "uncertainty of a touch"), positive(white, "finer form")
    rng = np.random.default_rng(whole(seed, "seed", 0))
    names = list(dict.fromkeys(targets["face"])) if faces is None else [faces] if isinstance(faces, str) else [*faces]
    plan = targets[targets["face"].isin(names)]
    if len(plan) < 4:
        raise InputError("the plan has too few targets on these faces", found=len(plan), expected="4 or more")
    found = candidates(nominal, names, _PLACES, rng)
    at = Nodes(found.points, found.normals, found.face, float(nominal.face_areas[face_numbers(nominal, names)].sum()))
    wanted = sorted({max(4, round(step * len(plan))) for step in _STEPS}) if counts is None else sorted(set(counts))
    tables = {("the plan", len(plan)): plan}
    known = _ways(nominal, names, margin)
    for way in ways:
        if way not in known:
            raise InputError("there is no such way of placing touches", found=way, expected=", ".join(WAYS))
        make = known[way]
        for count in wanted:
            made = make(whole(count, "number of touches", 4), np.random.default_rng([seed, count]))
            tables |= {} if made is None else {(way, len(made)): made}
    stated = 0.5 * width, u, white
    trials = None if form is None else _Trials(nominal, at, _forms(form), defects, stated, nodes, parts, seed)
    rows = []
    for (way, count), table in tables.items():
        points, normals = array(table, TARGET), array(table, NORMAL)
        felt = [radius_seen(at, points, normals, width, float(np.hypot(u, white)), share) for share in (0.5, _SHARE)]
        rows.append({"way": way, "touches": count, "half": felt[0], "most": felt[1]})
        rows[-1] |= {} if trials is None else trials.of(table)
    return _result(pd.DataFrame(rows), width, form, defects)


def _ways(nominal: Nominal, names: list[str], margin: float) -> dict[str, Callable[..., pd.DataFrame]]:
    """Name of each way -> function of number and Generator that gives targets; grid and rows come near the number."""
    chosen = np.isin(nominal.facet_face, face_numbers(nominal, names))
    corner = nominal.vertices[nominal.facets[chosen]]
    facing = np.abs(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])).sum(axis=0)
    down = np.eye(3)[int(facing.argmax())]
    long = np.ptp(corner.reshape(-1, 3), axis=0) * (down == 0)
    across = np.eye(3)[int(long.argmax())]
    area = float(nominal.face_areas[face_numbers(nominal, names)].sum())

    def grid(spacing: float) -> pd.DataFrame:
        sides = []
        for way in (down, -down):
            try:
                sides.append(grid_along(nominal, way, faces=names, spacing=spacing, margin=margin))
            except InputError:  # a face that is seen from one side alone
                continue
        return join(*sides)

    def rows(spacing: float) -> pd.DataFrame:
        return scan(nominal, across, faces=names, step=1.6 * spacing, spacing=spacing / 1.6, margin=margin)

    def near(make: Callable[[float], pd.DataFrame], count: int) -> pd.DataFrame | None:
        """By bisection of the spacing; None if the faces leave no room for it."""
        low, high, best = 0.2 * np.sqrt(area / count), 4.0 * np.sqrt(area / count), None
        for _ in range(12):
            middle = float(np.sqrt(low * high))
            try:
                made = make(middle)
            except InputError:  # too wide for faces so small
                high = middle
                continue
            if best is None or abs(len(made) - count) < abs(len(best) - count):
                best = made
            low, high = (middle, high) if len(made) > count else (low, middle)
        return best

    return {
        "fill_gaps": lambda n, rng: fill_gaps(nominal, n, rng, faces=names, margin=margin),
        "blue_noise": lambda n, rng: blue_noise(nominal, n, rng, faces=names, margin=margin),
        "grid": lambda n, _rng: near(grid, n),
        "rows": lambda n, _rng: near(rows, n),
    }


def _forms(form: tuple[float, float]) -> Callable[[np.random.Generator], Callable[..., np.ndarray]]:
    """Generator -> displacement of points and normals [mm]."""
    length, rms = positive(form[0], "length of the form"), positive(form[1], "rms of the form")

    def drawn(rng: np.random.Generator) -> Callable[..., np.ndarray]:
        nu, of = rng.choice([0.8, 1.5, 2.5]), length * rng.uniform(0.7, 1.4)
        waves = rng.standard_normal((_WAVES, 6)) / of * np.sqrt(2 * nu / rng.chisquare(2 * nu, _WAVES))[:, None]
        phase, size = rng.uniform(0, 2 * np.pi, _WAVES), rms * rng.uniform(0.7, 1.3) * np.sqrt(2.0 / _WAVES)
        return lambda points, normals: size * np.cos(six(points, normals) @ waves.T + phase).sum(axis=1)

    return drawn


class _Trials:
    """The same parts for every plan."""

    def __init__(
        self,
        nominal: Nominal,
        at: Nodes,
        forms: Callable[..., Callable[..., np.ndarray]],
        defects: Defects | None,
        known: tuple[float, float, float],
        nodes: int,
        parts: int,
        seed: int,
    ):
        """`known`: half the zone, uncertainty of a touch, finer form [mm]."""
        rng = np.random.default_rng([seed, 1])
        half, self.u, self.white = known
        self.at, self.half, self.seed, self.defects = at, half, seed, defects
        self.nominal, self.made, self.good = nominal, [], []
        pick = np.linspace(0, len(at.places) - 1, min(whole(nodes, "number of nodes", 50), len(at.places))).astype(int)
        self.nodes = Nodes(at.places[pick], at.normals[pick], at.face[pick], at.area)
        for _ in range(whole(parts, "number of parts", 2)):
            hills = [] if defects is None else self._hills(defects, rng)
            part = AsMade(nominal, hills=tuple(hills), further=forms(rng))
            self.made.append(part)
            self.good.append(bool((np.abs(part.left(at.places, at.normals, at.face)) < half).all()))

    def _hills(self, defects: Defects, rng: np.random.Generator) -> list[Hill]:
        hills = []
        for k in rng.integers(len(self.at.places), size=rng.poisson(defects.rate)):
            height = rng.choice((-1.0, 1.0)) * rng.uniform(*defects.height)
            place, normal = (tuple(one[k].tolist()) for one in (self.at.places, self.at.normals))
            hills.append(Hill(place, rng.uniform(*defects.radius), height, normal))
        return hills

    def of(self, table: pd.DataFrame) -> dict[str, float]:
        """What the touches of one plan say of each part."""
        points, normals = array(table, TARGET), array(table, NORMAL)
        face = table["face"].map(self.nominal.face_index).to_numpy(int)
        each = self.u / np.sqrt(2.0)
        scatter = Scatter(np.full(len(table), each), np.full((len(table), 1), each), ("shared",))
        said = []
        for k, part in enumerate(self.made):
            rng = np.random.default_rng([self.seed, 2, k])
            y = part.left(points, normals, face) + scatter.draw(1, rng)[0]
            if (np.abs(y) > self.half).any():
                said.append(0.0)  # out, by the touches alone
                continue
            belief = learn(points, normals, y, scatter, area=self.at.area, zone=self.half, white=self.white)
            judged = surface(belief, self.nodes, (-self.half, self.half), rng, defects=self.defects)
            said.append(judged.probability if np.isfinite(judged.probability) else np.nan)
        p, good = np.array(said), np.array(self.good)
        accepted = p >= _ACCEPTED
        bad = int((accepted & ~good).sum())
        low, high = (
            stats.binomtest(bad, int(accepted.sum())).proportion_ci(method="exact") if accepted.any() else (0.0, 1.0)
        )
        return {
            "parts": len(p), "good": int(good.sum()), "accepted": int(accepted.sum()),
            "bad": bad, "bad low": low, "bad high": high,
            "said of good": float(np.nanmean(p[good])) if np.isfinite(p[good]).any() else np.nan,
        }  # fmt: skip


def _result(
    table: pd.DataFrame, width: float, form: tuple[float, float] | None, defects: Defects | None
) -> GaugeResult:
    plan, told = table.iloc[0], []
    values = {name: float(plan[name]) for name in ("touches", "half", "most")}
    lines, probability = [], []
    for way, of in table.iloc[1:].groupby("way", sort=False):
        of = of.sort_values("touches")
        values[f"as good {way}"] = enough = _as_good(of, float(plan["most"]), between=way in _ANY_NUMBER)
        fewer = " or fewer" if enough == of["touches"].iloc[0] else ""
        told.append(f"{way} {'none of those tried' if np.isnan(enough) else f'{enough:.0f}{fewer}'}")
        x = of["touches"].to_numpy(float)
        lines.append(Series("line", x, of["most"].to_numpy(float), str(way)))
        if form is not None:
            probability.append(Series("line", x, of["accepted"].to_numpy(float) / plan["parts"], f"{way}, accepted"))
    here = np.array([plan["touches"]], dtype=float)
    figure = [
        Panel(
            f"blind spot: hills {width:g} mm high, felt at 95 of 100 places",
            "touches",
            "from a radius of [mm]",
            (*lines, Series("points", here, np.array([plan["most"]]), "the plan")),
        )
    ]
    said = (
        f"The {plan['touches']} touches of the plan feel a hill or dent {width:g} mm high at 95 of 100 places from a "
        f"radius of {plan['most']:.3g} mm; as good are: {', '.join(told)}"
    )
    notes = ["smaller and lower hills hide between the touches, whatever is said of the surface"]
    if form is not None:
        share = np.array([plan["accepted"] / plan["parts"]])
        figure.append(
            Panel(
                f"of {plan['parts']} parts, {plan['good']} good",
                "touches",
                "share accepted",
                (*probability, Series("points", here, share, "the plan")),
                ((plan["good"] / plan["parts"], "good"),),
            )
        )
        said += (
            f"; of {plan['parts']} invented parts, {plan['good']} of them good, its touches accept {plan['accepted']} "
            f"(P of 0.9 or more if the form is smooth between the touches{' but for the hills' if defects else ''}), "
            f"{plan['bad']} of them bad ({percent(plan['bad low'])} to {percent(plan['bad high'])})"
        )
        notes.append("the parts are invented: form and hills as stated, touched without errors of alignment")
    return GaugeResult("fewer touches at equal risk", said, table, values, tuple(figure), {}, tuple(notes))


def _as_good(of: pd.DataFrame, most: float, *, between: bool) -> float:
    """Least number of touches that leaves no larger blind spot; between the numbers tried by a power law; NaN if none.

    The first number tried may be as good already: fewer may do, and nothing is said of them.
    """
    n, radius = of["touches"].to_numpy(float), of["most"].to_numpy(float)
    good = np.flatnonzero(radius <= most)
    if not len(good):
        return float("nan")
    k = int(good[0])
    if k == 0 or not between or not np.isfinite(radius[k - 1]):
        return float(n[k])
    share = np.log(radius[k - 1] / most) / np.log(radius[k - 1] / radius[k])
    return float(np.ceil(n[k - 1] * (n[k] / n[k - 1]) ** share))
