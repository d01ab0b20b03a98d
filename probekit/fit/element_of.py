"""From a table of deviations to a geometric element: what `element` has to be told, the table knows."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, MEASURED, array
from ..deviation.table import one_radius
from ..errors import InputError, TouchesError
from .beneath import material_of, nominal_beneath
from .elements import Element, element
from .select import select

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["element_of"]

_CLOSED = ("circle", "sphere", "cylinder", "cone", "torus", "width")
_OPEN = ("plane", "line", "point")


def element_of(
    deviations: pd.DataFrame,
    features: str | Iterable[str],
    kind: str,
    *,
    method: str = "least_squares",
    u: np.ndarray | float | None = None,
) -> Element:
    """Fit a geometric element of the part's own surface to the touches of a feature, in the table's coordinates.

    The ball radius is that of the column `radius`; on which side the material is, and where a fit to few touches
    starts, comes from the nominal beneath the touches.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table. Touches that did not trigger are left out.
    features : str or iterable of str
        Features, or faces, of the touches.
    kind : str
        In space, of those of `Element`: plane, line, point, circle, sphere, cylinder, cone, torus or width.
    method : str
        As for `element`.
    u : (n,) float or float, optional
        Standard uncertainty of a touch along its normal [mm]; (n,) for all rows of the table.

    Returns
    -------
    Element

    Raises
    ------
    InputError
        If no touch is on the feature, the table was not projected, or the touches do not determine the element.
    FitError
        If the fit does not settle.
    """
    if kind not in (*_CLOSED, *_OPEN):
        raise InputError("no element of that kind lies in space", found=kind, expected=", ".join((*_CLOSED, *_OPEN)))
    for name in (*FOOT, *FOOT_NORMAL):
        if name not in deviations:
            raise InputError(
                "the touches are not projected on the nominal", column=name, todo="Use Projection.project first."
            )
    rows = select(deviations, features) & np.isfinite(array(deviations, (*MEASURED, *FOOT))).all(axis=1)
    own = deviations[rows]
    if own.empty:
        raise TouchesError("no touch of that feature triggered", found=features)
    points, ball = one_radius(own)
    foot, normals = array(own, FOOT), array(own, FOOT_NORMAL)
    options: dict[str, Any] = {"u": u if u is None or np.ndim(u) == 0 else np.asarray(u, dtype=float)[rows]}
    if kind in _CLOSED:
        options |= {"material": material_of(foot, normals), "start": nominal_beneath(foot, normals, kind)}
    if kind == "width":
        options["outward"] = np.linalg.svd(normals, full_matrices=False)[2][0]
    elif kind in _OPEN:
        options["outward"] = normals.mean(axis=0)
    return element(points, kind, method=method, ball=ball, **options)
