"""Parameter lines of exact faces."""

from __future__ import annotations

import numpy as np

from ...errors import InputError
from ...nominal import Nominal
from ...nominal.exact.surfaces import Surface
from .curves import Curve
from .polylines import pieces
from .snapping import snap_each

__all__ = ["ON_FACE", "exact_surface", "iso"]

#: A point of the whole surface this near to the trimmed face is on it [mm].
ON_FACE = 1e-7


def iso(
    nominal: Nominal, face: str, *, u: float | None = None, v: float | None = None, name: str = ""
) -> tuple[Curve, ...]:
    """A parameter line of an exact face, as far as it lies inside the trim.

    Parameters
    ----------
    nominal : Nominal
    face : str
        A face made of one exact surface.
    u, v : float, optional
        One of them: its value, as a part in 0..1 of the range that the face takes up.
    name : str
        Of the curves.

    Returns
    -------
    tuple of Curve
        In the direction of the other parameter.

    Raises
    ------
    InputError
        On a model of facets, for a face of several surfaces, both or none of `u` and `v`, a value outside 0..1, or a
        line wholly outside the trim.
    """
    if (u is None) == (v is None):
        raise InputError("give either `u` or `v`", found=f"u={u}, v={v}")
    value, fixed = (u, 0) if v is None else (v, 1)
    if not 0.0 <= value <= 1.0:
        raise InputError("a parameter line must lie at a fraction of the face's range", found=value, expected="0 to 1")
    surface, box = exact_surface(nominal, face)
    number = nominal.face_index(face)

    def line(share: np.ndarray) -> np.ndarray:
        uv = np.empty((len(share), 2))
        uv[:, fixed] = box[0, fixed] + value * (box[1, fixed] - box[0, fixed])
        uv[:, 1 - fixed] = box[0, 1 - fixed] + share * (box[1, 1 - fixed] - box[0, 1 - fixed])
        return surface.evaluate(uv, 1)[0]

    def inside(share: np.ndarray) -> np.ndarray:
        return snap_each(nominal, line(share), np.full(len(share), number)).distance <= ON_FACE

    share = np.linspace(0.0, 1.0, 513)
    within = inside(share)
    change = np.flatnonzero(within[1:] != within[:-1])
    low, high = share[change].copy(), share[change + 1].copy()
    for _ in range(30 if len(change) else 0):
        middle = 0.5 * (low + high)
        same = inside(middle) == within[change]
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    edges = np.where(within[change], low, high)
    order = np.argsort(np.concatenate([share, edges]), kind="stable")
    share = np.concatenate([share, edges])[order]
    within = np.concatenate([within, np.ones(len(edges), dtype=bool)])[order]
    points = snap_each(nominal, line(share), np.full(len(share), number)).points
    joined = np.append(within[1:] & within[:-1], False)
    if np.linalg.norm(points[0] - points[-1]) < 1e-9 * nominal.diagonal:  # once round: the last point is the first
        points, joined = points[:-1], joined[:-1]
    curves = pieces(nominal, points, np.full(len(points), number), joined, name or f"{'uv'[fixed]}={value:g} of {face}")
    if not curves:
        raise InputError(f"the line {'uv'[fixed]}={value:g} lies outside the trim of face {face!r}")
    return curves


def exact_surface(nominal: Nominal, face: str) -> tuple[Surface, np.ndarray]:
    """The surface of a face made of one exact surface, and the (2, 2) box that it takes up in u and v.

    Raises
    ------
    InputError
        On a model of facets, and for a face of several surfaces.
    """
    number = nominal.face_index(face)
    if nominal.brep is None:
        raise InputError(
            f"face {face!r} has no parameters: the model is made of facets",
            expected="a model read from STEP",
            todo="Use sections, a projected grid or a blue-noise spread, or load the STEP file.",
        )
    members = np.flatnonzero(nominal.engine.group == number)
    if len(members) != 1:
        raise InputError(
            f"face {face!r} is made of several surfaces, each with parameters of its own",
            found=f"{len(members)} surfaces",
            expected="one surface: name its faces one by one, or spread targets over it (blue_noise)",
        )
    uv = nominal.brep.corner_uv[nominal.brep.facet_face == members[0]].reshape(-1, 2)
    return nominal.brep.faces[members[0]].surface, np.array([uv.min(axis=0), uv.max(axis=0)])
