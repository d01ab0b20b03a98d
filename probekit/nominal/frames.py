"""Part frames from the model: by datum faces or by a coordinate system of the file, and the model carried into them.

A frame is a right-handed coordinate system; what is returned is the (4, 4) motion from model coordinates into it. Each
face fixes what those before it left open, as in a datum system (ISO 5459). The first gives the direction of z: outward
normal of a plane, or an axis. A plane is where the coordinate along its normal is 0; an axis or a centre goes through
the origin. The direction of x comes from the first later face that has one beside z: outward normal of a plane, an axis
across z, or the way from the origin to a parallel axis or a centre. What no face fixes stays as in the model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..errors import InputError
from ..geometry import apply_motion, frame_motion, invert_motion
from ..show import shown
from .exact import ExactFace
from .exact.placements import read_placements
from .exact.surfaces import Elementary
from .load import millimetres_per
from .model import Nominal
from .topology import facet_normals

__all__ = ["DatumFeature", "datum_feature", "frame_from_faces", "move_nominal", "placement"]

_FLAT = np.radians(0.5)  # facets of a plane face may differ in direction by this
_ALONG = np.radians(1.0)  # directions within this count as parallel
_APART = 1e-4  # part of the diagonal that an axis or a centre must be off the origin to give a direction
_SURE = 100.0  # that in lengths to which places of the model are known
_SAME = 1e-8  # part of the diagonal to which parts of one face agree in their plane, axis or centre
_PARALLEL = 1.5e-6  # angle to which they do [rad]


@shown
@dataclass(frozen=True, eq=False)
class DatumFeature:
    """What a face can fix: a "plane", an "axis" or a "point".

    Attributes
    ----------
    kind : str
    point : (3,) float
        A point of it [mm].
    direction : (3,) float
        Outward normal, or direction of the axis; zeros for a point.
    """

    kind: str
    point: np.ndarray
    direction: np.ndarray


def datum_feature(nominal: Nominal, face: str) -> DatumFeature:
    """The plane, axis or centre point of a face.

    Parameters
    ----------
    nominal : Nominal
    face : str
        Name of a plane, cylindrical, conical, spherical or toroidal face, or of several joined that share their plane,
        axis or centre. On a mesh, planes and cylinders are recognised.

    Returns
    -------
    DatumFeature
        The direction of an axis is the file's own; on a mesh its largest component is positive.

    Raises
    ------
    InputError
        If there is no such face, or it is none of these.
    """
    chosen = nominal.facet_face == nominal.face_index(face)
    if nominal.brep is None:
        parts = [_from_facets(nominal, chosen)]
    else:
        parts = [_from_surface(nominal.brep.faces[k]) for k in np.unique(nominal.brep.facet_face[chosen])]
    first = parts[0]
    if first is None or any(part is None or not _agree(first, part, nominal) for part in parts[1:]):
        raise InputError(
            "this face gives no plane, axis or centre, or its parts give different ones",
            file=nominal.source or None,
            found=face,
            todo="Choose a plane or a bore.",
        )
    return first


def frame_from_faces(nominal: Nominal, primary: str, secondary: str, tertiary: str | None = None) -> np.ndarray:
    """Motion (4, 4) from model coordinates into the frame that datum faces establish.

    Parameters
    ----------
    nominal : Nominal
    primary, secondary, tertiary : str
        Faces in order of precedence. The third may be left out where two give all directions; a place that they leave
        open then stays as in the model.

    Raises
    ------
    InputError
        If a face gives nothing to align to or adds nothing to those before it, or the direction of x stays open.
    """
    names = [primary, secondary] if tertiary is None else [primary, secondary, tertiary]
    features = [datum_feature(nominal, name) for name in names]
    if features[0].kind == "point":
        raise InputError("the first face must give a direction", found=primary, expected="a plane or an axis")
    z = features[0].direction / np.linalg.norm(features[0].direction)
    if features[0].kind == "axis":  # which way along it, a plane across it says best
        ends = [f.direction for f in features[1:] if f.kind == "plane" and abs(f.direction @ z) > np.cos(_ALONG)]
        z = z if not ends or ends[0] @ z > 0 else -z
    apart = max(_APART * nominal.diagonal, _SURE * _known_to(nominal))
    x, origin, free = None, np.zeros(3), np.eye(3)
    for name, feature in zip(names, features, strict=True):
        located = np.linalg.norm(free - np.outer(z, z) @ free) < 0.5  # nothing free but along z
        before = free
        origin, free = _locate(feature, origin, free)
        towards = _beside(feature.direction, z)
        if towards is None and located and feature.kind != "plane":
            rise = (origin - feature.point) @ z  # an axis counts where it comes through the origin's level
            towards = _beside(feature.point + rise * feature.direction - origin, z, least=apart)
        if towards is not None and x is None and feature is not features[0]:
            x = towards
        elif np.linalg.matrix_rank(before, tol=0.5) == np.linalg.matrix_rank(free, tol=0.5):
            raise InputError(
                "this face adds nothing to the frame", found=name, todo="Choose another face, or leave this one out."
            )
    if x is None:
        raise InputError(
            "the direction of x is not determined", found=names, todo="Add an axis or a plane that gives it."
        )
    return frame_motion(x, z, origin)


def _locate(feature: DatumFeature, origin: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Origin brought onto a plane, axis or point within the directions still free, and those free after that.

    `free` is the projector (3, 3) on the free directions.
    """
    along = np.outer(feature.direction, feature.direction)
    off = {"plane": along, "axis": np.eye(3) - along, "point": np.eye(3)}[feature.kind]
    _, size, ways = np.linalg.svd(off @ free)
    taken = ways[size > np.sin(_ALONG)]
    if len(taken):
        step = np.linalg.lstsq(off @ taken.T, off @ (feature.point - origin), rcond=None)[0]
        origin = origin + taken.T @ step
    return origin, free - taken.T @ taken


