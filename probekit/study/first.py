"""The first touches of a part, placed by what earlier parts of its process were like: ``how = "touch_first"``."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ..errors import InputError
from ..field import learn_prior, nodes, touch_first
from ..field.belief import WHITE
from ..field.nodes import Nodes
from ..making import blaming
from ..nominal import Nominal
from ..plan.targets.regions import Region
from ..plan.targets.spread import candidates
from ..plan.targets.table import add_note, place
from ..uncertainty import Scatter
from .earlier_parts import earlier_table

__all__ = ["first_touches"]

_NODES = 400  # of the surface, and as many places to choose among
_U = 0.003  # of a touch, if the table does not say [mm]; common practice, no source


def first_touches(
    nominal: Nominal,
    n: int,
    rng: np.random.Generator,
    *,
    earlier: str,
    width: float,
    faces: str | Iterable[str] | None = None,
    feature: str = "",
    margin: float = 0.0,
    u: float = _U,
    white: float = WHITE,
    regions: Iterable[Region] = (),
) -> pd.DataFrame:
    """`n` targets where a touch tells most of a surface that is like those of earlier parts.

    Many parameters: those of every way of choosing targets, and what earlier parts and the zone are.

    Parameters
    ----------
    nominal : Nominal
    n : int
    rng : numpy.random.Generator
    earlier : str
        File of the deviations of earlier parts at the same targets; see `probekit.study.earlier_parts`.
    width : float
        Of the zone about the nominal [mm].
    faces : str or several, optional
        Default all.
    feature : str
        For the column of that name.
    margin : float
        Least distance of a target from the edges of its face [mm].
    u : float
        Standard uncertainty of a touch [mm].
    white : float
        Form that is finer than the touches [mm].
    regions
        Where nothing may be touched.

    Returns
    -------
    DataFrame
        The targets table; its notes say what it rests on.

    Raises
    ------
    InputError
        If the file cannot be learned from, or too little of the faces is left to touch.
    """
    named = [faces] if isinstance(faces, str) else None if faces is None else list(faces)
    table, part = earlier_table(earlier, nominal.sha256)
    if named is not None and "face" in table:
        table = table[table["face"].isin(named)]
    may = candidates(nominal, named, _NODES, rng, margin=margin, regions=regions)
    if n > len(may.points):
        raise InputError("too little of the faces is left to touch", found=f"room for {len(may.points)}", expected=n)
    on = nodes(nominal, _NODES, rng, faces=named, edges=True)
    first = table[table[part] == table[part].iloc[0]] if len(table) else table
    with blaming(earlier, part):
        own = Scatter.independent(np.full(len(first), u))
        learned = learn_prior(table, own, area=on.area, zone=width / 2.0, white=white, part=part)
    at = Nodes(
        np.vstack([on.places, may.points]), np.vstack([on.normals, may.normals]), np.append(on.face, may.face), on.area
    )
    allowed = np.arange(len(at.places)) >= len(on.places)
    chosen = touch_first(learned, at, (-width / 2.0, width / 2.0), count=int(n), u=float(u), allowed=allowed)
    points = chosen[["x0", "y0", "z0"]].to_numpy()
    made = place(nominal, points, face=chosen["face"].to_numpy(dtype=int), feature=feature, note=may.note)
    return add_note(
        made,
        f"{len(made)} targets by what {learned.parts} earlier parts were like: they say less of a part that is not so, "
        "and nothing of a hill between them; see the blind spot",
    )
