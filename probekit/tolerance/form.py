"""Form: flatness, straightness, circularity, cylindricity.

The actual value is the width of the narrowest zone of the kind that holds the touches, wherever it lies: two parallel
planes, two parallel lines, two concentric circles, two coaxial cylinders, a round cylinder for an axis (ASME
Y14.5.1-2019 clause 6, ISO 1101; from memory; both agree in this). It is a minimum zone; least squares can be asked for,
and is never smaller. Both see the touches only, so every value is a lower bound of the surface's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ..errors import InputError
from ..fit import FREEDOMS, beneath
from ..fit.elements import Element, element
from .cover import Covered, cover, direction_of, few, positive, sections_of
from .evaluation import Evaluation
from .nominal_shape import require, require_turned

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["circularity", "cylindricity", "flatness", "material_of", "straightness", "straightness_of_axis"]

Method = Literal["minimum_zone", "least_squares"]
_SETTLED = 2e-6  # touches this near to the largest distance rule [mm]


def flatness(
    found: pd.DataFrame,
    width: float,
    *,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    method: Method = "minimum_zone",
    name: str = "flatness",
) -> Evaluation:
    """Evaluate flatness: two parallel planes, wherever they lie.

    Parameters
    ----------
    found : DataFrame
        Deviations table.
    width : float
        Tolerance [mm].
    features, between
        See `probekit.tolerance.profile`.
    method : {"minimum_zone", "least_squares"}
    name : str

    Returns
    -------
    Evaluation
        The deviation of a touch is its distance from the middle plane of the zone, outward.

    Raises
    ------
    InputError
        If the touches do not fix a plane.
    """
    return _whole(found, width, features, between, method, name, kind="flatness", shape="plane")


def cylindricity(
    found: pd.DataFrame,
    width: float,
    *,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    method: Method = "minimum_zone",
    name: str = "cylindricity",
) -> Evaluation:
    """Evaluate cylindricity: two coaxial cylinders, wherever they lie and whatever their radius.

    Parameters
    ----------
    found, width, features, between, method, name
        As for `flatness`.

    Returns
    -------
    Evaluation

    Raises
    ------
    InputError
        If the touches do not fix a cylinder.
    """
    return _whole(found, width, features, between, method, name, kind="cylindricity", shape="cylinder")


def circularity(
    found: pd.DataFrame,
    width: float,
    *,
    section: str | Iterable[float] = "z",
    axis: Iterable[float] | None = None,
    apart: float = 0.5,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    method: Method = "minimum_zone",
    name: str = "circularity",
) -> Evaluation:
    """Evaluate circularity, section by section: two concentric circles square to the axis.

    Parameters
    ----------
    found, width, features, between, method, name
        As for `flatness`.
    section, apart
        How touches are divided into sections; see `probekit.tolerance.line_profile`.
    axis : (3,) float, optional
        Direction of the axis, needed when `section` is a column.

    Returns
    -------
    Evaluation
        Its actual value is that of the worst section; `details` has each.

    Raises
    ------
    InputError
        If a section does not fix a circle.

    Notes
    -----
    ASME: sections square to the axis of a cylinder or cone; ISO 1101 takes them square to the surface of a cone unless
    a direction is given. On a cylinder they are the same.
    """
    covered = cover(found, features, between, name=name)
    along = _axis(section, axis)
    across = _across(along)

    def fit(part: np.ndarray, how: str) -> Element:
        require_turned(covered, along, part)
        flat = covered.measured[part] @ across.T
        return element(flat, "circle2", method=how, ball=covered.ball, material=material_of(covered))

    return _by_section(found, width, covered, section, apart, method, name, "circularity", "circle", fit)


def straightness(
    found: pd.DataFrame,
    width: float,
    *,
    section: str | Iterable[float] | None = None,
    apart: float = 0.5,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    method: Method = "minimum_zone",
    name: str = "straightness",
) -> Evaluation:
    """Evaluate straightness of line elements of a surface: two parallel lines in the plane of line and normal.

    Parameters
    ----------
    found, width, features, between, method, name
        As for `flatness`.
    section, apart
        How touches are divided into lines; all on one line by default. See `probekit.tolerance.line_profile`.

    Returns
    -------
    Evaluation

    Raises
    ------
    InputError
        If a line has fewer than two touches.
    """
    covered = cover(found, features, between, name=name)

    def fit(part: np.ndarray, how: str) -> Element:
        require(covered, "line", part)
        points, normal = covered.measured[part], covered.normal[part].mean(axis=0)
        along = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
        up = direction_of(normal - (normal @ along) * along, "of the surface")
        return element(
            np.column_stack([points @ along, points @ up]), "line2", method=how, ball=covered.ball, outward=(0.0, 1.0)
        )

    return _by_section(found, width, covered, section, apart, method, name, "straightness", "line", fit)


def straightness_of_axis(
    found: pd.DataFrame,
    width: float,
    *,
    section: str | Iterable[float] = "z",
    axis: Iterable[float] | None = None,
    apart: float = 0.5,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str = "straightness of the axis",
) -> Evaluation:
    """Evaluate straightness of an axis: a round zone about the centres of the sections (derived median line).

    Parameters
    ----------
    found, width, section, axis, apart, features, between, name
        As for `circularity`.

    Returns
    -------
    Evaluation
        Judged as a whole; `details` has the distance of each centre from the axis of the zone.

    Raises
    ------
    InputError
        If there are fewer than two sections, or one does not fix a circle.

    Notes
    -----
    Centres are those of the least squares circle of each section.
    """
    covered, along = cover(found, features, between, name=name), _axis(section, axis)
    across = _across(along)
    sections = sections_of(found, covered.rows, section, apart=apart)
    if len(sections) < 2:
        raise InputError(f"tolerance '{name}' needs two sections or more", found=f"{len(sections)}")
    centres = []
    for part in sections.values():
        require_turned(covered, along, part)
        points = covered.measured[part]
        circle = element(points @ across.T, "circle2", ball=covered.ball, material=material_of(covered))
        centres.append(np.asarray(circle.parameters["centre"]) @ across + (points @ along).mean() * along)
    off = np.abs(element(np.array(centres), "line", method="minimum_zone").residuals)
    thin = tuple(note for label, part in sections.items() for note in _few_in(label, "circle", len(part)))
    return Evaluation.as_whole(
        found,
        covered.rows,
        2.0 * float(off.max()),
        width,
        name=name,
        kind="straightness of an axis",
        features=covered.names,
        high=float(off.max()),
        low=float(off.min()),
        deviations=np.zeros(len(covered.rows)),
        missed_rows=covered.missed,
        free=FREEDOMS,
        details=dict(zip(sections, off.tolist(), strict=True)),
        notes=(*few("line", len(sections), "straightness of an axis", form=True), *thin),
    )


def material_of(covered: Covered) -> Literal["inside", "outside"]:
    """Whether the material of a closed feature is inside (boss) or outside (bore), by the nominal's normals."""
    return beneath.material_of(covered.contact, covered.normal)


