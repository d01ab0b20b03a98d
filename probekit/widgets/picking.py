"""What has been picked on a model, as tables ``[[plan]]`` of a study: pure functions, no widgets.

Each click makes one table: ``how``, the name of a function of `probekit.plan`, and its arguments by name. The targets
are what these functions make of the tables, and a study that holds the same text makes the same.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import plan
from ..columns import TARGET, array
from ..errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..plan.targets.regions import Region

__all__ = [
    "MAKERS",
    "Made",
    "Picked",
    "Table",
    "added",
    "broken_up",
    "edge",
    "iso",
    "made",
    "moved",
    "plan_text",
    "plane",
    "sentence",
    "single",
    "spread",
    "undone",
    "with_number",
    "without",
]

#: One table ``[[plan]]``; never changed once made.
Table = Mapping[str, Any]

_DIGITS = 4  # decimals of coordinates in the text [mm]; the plan puts them on the surface again
_ALONG = ("n", "spacing", "denser", "inset", "feature")
_CURVES = ("section", "boundary", "iso")

#: What a click can make, in words, and whether that takes a number of targets.
MAKERS = {
    "single target": False,
    "section across x": True,
    "section across y": True,
    "section across z": True,
    "edge of the face": True,
    "parameter line, u fixed": True,
    "parameter line, v fixed": True,
    "spread over the face": True,
}


@dataclass(frozen=True)
class Picked:
    """All that was picked so far.

    Attributes
    ----------
    tables : tuple of mapping
        In the order of picking.
    before : Picked or None
        What was there before the last change.
    """

    tables: tuple[Table, ...] = ()
    before: Picked | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, eq=False)
class Made:
    """The targets of what was picked.

    Attributes
    ----------
    targets : DataFrame
        The targets table, as the study makes it: without those in keep-out places.
    all : DataFrame
        With them.
    owner : (n,) int
        Which of the tables each row of `all` comes from.
    """

    targets: pd.DataFrame
    all: pd.DataFrame
    owner: np.ndarray

    @property
    def kept(self) -> np.ndarray:
        """(n,) bool, which rows of `all` are in `targets`."""
        return np.isin(self.all["touch"], self.targets["touch"])


# -- what one click makes --------------------------------------------------------------------------------------------


def single(point: Iterable[float], face: str, feature: str = "") -> Table:
    """A single target at the point of the face nearest to `point` [mm]."""
    return {"how": "pick", "points": [_rounded(point)], "faces": face, "feature": feature or face}


def plane(
    point: Iterable[float], normal: Iterable[float], n: int, *, face: str | None = None, feature: str = ""
) -> Table:
    """`n` targets along each curve in which a plane through `point` [mm] cuts a face, or the whole part."""
    only = {} if face is None else {"faces": face}
    place = {"point": _rounded(point), "normal": [float(x) for x in normal]}
    return {"how": "section", **place, **only, "n": n, "feature": feature or face or "section"}


def edge(nominal: Nominal, point: Iterable[float], face: str, n: int, feature: str = "") -> Table:
    """`n` targets along the border of a face with that neighbour whose edge is nearest to `point` [mm].

    Raises
    ------
    InputError
        If the face has no border.
    """
    from ..plan.targets.borders import border_loops

    nearest, beyond = np.inf, -1
    for vertices, closed, neighbour in border_loops(nominal, nominal.face_index(face)):
        line = nominal.vertices[np.append(vertices, vertices[0]) if closed else vertices]
        away = _from_segments(np.asarray(list(point), dtype=float), line[:-1], line[1:])
        if away.min() < nearest:
            nearest, beyond = float(away.min()), int(neighbour[away.argmin()])
    if not np.isfinite(nearest):
        raise InputError(f"face {face!r} has no border")
    beside = "" if beyond < 0 else nominal.face_names[beyond]
    return {"how": "boundary", "face": face, "beside": beside, "n": n, "feature": feature or face}


def iso(nominal: Nominal, point: Iterable[float], face: str, fixed: str, n: int, feature: str = "") -> Table:
    """`n` targets along the parameter line through `point` [mm] on which `fixed`, "u" or "v", does not change.

    Raises
    ------
    InputError
        If the face is not one exact surface.
    """
    from ..plan.targets.parameters import exact_surface

    surface, box = exact_surface(nominal, face)
    at = np.asarray(list(point), dtype=float)
    share = np.linspace(0.0, 1.0, 25)
    near = box[0] + np.stack(np.meshgrid(share, share), axis=-1).reshape(-1, 2) * (box[1] - box[0])
    start = near[np.linalg.norm(surface.evaluate(near, 1)[0] - at, axis=1).argmin()]
    found = surface.closest(at[None], start[None]).uv[0]
    k = "uv".index(fixed)
    value = float(np.clip((found[k] - box[0, k]) / (box[1, k] - box[0, k]), 0.0, 1.0))
    return {"how": "iso", "face": face, fixed: round(value, 5), "n": n, "feature": feature or face}


def spread(face: str, n: int, *, margin: float = 0.0, seed: int = 0, feature: str = "") -> Table:
    """`n` targets spread evenly over a face, `margin` [mm] from its edges."""
    own = {"margin": float(margin)} if margin > 0 else {}
    return {"how": "blue_noise", "faces": face, "n": n, "seed": seed, **own, "feature": feature or face}


# -- changes ---------------------------------------------------------------------------------------------------------


def added(picked: Picked, table: Table) -> Picked:
    """With one more table."""
    return Picked((*picked.tables, table), picked)


def without(picked: Picked, number: int) -> Picked:
    """Without one of the tables."""
    return Picked((*picked.tables[:number], *picked.tables[number + 1 :]), picked)


def moved(picked: Picked, number: int, point: Iterable[float], face: str) -> Picked:
    """One single target taken elsewhere.

    Raises
    ------
    InputError
        If the table is not that of a single target.
    """
    table = picked.tables[number]
    if table["how"] != "pick":
        raise InputError(
            f"a target of the entry '{sentence(table)}' cannot be moved by itself",
            todo="Break it into single targets first.",
        )
    named = table["feature"] if table["feature"] != table["faces"] else ""
    return _replaced(picked, number, single(point, face, named))


def with_number(picked: Picked, number: int, n: int) -> Picked:
    """One curve or spread with `n` targets in place of those it has.

    Raises
    ------
    InputError
        If the table is that of a single target.
    """
    table = picked.tables[number]
    if "n" not in table:
        raise InputError(f"the entry '{sentence(table)}' has no number of targets")
    return _replaced(picked, number, {**table, "n": n})


def broken_up(picked: Picked, number: int, targets: pd.DataFrame) -> Picked:
    """One curve or spread as single targets at the same places.

    Parameters
    ----------
    picked : Picked
    number : int
        Which table.
    targets : DataFrame
        Its targets.
    """
    feature = picked.tables[number].get("feature", "")
    places = zip(array(targets, TARGET).tolist(), targets["face"], strict=True)
    parts = [single(point, face, feature) for point, face in places]
    return Picked((*picked.tables[:number], *parts, *picked.tables[number + 1 :]), picked)


def undone(picked: Picked) -> Picked:
    """As it was before the last change; itself if there was none."""
    return picked.before or picked


def _replaced(picked: Picked, number: int, *tables: Table) -> Picked:
    return Picked((*picked.tables[:number], *tables, *picked.tables[number + 1 :]), picked)


# -- targets and text ------------------------------------------------------------------------------------------------


def made(
    picked: Picked,
    nominal: Nominal,
    known: dict[str, pd.DataFrame],
    *,
    ball_radius: float = 0.0,
    regions: Iterable[Region] = (),
) -> Made:
    """The targets of all tables.

    Parameters
    ----------
    picked : Picked
    nominal : Nominal
    known : dict
        The targets of tables made before, by their text; new ones are put into it.
    ball_radius : float
        Least distance of a target from the edge of its face, and from the regions [mm].
    regions : iterable of Region
        Where nothing may be touched.

    Raises
    ------
    InputError
        If a table cannot be made.
    """
    parts, owner = [plan.place(nominal, np.zeros((0, 3)))], [np.zeros(0, dtype=int)]
    for table, numbers in _merged(picked.tables):
        text = _text(table)
        if text not in known:
            known[text] = _targets(table, nominal)
        parts.append(known[text])
        owner.append(np.array(numbers) if table["how"] == "pick" else np.full(len(known[text]), numbers[0]))
    every = plan.join(*parts)
    kept = plan.keep_out(every, nominal, ball_radius=ball_radius, regions=tuple(regions)) if len(every) else every
    return Made(kept, every, np.concatenate(owner))


def plan_text(picked: Picked) -> str:
    """The tables as text for a study file; empty if nothing was picked."""
    return "\n".join(_text(table) for table, _ in _merged(picked.tables))


def sentence(table: Table) -> str:
    """One table in words."""
    how, n, only = table["how"], table.get("n"), table.get("faces", table.get("face", "the whole part"))
    if how == "pick":
        x, y, z = table["points"][0]
        return f"single target on {only} at {x:z.2f}, {y:z.2f}, {z:z.2f}"
    if how == "section":
        axis = "xyz"[int(np.argmax(np.abs(table["normal"])))]
        return f"section across {axis} at {table['point']['xyz'.index(axis)]:.2f} on {only}, {n} a curve"
    if how == "boundary":
        return f"edge of {only} beside {table['beside'] or 'nothing'}, {n} a curve"
    if how == "iso":
        fixed = "u" if "u" in table else "v"
        return f"parameter line {fixed} = {table[fixed]:g} of {only}, {n} a curve"
    return f"{n} spread over {only}"


def _merged(tables: Iterable[Table]) -> list[tuple[Table, list[int]]]:
    """Tables of single targets that follow each other as one; with the numbers of the tables that each stands for."""
    out: list[tuple[Table, list[int]]] = []
    for number, table in enumerate(tables):
        last = out[-1][0] if out else {}
        same = table["how"] == "pick" and all(last.get(key) == table[key] for key in ("how", "faces", "feature"))
        if same:
            out[-1] = ({**last, "points": [*last["points"], *table["points"]]}, [*out[-1][1], number])
        else:
            out.append((table, [number]))
    return out


def _targets(table: Table, nominal: Nominal) -> pd.DataFrame:
    own = {key: value for key, value in table.items() if key not in ("how", "seed")}
    way = getattr(plan, table["how"])
    if table["how"] in _CURVES:
        along = {key: own.pop(key) for key in _ALONG if key in own}
        return plan.along(nominal, way(nominal, **own), **along)
    if "seed" in table:
        own["rng"] = np.random.default_rng(table["seed"])
    return way(nominal, **own)


def _text(table: Table) -> str:
    return "".join(["[[plan]]\n", *(f"{key} = {_toml(value)}\n" for key, value in table.items())])


def _toml(value: Any) -> str:
    """A value as TOML 1.0 writes it; the escapes of a JSON string are those of a basic string, but for DEL."""
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _rounded(point: Iterable[float]) -> list[float]:
    return [round(float(x), _DIGITS) + 0.0 for x in point]


def _from_segments(point: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """(n,) distance of a point from straight segments."""
    along = end - start
    square = np.einsum("ij,ij->i", along, along)
    share = np.clip(np.einsum("ij,ij->i", point - start, along) / np.where(square > 0, square, 1.0), 0.0, 1.0)
    return np.linalg.norm(start + share[:, None] * along - point, axis=1)