def _beside(direction: np.ndarray, z: np.ndarray, *, least: float = float(np.sin(_ALONG))) -> np.ndarray | None:
    """Unit vector of the part of a direction normal to z; None if that is shorter than `least`."""
    across = direction - (direction @ z) * z
    length = float(np.linalg.norm(across))
    return across / length if length > least else None


def placement(nominal: Nominal, name: str) -> np.ndarray:
    """Motion (4, 4) from model coordinates into a coordinate system that the STEP file carries by name.

    Parameters
    ----------
    nominal : Nominal
        Loaded from a STEP file, not moved since.
    name : str

    Raises
    ------
    InputError
        If the model is not from a STEP file, or has no coordinate system of that name.
    """
    if nominal.brep is None:
        raise InputError("only a STEP file carries coordinate systems by name", file=nominal.source or None, found=name)
    _, factor = millimetres_per(nominal.brep.unit, file=nominal.source)
    found = read_placements(Path(nominal.source), millimetres=factor)
    if name not in found:
        raise InputError(
            "the STEP file has no coordinate system with that name",
            file=nominal.source,
            found=name,
            expected="one of " + ", ".join(found)
            if found
            else "a file with named coordinate systems; this one has none",
        )
    return found[name]


def move_nominal(nominal: Nominal, motion: np.ndarray) -> Nominal:
    """The nominal in other coordinates.

    Parameters
    ----------
    nominal : Nominal
    motion : (4, 4) float
        From its present coordinates to the new ones.
    """
    return replace(
        nominal,
        vertices=apply_motion(motion, nominal.vertices),
        brep=None if nominal.brep is None else nominal.brep.moved(motion),
        notes=(*nominal.notes, f"moved into another frame: {_frame_in_words(motion)}"),
    )


def _frame_in_words(motion: np.ndarray) -> str:
    def triple(values: np.ndarray, decimals: int) -> str:
        return "(" + ", ".join(f"{value:.{decimals}f}" for value in np.round(values, decimals) + 0.0) + ")"

    origin = invert_motion(motion)[:3, 3]
    x, z = (triple(motion[row, :3], 6) for row in (0, 2))
    return f"origin at {triple(origin, 4)} of the model, x along {x}, z along {z}"


def _from_surface(face: ExactFace) -> DatumFeature | None:
    surface = face.surface
    if not isinstance(surface, Elementary):
        return None
    if face.kind == "plane":
        return DatumFeature("plane", surface.origin, face.outward * np.cross(surface.axes[0], surface.axes[1]))
    if face.kind in ("cylinder", "cone", "torus"):
        return DatumFeature("axis", surface.origin, surface.axes[2])
    return DatumFeature("point", surface.origin, np.zeros(3)) if face.kind == "sphere" else None


def _known_to(nominal: Nominal) -> float:
    """Length to which places of the model are known [mm]: by its size, and by what its file says of its edges."""
    return max(_SAME * nominal.diagonal, 0.0 if nominal.brep is None else nominal.brep.gap)


def _agree(one: DatumFeature, two: DatumFeature, nominal: Nominal) -> bool:
    """Whether two features are the same plane (facing the same way), axis or point."""
    if one.kind != two.kind:
        return False
    same = _known_to(nominal)
    turn = one.direction @ two.direction if one.kind == "plane" else abs(one.direction @ two.direction)
    gap = two.point - one.point
    gap = {"plane": gap @ one.direction, "axis": np.cross(gap, one.direction), "point": gap}[one.kind]
    parallel = turn > np.cos(max(_PARALLEL, same / nominal.diagonal))
    return bool(np.linalg.norm(gap) < same and (one.kind == "point" or parallel))


def _from_facets(nominal: Nominal, chosen: np.ndarray) -> DatumFeature | None:
    facets = nominal.facets[chosen]
    normal, double_area = facet_normals(nominal.vertices, facets)
    middle = nominal.vertices[facets].mean(axis=1)
    mean = double_area @ normal / double_area.sum()
    if np.linalg.norm(mean) > 0 and (normal @ (mean / np.linalg.norm(mean)) > np.cos(_FLAT)).all():
        return DatumFeature("plane", double_area @ middle / double_area.sum(), mean / np.linalg.norm(mean))
    values, vectors = np.linalg.eigh((normal * double_area[:, None]).T @ normal / double_area.sum())
    if np.sqrt(values[0]) > np.sin(_FLAT):
        return None
    axis = vectors[:, 0] * np.sign(vectors[np.abs(vectors[:, 0]).argmax(), 0])
    # vertices of a cylinder lie on a circle round its axis: least squares by the linear equation of the circle
    points = nominal.vertices[np.unique(facets)]
    plane = vectors[:, 1:]
    flat = points @ plane
    fitted = np.linalg.lstsq(np.column_stack([2.0 * flat, np.ones(len(flat))]), (flat**2).sum(axis=1), rcond=None)[0]
    radius = np.linalg.norm(flat - fitted[:2], axis=1)
    to_facets = np.abs(np.einsum("ij,ij->i", middle @ plane - fitted[:2], normal @ plane))
    # corners of any box lie on a circle, too: the facets must be nearly as far from the axis as their corners
    if np.ptp(radius) > 0.01 * radius.mean() or to_facets.min() < 0.9 * radius.mean():
        return None
    return DatumFeature("axis", plane @ fitted[:2] + axis * (points @ axis).mean(), axis)