def _whole(
    found: pd.DataFrame,
    width: float,
    features: Iterable[str] | None,
    between: Mapping[str, tuple[float, float]] | None,
    method: Method,
    name: str,
    *,
    kind: str,
    shape: str,
) -> Evaluation:
    """Form of one element fitted to all touches."""
    width, covered = positive(width), cover(found, features, between, name=name)
    require(covered, shape)
    options: dict[str, Any] = {"ball": covered.ball}
    options |= {"outward": covered.outward} if shape == "plane" else {"material": material_of(covered)}
    options["start"] = beneath.nominal_beneath(covered.foot, covered.normal, shape)
    fitted = element(covered.measured, shape, method=_known(method), **options)
    return _zone(
        found,
        width,
        covered,
        _centred(fitted.residuals),
        name,
        kind,
        notes=(*_method_note(method), *few(shape, len(covered.rows), kind, form=True), *fitted.notes),
        alternatives=partial(_other_forms, covered.measured, shape, options),
    )


def _by_section(
    found: pd.DataFrame,
    width: float,
    covered: Covered,
    section: str | Iterable[float] | None,
    apart: float,
    method: Method,
    name: str,
    kind: str,
    shape: str,
    fit: Any,
) -> Evaluation:
    """Form of one element in each section; the worst counts."""
    width = positive(width)
    everything = {"all": np.arange(len(covered.rows))}
    sections = everything if section is None else sections_of(found, covered.rows, section, apart=apart)
    deviations, details, notes = np.empty(len(covered.rows)), {}, list(_method_note(method))
    for label, part in sections.items():
        fitted = fit(part, _known(method))
        deviations[part] = _centred(fitted.residuals)
        details[label] = float(np.ptp(fitted.residuals))
        notes += [*_few_in(label, shape, len(part)), *(f"{label}: {note}" for note in fitted.notes)]

    def others() -> dict[str, float]:
        return {
            how.replace("_", " "): max(float(np.ptp(fit(part, how).residuals)) for part in sections.values())
            for how in ("minimum_zone", "least_squares")
        }

    return _zone(found, width, covered, deviations, name, kind, details=details, notes=notes, alternatives=others)


def _zone(
    found: pd.DataFrame, width: float, covered: Covered, deviations: np.ndarray, name: str, kind: str, **more: Any
) -> Evaluation:
    more["notes"] = tuple(more["notes"])
    return Evaluation.by_touch(
        found,
        covered.rows,
        deviations,
        width,
        name=name,
        kind=kind,
        settled=_SETTLED,
        features=covered.names,
        missed_rows=covered.missed,
        free=FREEDOMS,
        **more,
    )


def _other_forms(points: np.ndarray, shape: str, options: Mapping[str, Any]) -> dict[str, float]:
    """Form [mm] by both methods."""
    return {
        how.replace("_", " "): float(np.ptp(element(points, shape, method=how, **options).residuals))
        for how in ("minimum_zone", "least_squares")
    }


def _known(method: str) -> Method:
    if method not in ("minimum_zone", "least_squares"):
        raise InputError("unknown method for a form", found=method, expected="minimum_zone or least_squares")
    return method


def _method_note(method: str) -> tuple[str, ...]:
    return (
        () if method == "minimum_zone" else ("by least squares: never smaller than the minimum zone of the standard",)
    )


def _few_in(label: str, shape: str, n: int) -> tuple[str, ...]:
    return tuple(f"{label}: {note}" for note in few(shape, n, "its form", form=True))


def _centred(residuals: np.ndarray) -> np.ndarray:
    return residuals - (residuals.max() + residuals.min()) / 2


def _axis(section: str | Iterable[float], axis: Iterable[float] | None) -> np.ndarray:
    """Direction of the axis: as given, or what the sections are square to."""
    if axis is not None:
        return direction_of(axis, "of the axis")
    if not isinstance(section, str):
        return direction_of(section, "of the axis")
    if section not in ("x", "y", "z"):
        raise InputError("sections named by a column need the direction of the axis", found=section, expected="axis=")
    return np.eye(3)["xyz".index(section)]


def _across(axis: np.ndarray) -> np.ndarray:
    """(2, 3) unit vectors square to an axis, right-handed with it."""
    first = np.cross(axis, np.eye(3)[int(np.abs(axis).argmin())])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])
