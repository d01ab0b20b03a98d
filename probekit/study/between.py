"""Between the touches: what a study asks for in ``[surface]``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET, array
from ..errors import InputError
from ..field import Defects, learn, nodes, surface, touch_next
from ..field.belief import WHITE
from ..field.nodes import Nodes
from ..field.surface import FINE
from ..field.words import blind_spot_said
from ..nominal import Nominal
from ..scene.between import with_field
from ..show import shown
from ..tolerance.propagation import judged_scatter
from ..uncertainty import Scatter
from .blind import NODES, SEED
from .earlier_parts import earlier_of

if TYPE_CHECKING:
    from ..field.belief import Belief
    from ..field.surface import Surface
    from ..scene.model import Scene
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["Between", "between", "drawn_between"]

_MOST_NODES = 1600
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
    at : Nodes or None
        Where the surface was judged.
    only : str
        The faces that have touches, where the tolerance covers others as well: nothing is said of those.
    """

    name: str
    surface: Surface | None
    blind: str
    further: pd.DataFrame
    why: str = ""
    at: Nodes | None = None
    only: str = ""

    @property
    def sentence(self) -> str:
        """The probability with its condition, and the blind spot, in one breath."""
        name = f"{self.name} ({self.only}, the faces that have touches)" if self.only else self.name
        if self.surface is not None:
            return f"{name}: {self.surface.said(self.blind)}"
        return f"{name}: {self.why}; {self.blind[:1].lower()}{self.blind[1:]}"

    @property
    def lines(self) -> list[str]:
        """The same for the summary, with where to touch next."""
        told = [self.sentence]
        if len(self.further):
            places = [
                f"{letter} ({row.x0:.1f}, {row.y0:.1f}, {row.z0:.1f})"
                for letter, row in zip(_LETTERS, self.further.itertuples(), strict=False)
            ]
            told.append(
                f"More touches would change this most at {', '.join(places)}; whether the probe reaches them is not "
                'checked here, but by a plan ([[plan]] how = "pick").'
            )
        elif self.surface is not None and self.surface.open:
            told.append("No touch at a further place would by itself change this much.")
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


def between(
    wanted: Mapping[str, Any], part: Nominal, judged: Verdict, scatter: Scatter | None, folder: Path = Path()
) -> tuple[Between, ...]:
    """Judge the surfaces of profile tolerances between their touches.

    Parameters
    ----------
    wanted : mapping
        The table ``[surface]`` of the study.
    part : Nominal
    judged : Verdict
    scatter : Scatter, optional
        Of the touches of the table; default what the table says of each.
    folder : Path
        That of the study, for files that the table names.

    Returns
    -------
    tuple of Between
        One for each profile of a surface that the study names, or for all of them.
    """
    said = zip(judged.evaluations, judged.touch_words, strict=True)
    profiles = {one.name: (one, words) for one, words in said if one.kind == _PROFILE}
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
    return tuple(_one(wanted, part, judged.table, *profiles[name], stated, folder) for name in names)


def _one(
    wanted: Mapping[str, Any],
    part: Nominal,
    touches: pd.DataFrame,
    one: Evaluation,
    words: np.ndarray,
    stated: Scatter,
    folder: Path,
) -> Between:
    rng = np.random.default_rng(wanted.get("seed", SEED))
    scatter, table = judged_scatter(one, stated), touches.iloc[one.rows]
    faces = [name for name in part.face_names if name in set(table["face"])]
    only = "" if one.features or len(faces) == len(part.face_names) else _listed(faces)
    at = nodes(part, wanted.get("nodes", NODES), rng, faces=faces, edges=True, between=one.between)
    places, normals = array(table, FOOT), array(table, FOOT_NORMAL)
    white = float(wanted.get("white", WHITE))
    u = float(np.hypot(np.sqrt(np.mean(scatter.u**2)), white))
    blind = blind_spot_said(at, places, normals, u, one.width, wanted.get("hill"))
    none = pd.DataFrame(columns=[*TARGET, *NORMAL, "face", "gain"])
    if why := _why_not(one, table["touch"].to_numpy(), words):
        return Between(one.name, None, blind, none, why, only=only)
    half = (one.upper - one.lower) / 2.0
    earlier = earlier_of(wanted, folder, one, table, scatter, area=at.area, white=white, model=part.sha256)
    belief = learn(places, normals, one.deviations, scatter, area=at.area, zone=half, white=white, earlier=earlier)
    if "nodes" not in wanted and (count := _enough(belief, at)) > NODES:
        at = nodes(part, count, rng, faces=faces, edges=True, between=one.between)
    defects = Defects(**_defects(wanted["defects"])) if "defects" in wanted else None
    said = surface(belief, at, (one.lower, one.upper), rng, defects=defects)
    further = touch_next(said, at, rng, u=u) if said.open else none
    return Between(one.name, said, blind, further, at=at, only=only)


def _enough(belief: Belief, at: Nodes) -> int:
    """How many nodes stand close enough for the form, as far as they can be judged together."""
    return min(int(at.area * (FINE / belief.length(0.1)) ** 2), _MOST_NODES)


def drawn_between(scene: Scene, surfaces: Iterable[Between]) -> Scene:
    """The scene with what is estimated between the touches of each surface of which anything may be said."""
    for one in surfaces:
        if one.surface is not None and one.at is not None and one.surface.told:
            field = one.surface.mean, one.surface.u
            at, said = one.at, [one.sentence]
            scene = with_field(scene, at.places, at.normals, *field, face=at.face, spacing=at.spacing, said=said)
    return scene


def _why_not(one: Evaluation, touches: np.ndarray, words: np.ndarray) -> str:
    """Why nothing can be said between the touches of a tolerance; empty if something can.

    A touch is out by the decision rule alone: one that is beyond a limit by less than its uncertainty is undecided, and
    the model knows how far it may be off.
    """
    if one.touch_limits is not None:
        return "a zone that is not the same everywhere is not judged between touches"
    out = touches[np.isin(words, ("high", "low"))].tolist()
    if out:
        return f"the surface is out of its zone at touch{'es' * (len(out) > 1)} {_listed(out)}, by the touches alone"
    if len(touches) < _FEWEST:
        return f"{len(touches)} touches are too few to say what lies between them"
    return ""


def _listed(names: list) -> str:
    return ", ".join(map(str, names[:5])) + (" and others" if len(names) > 5 else "")


def _defects(stated: Mapping[str, Any]) -> dict[str, Any]:
    return {"rate": float(stated["rate"]), **{key: tuple(map(float, stated[key])) for key in ("radius", "height")}}
