"""Between the touches: what a study asks for in ``[surface]``, and the blind spot of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET, array
from ..errors import InputError
from ..field import Defects, learn, nodes, surface, touch_next
from ..field.defects import radius_seen, seen
from ..field.nodes import Nodes
from ..nominal import Nominal
from ..plan.targets.gaps import nearest
from ..show import shown
from ..tolerance.propagation import judged_scatter
from ..uncertainty import Scatter

if TYPE_CHECKING:
    from ..field.surface import Surface
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["Between", "between", "blind_spots"]

WHITE = 0.005  # form finer than the touches, if the study does not say [mm]
_NODES, _SEED = 800, 1
_FEWEST = 12  # touches below which there is not even a word; our judgement
_PROFILE = "profile of a surface"
_LETTERS = "ABCDE"


@shown
@dataclass(frozen=True, eq=False)
class Between:
    """What may be said of the surface of one profile tolerance between its touches.

    Attributes
    ----------
    name : str
        The tolerance.
    surface : Surface or None
        None where nothing can be said; `why` says why.
    blind : str
        What hills and dents the touches would have felt.
    further : DataFrame
        Where five more touches would change most; empty if none does.
    why : str
    """

    name: str
    surface: Surface | None
    blind: str
    further: pd.DataFrame
    why: str = ""

    @property
    def sentence(self) -> str:
        """The probability with its condition, and the blind spot, in one breath."""
        said = self.why if self.surface is None else self.surface.sentence
        return f"{self.name}: {said}. {self.blind}"

    @property
    def lines(self) -> list[str]:
        """The same for the summary, with where to touch next."""
        told = [self.sentence]
        if len(self.further):
            places = [
                f"{letter} ({row.x0:.1f}, {row.y0:.1f}, {row.z0:.1f})"
                for letter, row in zip(_LETTERS, self.further.itertuples(), strict=False)
            ]
            told.append(f"More touches would change this most at {', '.join(places)}.")
        return told

    @property
    def data(self) -> dict[str, Any]:
        """For JSON."""
        one = self.surface
        return {
            "tolerance": self.name,
            "said": self.sentence,
            "probability": None if one is None or not np.isfinite(one.probability) else one.probability,
            "word": None if one is None else one.word,
            "unresolved": None if one is None else one.belief.unresolved,
            "node_spacing": None if one is None else one.spacing,
            "touch_next": self.further.drop(columns="face").to_dict("records"),
        }


def between(wanted: Mapping[str, Any], part: Nominal, judged: Verdict, scatter: Scatter | None) -> tuple[Between, ...]:
    """Judge the surfaces of profile tolerances between their touches.

    Parameters
    ----------
    wanted : mapping
        The table ``[surface]`` of the study.
    part : Nominal
    judged : Verdict
    scatter : Scatter, optional
        Of the touches of the table; default what the table says of each.

    Returns
    -------
    tuple of Between
        One for each profile of a surface that the study names, or for all of them.
    """
    profiles = {one.name: one for one in judged.evaluations if one.kind == _PROFILE}
    names = wanted.get("tolerances", list(profiles))
    names = [names] if isinstance(names, str) else names
    for name in names:
        if name not in profiles:
            raise InputError(
                "this is not a profile of a surface that is judged",
                column="surface.tolerances",
                found=name,
                expected="one of " + (", ".join(profiles) or "none: the study judges no profile of a surface"),
            )
    stated = scatter or Scatter.independent(judged.table["u"].to_numpy(dtype=float))
    return tuple(_one(wanted, part, judged, profiles[name], judged_scatter(profiles[name], stated)) for name in names)


def _one(wanted: Mapping[str, Any], part: Nominal, judged: Verdict, one: Evaluation, scatter: Scatter) -> Between:
    rng = np.random.default_rng(wanted.get("seed", _SEED))
    table = judged.table.iloc[one.rows]
    faces = [name for name in part.face_names if name in set(table["face"])]
    at = nodes(part, wanted.get("nodes", _NODES), rng, faces=faces)
    places, normals = array(table, FOOT), array(table, FOOT_NORMAL)
    white = float(wanted.get("white", WHITE))
    u = float(np.hypot(np.sqrt(np.mean(scatter.u**2)), white))
    blind = _blind(at, places, normals, u, one.width, wanted.get("hill"))
    none = pd.DataFrame(columns=[*TARGET, *NORMAL, "face", "gain"])
    if why := _why_not(one, table["touch"].to_numpy()):
        return Between(one.name, None, blind, none, why)
    half = (one.upper - one.lower) / 2.0
    belief = learn(places, normals, one.deviations, scatter, area=at.area, zone=half, white=white)
    defects = Defects(**_defects(wanted["defects"])) if "defects" in wanted else None
    said = surface(belief, at, (one.lower, one.upper), rng, defects=defects)
    resolved = np.isfinite(said.probability)
    further = touch_next(said, at, rng, u=u) if resolved and said.word == "not decided" else none
    return Between(one.name, said, blind, further)


def _why_not(one: Evaluation, touches: np.ndarray) -> str:
    """Why nothing can be said between the touches of a tolerance; empty if something can."""
    if one.touch_limits is not None:
        return "a zone that is not the same everywhere is not judged between touches"
    out = touches[(one.deviations < one.lower) | (one.deviations > one.upper)].tolist()
    if out:
        where = ", ".join(map(str, out[:5])) + (" and others" if len(out) > 5 else "")
        return f"the surface is out of its zone at touch {where}, by the touches alone"
    if len(touches) < _FEWEST:
        return f"{len(touches)} touches are too few to say what lies between them"
    return ""


def _defects(stated: Mapping[str, Any]) -> dict[str, Any]:
    return {"rate": float(stated["rate"]), **{key: tuple(map(float, stated[key])) for key in ("radius", "height")}}


def _blind(
    at: Nodes, places: np.ndarray, normals: np.ndarray, u: float, width: float, hill: Mapping[str, float] | None
) -> str:
    """What hills and dents touches at these places feel, in words."""
    if hill is not None:
        radius, height = float(hill["radius"]), float(hill["height"])
        share = seen(at, places, normals, radius, height, u)
        return (
            f"A single hill or dent of {radius:g} mm radius and {height:g} mm is felt at "
            f"{100 * share:.0f} of 100 places"
        )
    half, sure = (radius_seen(at, places, normals, width, u, share) for share in (0.5, 0.95))
    if not np.isfinite(half):
        return (
            f"A single hill or dent as high as the zone is wide ({width:g} mm) can lie on it unfelt, whatever its size"
        )
    large = f"; from {sure:.2g} mm it is felt at 95 of 100" if np.isfinite(sure) else "; parts of it have no touch"
    return (
        f"A single hill or dent as high as the zone is wide ({width:g} mm) is felt at half of all places if its radius "
        f"is {half:.2g} mm{large}: smaller ones hide between the touches"
    )


def _largest_gap(at: Nodes, targets: pd.DataFrame) -> str:
    """Where the touches of a plan leave most room, in words."""
    away = nearest(at.places, at.normals, array(targets, TARGET), array(targets, NORMAL)).min(axis=1)
    x, y, z = at.places[int(away.argmax())]
    far = f"{away.max():.2g} mm from the nearest touch" if np.isfinite(away.max()) else "on a side that has no touch"
    return f'The largest gap is round ({x:.1f}, {y:.1f}, {z:.1f}), {far}; [[plan]] how = "fill_gaps" fills such gaps'


def blind_spots(part: Nominal, tolerances: list[Mapping[str, Any]], targets: pd.DataFrame, u: float) -> list[str]:
    """What hills and dents the touches of a plan would feel, for each profile tolerance of a study.

    Parameters
    ----------
    part : Nominal
    tolerances : list of mapping
        The tables ``[[tolerance]]``.
    targets : DataFrame
        Those that will be touched.
    u : float
        Standard uncertainty of a touch, finer form left aside [mm].

    Returns
    -------
    list of str
        A line for each; none for a tolerance that covers no touch.
    """
    lines = []
    for one in tolerances:
        if one.get("kind", "profile") != "profile" or "width" not in one:
            continue
        named = one.get("features") or []
        named = [named] if isinstance(named, str) else named
        on = targets if not named else targets[targets["feature"].isin(named) | targets["face"].isin(named)]
        faces = [name for name in part.face_names if name in set(on["face"])]
        if not len(on):
            continue
        at = nodes(part, _NODES // 2, np.random.default_rng(_SEED), faces=faces)
        told = _blind(at, array(on, TARGET), array(on, NORMAL), float(np.hypot(u, WHITE)), float(one["width"]), None)
        lines.append(f"{one.get('name', 'profile')}: {told}. {_largest_gap(at, on)}")
    return lines
