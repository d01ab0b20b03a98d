r"""Qualification: what touches on an artefact of known size tell about the probe.

The touches give ball centres x on a sphere of diameter D (or in a ring). With c the artefact's centre, e the ball's
offset from the spindle's axis, and Q the rotation from the part frame to the probe's own,

.. math:: \lvert x + Q^T e - c \rvert = D/2 + R(w) , \qquad w = Q\,n ,

n the outward normal of the artefact at the touch and R the effective radius by direction (`probekit.touches.lobing`).
Centre, offset and the coefficients of R are found together by Gauss and Newton's least squares. The offset cannot be
told from the centre unless the touches were taken with the spindle (or the head) turned at least two ways.

Form error and radius are those of the least-squares sphere (or circle), without a map: the form error is the range of
the distances of the touches from its centre, as ISO 10360-5 and ISO 230-10 take it for 25 touches (from memory).
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from ..columns import MEASURED, array
from ..errors import FitError, InputError, ProbekitWarning
from ..touches.lobing import RadiusMap, map_basis, map_size, turns_of
from .elements import element
from .qualified import Qualification

__all__ = ["qualify"]

_SHARE = 0.6  # of the touches that may go into unknowns
_CONDITION = 60.0  # of the design beyond which the touches do not tell the unknowns apart
_HIGHEST = 6
_ROUNDS = 50
_SETTLED = 1e-10  # change of any unknown [mm]


def qualify(
    touches: pd.DataFrame, *, diameter: float, artefact: str = "sphere", degree: int | None = None
) -> Qualification:
    """Qualify a probe.

    Parameters
    ----------
    touches : DataFrame
        Touches on the artefact, ball centres recorded; columns ``turn_x, turn_y, turn_z`` if the probe stood in more
        than one way.
    diameter : float
        Certified diameter of the artefact [mm].
    artefact : {"sphere", "ring"}
        A sphere touched from outside, or a ring touched from inside with its axis along Z.
    degree : int, optional
        Of the radius map; by default the highest, up to 6, that the touches bear: at most 0.6 unknowns per touch, and
        a condition of at most 60 (own choice, no source).

    Returns
    -------
    Qualification

    Raises
    ------
    InputError
        If the table is not one of ball centres, the diameter is not usable, or the touches do not determine the
        artefact.
    FitError
        If the fit does not settle.

    Warns
    -----
    ProbekitWarning
        If the touches are too few for a map: the radius is then one for all directions.

    Examples
    --------
    >>> from probekit.machine import ReferenceSphere
    >>> touched = ReferenceSphere(25.0).targets()
    >>> touched[["x", "y", "z"]] = (12.5 + 2.99) * touched[["i", "j", "k"]].to_numpy()
    >>> found = qualify(touched, diameter=25.0)
    >>> round(found.effective_radius, 6), found.form_test, found.map.degree
    (2.99, True, 3)
    """
    points, turns, notes = _checked(touches, diameter, artefact)
    inside = artefact == "ring"
    size = element(points[:, :2] if inside else points, "circle2" if inside else "sphere")
    centre = np.zeros(3)
    centre[: 2 if inside else 3] = size.parameters["centre"]
    turned = float(np.abs(turns - turns[0]).max()) > 1e-6
    chosen = _degree(points, centre, turns, artefact, turned=turned) if degree is None else degree
    if chosen == 0 and degree is None:
        words = (
            f"{len(points)} touches do not support a map by direction: the effective radius is one for all directions"
        )
        notes.append(words)
        warnings.warn(words, ProbekitWarning, stacklevel=2)
    map_size(artefact, chosen)  # refuses what cannot be
    unknown, design, residual = _solved(points, centre, turns, diameter, artefact, chosen, turned=turned)
    spare = len(points) - len(unknown)
    covariance = np.full((len(unknown), len(unknown)), np.nan)
    if spare > 0:
        covariance = residual @ residual / spare * np.linalg.inv(design.T @ design)
    else:
        notes.append("no redundant touches: the uncertainty is not known")
    first = len(unknown) - map_size(artefact, chosen)
    if turned:
        corrected = points + np.einsum("nji,j->ni", turns, np.append(unknown[first - 2 : first], 0.0))
        size = element(corrected[:, :2] if inside else corrected, "circle2" if inside else "sphere")
    else:
        notes.append("one orientation of the spindle: the ball's offset from its axis is within the artefact's centre")
    test = not inside and _is_form_test(points - centre)
    if not test and not inside:
        notes.append("the touches are not the 25 of the form test: the form error refers to these touches")
    sign = -1.0 if inside else 1.0
    return Qualification(
        artefact=artefact,
        diameter=float(diameter),
        touches=len(points),
        effective_radius=sign * (float(size.parameters["radius"]) - diameter / 2),
        u_radius=size.uncertainties["radius"],
        centre=(*unknown[: first - 2 * turned].tolist(), *((float(points[:, 2].mean()),) if inside else ())),
        ball_offset=tuple(unknown[first - 2 : first].tolist()) if turned else None,
        form=size.form,
        form_test=test,
        map=RadiusMap(
            artefact,
            chosen,
            tuple(unknown[first:].tolist()),
            tuple(map(tuple, covariance[first:, first:].tolist())) if spare > 0 else None,
        ),
        residuals=residual,
        names=(
            *(f"centre_{c}" for c in ("xy" if inside else "xyz")),
            *(("offset_x", "offset_y") if turned else ()),
            *(f"map_{k}" for k in range(len(unknown) - first)),
        ),
        covariance=covariance,
        notes=tuple(notes),
    )


def _checked(table: pd.DataFrame, diameter: float, artefact: str) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Ball centres (n, 3), turns (n, 3, 3) and notes; raise if they cannot be used."""
    if artefact not in ("sphere", "ring"):
        raise InputError("the artefact is not known", column="artefact", found=artefact, expected="sphere or ring")
    number = isinstance(diameter, int | float | np.number) and not isinstance(diameter, bool)
    if not number or not np.isfinite(diameter) or diameter <= 0:
        raise InputError("the artefact has no usable diameter", found=diameter, expected="a positive number in mm")
    missing = [name for name in "xyz" if name not in table]
    if missing:
        raise InputError("the touches lack measured positions", column=missing[0], expected="columns x, y, z")
    if table.attrs.get("recorded", "centre") != "centre":
        raise InputError(
            "the touches are contact points, which are already compensated for the ball radius",
            file=table.attrs.get("source"),
            todo="Qualify with recorded ball centres",
        )
    points, turns = array(table, MEASURED), turns_of(table)
    touched = np.isfinite(points).all(axis=1)
    turns = np.tile(np.eye(3), (len(points), 1, 1)) if turns is None else turns
    least = 3 if artefact == "ring" else 4
    if touched.sum() < least:
        raise InputError(
            "the touches do not determine the artefact", found=int(touched.sum()), expected=f"{least} touches or more"
        )
    lost = int((~touched).sum())
    return points[touched], turns[touched], [f"{lost} touches were missed and are excluded"] if lost else []


