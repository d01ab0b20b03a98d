r"""From ball centre to contact point, and what a wrong direction costs.

The probe records the centre of its ball. The contact point is one ball radius away, along the outward normal of the
surface that was touched; that normal is not known, so a direction stands in for it. probekit knows three:

"target"
    the outward normal of the nominal at the target. Known before the touch; wrong by the angle between the target's
    normal and the normal where the ball really touched (form error, set-up shift on a curved face).
"approach"
    opposite to the probing move. Right only where the probe moves along the normal; use it where no normal is known.
"foot"
    the outward normal of the nominal at the foot of the ball centre. Exact if the made surface is parallel to the
    nominal there, in particular on planes and spheres. It needs the nominal, so `probekit.deviation` does it.

**Cosine error.** Let the true outward normal make the angle :math:`\theta` with the direction used, and let the ball
have the radius r. On a plane the centre stands at the height r, and the contact point is computed at the height

.. math:: e = r - r\cos\theta = r\,(1 - \cos\theta) \ge 0 ,

so a wrong direction always reads as material left on: for r = 3 mm, 0.46 um at 1 degree, 11.4 um at 5, 45.6 um at 10.
On a sphere of radius R touched from outside, the centre stands at R + r from the sphere's centre, and the law of
cosines in the triangle of sphere centre, ball centre and computed point gives the signed distance of that point

.. math:: e = \sqrt{(R+r)^2 + r^2 - 2\,(R+r)\,r\cos\theta} - R ,

and inside a hollow sphere (R > r; the outward normal of the material points to the sphere's centre)

.. math:: e = R - \sqrt{(R-r)^2 + r^2 + 2\,(R-r)\,r\cos\theta} .

For small angles these are :math:`r\,\theta^2/2` times (R + r)/R and (R - r)/R: a convex face makes the error larger, a
hollow one smaller, and both go over into the plane's as R grows. All three are elementary geometry, derived here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ..columns import APPROACH, MEASURED, NORMAL, array
from ..errors import InputError
from .rows import shown_id

__all__ = ["compensate", "directions_from"]

_UNIT_TOLERANCE = 1e-6  # of a direction's length: 3 nm for a ball of 3 mm radius


def compensate(centres: ArrayLike, radius: ArrayLike, directions: ArrayLike) -> np.ndarray:
    """Contact points from ball centres: centre - radius * direction.

    Parameters
    ----------
    centres : (n, 3) array_like
        Ball centres [mm]; NaN where the touch was missed.
    radius : float or (n,) array_like
        Effective radius of the ball, or one per touch from a `RadiusMap` [mm]; 0 gives the centres back.
    directions : (n, 3) array_like
        Outward unit vectors, from the contact point to the ball centre; NaN allowed where the touch was missed.

    Returns
    -------
    (n, 3) ndarray
        Contact points [mm]; NaN where the touch was missed.

    Raises
    ------
    InputError
        If shapes differ, a radius is negative or not finite, or a touch has no direction or one that is not of
        unit length.

    Notes
    -----
    The error that a wrong direction brings is derived in `probekit.touches.compensation`: r (1 - cos theta) on a plane.

    Examples
    --------
    >>> compensate([[0.0, 0.0, 13.0]], 3.0, [[0.0, 0.0, 1.0]])
    array([[ 0.,  0., 10.]])
    """
    centres, directions = np.asarray(centres, dtype=float), np.asarray(directions, dtype=float)
    if centres.ndim != 2 or centres.shape[1] != 3 or centres.shape != directions.shape:
        raise InputError(
            "ball centres and directions do not match",
            found=f"shapes {centres.shape} and {directions.shape}",
            expected="(n, 3) both",
        )
    touched = np.isfinite(centres).all(axis=1)
    radius = np.asarray(radius, dtype=float)
    each = np.broadcast_to(radius, len(centres)) if radius.shape in ((), (len(centres),)) else None
    if each is None:
        raise InputError("ball radii and touches do not match", found=f"shape {radius.shape}", expected="one, or (n,)")
    judged = radius if not radius.ndim else each[touched]  # a radius by direction is unknown where nothing was touched
    if not (np.isfinite(judged) & (judged >= 0)).all():
        bad = float(np.ravel(judged)[~(np.isfinite(judged) & (judged >= 0)).ravel()][0])
        raise InputError("the ball radius is not usable", found=bad, expected="a number of mm, zero or more")
    off = np.abs(np.linalg.norm(directions, axis=1) - 1)
    wrong = np.flatnonzero(touched & ~(off <= _UNIT_TOLERANCE))
    if wrong.size:
        raise InputError(
            f"touches without a direction of unit length: {wrong.size}, the first in row {wrong[0]}",
            found=f"({', '.join(f'{c:g}' for c in directions[wrong[0]])})",
            expected="an outward unit vector",
        )
    return centres - each[:, None] * directions


def directions_from(table: pd.DataFrame, by: str = "target") -> np.ndarray:
    """Outward unit vectors to compensate along, from what the table itself knows.

    Parameters
    ----------
    table : DataFrame
        Touches.
    by : {"target", "approach"}
        "target": the target's normal ``i, j, k``. "approach": opposite to ``ai, aj, ak``, which points into the
        material; where that is not given, the target's normal (the probe is taken to move against it).

    Returns
    -------
    (n, 3) ndarray
        Outward unit vectors; NaN where a missed touch has none.

    Raises
    ------
    InputError
        If `by` is something else, or a measured touch has no direction.
    """
    if by not in ("target", "approach"):
        raise InputError(
            "the table does not have this direction",
            found=by,
            expected="'target' or 'approach'",
            todo="'foot' needs the nominal: use probekit.deviation" if by == "foot" else None,
        )
    outward = array(table, NORMAL)
    if by == "approach" and set(APPROACH) <= set(table.columns):
        approach = array(table, APPROACH)
        outward = np.where(np.isfinite(approach).all(axis=1, keepdims=True), -approach, outward)
    lost = np.flatnonzero(~np.isfinite(outward).all(axis=1) & np.isfinite(array(table, MEASURED)).all(axis=1))
    if lost.size:
        raise InputError(
            f"measured touches without {'a target normal' if by == 'target' else 'approach or normal'}: {lost.size}, "
            f"the first is {shown_id(table['touch'].iloc[lost[0]])}",
            file=table.attrs.get("source"),
            todo="Fill i, j, k, or compensate along the foot's normal, which needs the nominal",
        )
    return outward
