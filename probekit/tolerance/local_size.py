"""Local sizes between opposed touches, seen from the centre of the feature as it was made, not as it was drawn.

symbol   meaning
q_i      ball centres [mm]
c        centre of the section that a pair lies in: that of the least-squares circle of its touches [mm]
R_i      distance of the surface from c at a touch: |q_i - c| + r in a bore, |q_i - c| - r on a boss [mm]
d        local size of the pair, R_1 + R_2 [mm]

ISO 14405-1 takes a two-point size along a line through the centre of the circle associated with the section, which is
square to the axis of the associated cylinder; ASME Y14.5.1 takes the largest sphere in the section that stays inside
the surface, its centre on a spine of the feature. Both are of the feature itself. From memory.

Touches run towards the axis of the nominal. Where the feature lies e off it, the ball centres of two opposite touches
stand on a chord of their circle, of radius R - r in a bore, that passes up to e beside its centre: the chord and 2 r
together are short of the diameter by as much as e^2 / (R - r). What is seen from c is not.
"""

from __future__ import annotations

import numpy as np

from ..errors import FitError, InputError
from ..fit.elements import element
from ..fit.elements.shapes import unit_frame
from .axes import size_of
from .cover import Covered
from .form import material_of

__all__ = ["contacts_of", "surface_of", "two_point_sizes"]

_SECTION = 0.5  # touches within this of the height of a pair lie in its section [mm]
_HELD = 0.3  # least singular value, of the largest, of slopes that fix the circle of a section


def two_point_sizes(
    covered: Covered, opposed: float = 5.0, of: str = "cylinder"
) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]]:
    """Local sizes (m,) [mm] between opposed touches, the pairs (m, 2) of positions within `covered`, and notes.

    Parameters
    ----------
    covered : Covered
    opposed : float
        Two touches are opposed if their normals, and the line between them, are within this of each other [deg]: as
        they were aimed, or as they met the feature.
    of : {"cylinder", "width", "sphere"}
    """
    try:
        contact, normal = surface_of(covered, of)
        notes: tuple[str, ...] = ()
    except (FitError, InputError):
        contact, normal = covered.contact, covered.normal
        notes = (
            f"the touches do not fix a {of}: local sizes are along the normals of the nominal, and a bore that lies e "
            "off it is larger by up to e^2/(R - r)",
        )
    pairs = _opposed(contact, normal, opposed) | _opposed(covered.target, covered.aim, opposed)
    first, second = np.nonzero(np.triu(pairs, 1))
    if not len(first):
        return np.empty(0), np.empty((0, 2), dtype=int), ()
    between = normal[first] - normal[second]
    sizes = 2.0 * np.abs(np.einsum("ij,ij->i", contact[first] - contact[second], between))
    sizes /= np.maximum(np.einsum("ij,ij->i", between, between), 1e-300)
    return sizes, np.column_stack([first, second]), notes


def surface_of(covered: Covered, shape: str) -> tuple[np.ndarray, np.ndarray]:
    """Contacts (n, 3) [mm] and outward normals (n, 3) of the feature as fitted: compensated along its own normals.

    Of a cylinder each touch is seen from the centre of its own section, where that holds enough touches to fix one.

    Raises
    ------
    InputError
        If the touches do not fix the feature, or the nominal under them is of another shape.
    FitError
        If the fit leaves the nominal, or does not settle.
    """
    fitted = size_of(covered, shape, "least_squares")[1].parameters
    side = 1.0 if material_of(covered) == "inside" else -1.0
    if shape == "width":
        across = np.asarray(fitted["direction"])
        normal = np.sign(covered.normal @ across)[:, None] * across
    else:
        centre = np.asarray(fitted["centre" if shape == "sphere" else "point"])
        if shape == "cylinder":
            centre = _centres(covered, centre, np.asarray(fitted["direction"]), float(fitted["radius"]))
        arm = covered.measured - centre
        normal = side * arm / np.linalg.norm(arm, axis=1)[:, None]
    return covered.measured - covered.ball * normal, normal


def contacts_of(covered: Covered, shape: str) -> np.ndarray:
    """Contacts (n, 3) [mm] as `surface_of` finds them; along the normals of the nominal where it finds none."""
    try:
        return surface_of(covered, shape)[0]
    except (FitError, InputError):
        return covered.contact


def _centres(covered: Covered, point: np.ndarray, direction: np.ndarray, radius: float) -> np.ndarray:
    """(n, 3) centre from which each touch of a cylinder is seen, at its own height."""
    frame = unit_frame(direction)
    local = (covered.measured - point) @ frame
    flat, height = local[:, :2], local[:, 2]
    centres, known = np.zeros_like(flat), {}
    for k, at in enumerate(height):
        section = np.flatnonzero(np.abs(height - at) <= _SECTION)
        key = section.tobytes()
        if key not in known:
            known[key] = _centre(flat[section], covered, radius)
        centres[k] = known[key]
    return point + np.column_stack([centres, height]) @ frame.T


def _centre(flat: np.ndarray, covered: Covered, radius: float) -> np.ndarray:
    """(2,) centre of the least-squares circle of a section; of the cylinder, the origin, where it fixes none."""
    unit = flat / np.linalg.norm(flat, axis=1)[:, None]
    if len(flat) < 4:
        return np.zeros(2)
    weight = np.linalg.svd(np.column_stack([unit, np.ones(len(flat))]), compute_uv=False)
    if weight[-1] < _HELD * weight[0]:
        return np.zeros(2)
    start = {"centre": np.zeros(2), "radius": radius}
    found = element(flat, "circle2", ball=covered.ball, material=material_of(covered), start=start)
    return np.asarray(found.parameters["centre"])


def _opposed(points: np.ndarray, normals: np.ndarray, within: float) -> np.ndarray:
    """(n, n) which touches are opposed: their normals, and the line between them, within an angle [deg]."""
    limit = np.cos(np.radians(within))
    apart, between = points[:, None] - points[None], normals[:, None] - normals[None]
    length, double = np.linalg.norm(apart, axis=2), np.linalg.norm(between, axis=2)
    facing = normals @ normals.T <= -limit
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.abs(np.einsum("ijk,ijk->ij", apart, between)) / double
    return facing & (length > 0) & (across >= length * limit)