def _normals(points: np.ndarray, centre: np.ndarray, artefact: str) -> tuple[np.ndarray, np.ndarray]:
    """Distances (n,) of ball centres from the artefact's centre, and outward normals (n, 3) of the artefact."""
    away = points - centre
    if artefact == "ring":
        away = away * [1.0, 1.0, 0.0]
    length = np.linalg.norm(away, axis=1)
    return length, (-away if artefact == "ring" else away) / np.maximum(length, 1e-300)[:, None]


def _design(normals: np.ndarray, turns: np.ndarray, artefact: str, degree: int, *, turned: bool) -> np.ndarray:
    """(n, k) derivatives of the distance from the artefact over the unknowns: centre, offset, coefficients."""
    seen = np.einsum("nij,nj->ni", turns, normals)
    return np.hstack(
        [
            -normals[:, : 2 if artefact == "ring" else 3],
            seen[:, : 2 if turned else 0],
            -map_basis(artefact, degree, seen),
        ]
    )


def _degree(points: np.ndarray, centre: np.ndarray, turns: np.ndarray, artefact: str, *, turned: bool) -> int:
    """The highest degree of the map that the touches bear."""
    _, normals = _normals(points, centre, artefact)
    for degree in (*range(_HIGHEST, 1, -1), 0):
        design = _design(normals, turns, artefact, degree, turned=turned)
        if design.shape[1] <= _SHARE * len(points) and np.linalg.cond(design) <= _CONDITION:
            return degree
    return 0


def _solved(
    points: np.ndarray,
    centre: np.ndarray,
    turns: np.ndarray,
    diameter: float,
    artefact: str,
    degree: int,
    *,
    turned: bool,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unknowns, design and residuals at the least-squares solution."""
    dims = 2 if artefact == "ring" else 3
    first = dims + 2 * turned
    unknown = np.zeros(first + map_size(artefact, degree))
    unknown[:dims] = centre[:dims]
    side = -1.0 if artefact == "ring" else 1.0
    for _ in range(_ROUNDS):
        place = np.append(unknown[:dims], np.zeros(3 - dims))
        offset = np.append(unknown[dims:first], np.zeros(3 - 2 * turned))
        length, normals = _normals(points + np.einsum("nji,j->ni", turns, offset), place, artefact)
        design = _design(normals, turns, artefact, degree, turned=turned)
        if design.shape[1] > len(points) or np.linalg.cond(design) > 1e6:
            raise InputError(
                "the touches do not determine the artefact and the radius map",
                found=f"{len(points)} touches for {design.shape[1]} unknowns",
                todo="Touch more of the artefact, in more directions, or ask for a lower degree",
            )
        residual = side * (length - diameter / 2) + design[:, first:] @ unknown[first:]
        step = np.linalg.lstsq(design, -residual, rcond=None)[0]
        unknown += step
        if np.abs(step).max() < _SETTLED:
            return unknown, design, residual
    raise FitError("the qualification did not settle: look for touches that are not on the artefact")


def _is_form_test(away: np.ndarray) -> bool:
    """Whether the directions are those of the 25 touches, within 5 degrees of their polar angles."""
    from ..machine.artefacts import FORM_TEST

    polar = np.sort(np.degrees(np.arccos(np.clip(away[:, 2] / np.linalg.norm(away, axis=1), -1.0, 1.0))))
    wanted = np.concatenate([np.full(count, angle) for angle, count, _ in FORM_TEST])
    return len(polar) == len(wanted) and bool(np.abs(polar - wanted).max() <= 5.0)
