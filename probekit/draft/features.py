"""Features behind the faces that tolerances name: halves of a bore as one, sides of a slot, named by what they are."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..nominal.exact.pmi_model import ModelDatum, ModelPmi, ModelSize, ModelTolerance

__all__ = ["Feature", "Features"]

_ROUND = ("cylinder", "cone", "sphere", "torus")
_SAME = 1e-6  # in diagonals of the part: surfaces that differ by less are one
_ALIKE = 1e-6  # sine of the angle between directions that are one
_SQUARE = 1 - 1e-6  # cosine: a plane looks along an axis of the model
_SIDES = {
    **{"top": (0, 0, 1), "bottom": (0, 0, -1), "right": (1, 0, 0)},
    **{"left": (-1, 0, 0), "back": (0, 1, 0), "front": (0, -1, 0)},
}
#: What may be said of two parallel planes as one feature.
_OF_PAIRS = ("position", "symmetry", "profile of a surface")
_BY_NUMBER = re.compile(r"face_\d+")


@dataclass(frozen=True)
class Feature:
    """A feature as a study names it.

    Attributes
    ----------
    name : str
    what : str
        "bore", "boss", "cone", "sphere", "plane", "slot", "web" or "surface" (whatever else it is).
    faces : tuple of str
        Names of the model's faces.
    point, direction : (3,) tuple of float or None
        Of the axis, or a point of a plane and its outward normal [mm].
    radius : float or None
        Of a cylinder [mm].
    """

    name: str
    what: str
    faces: tuple[str, ...]
    point: tuple[float, float, float] | None = None
    direction: tuple[float, float, float] | None = None
    radius: float | None = None

    @property
    def kind(self) -> str:
        """Kind of datum that it makes."""
        kinds = {"bore": "cylinder", "boss": "cylinder", "slot": "width", "web": "width", "surface": "face"}
        return kinds.get(self.what, self.what)


@dataclass(frozen=True)
class _Face:
    """One face of the model, as its exact surface has it."""

    what: str
    surface: Any = None
    normal: np.ndarray | None = None
    edges: frozenset[int] = frozenset()


class Features:
    """All features that the annotations of a model are on.

    Parameters
    ----------
    part : Nominal
    pmi : ModelPmi

    Attributes
    ----------
    all : tuple of Feature
    """

    def __init__(self, part: Nominal, pmi: ModelPmi) -> None:
        self._faces = _faces_of(part)
        self._near = _SAME * part.diagonal
        every = [one for one in pmi.tolerances if "all over" not in one.modifiers]
        sizes = self._sizes(pmi)
        told: tuple[ModelDatum | ModelTolerance | ModelSize, ...] = (*pmi.datums, *every, *sizes)
        used = dict.fromkeys(face for one in told for face in one.faces)
        order = {name: k for k, name in enumerate(part.face_names)}
        groups = self._grouped(sorted(used, key=order.__getitem__))
        groups = self._paired(groups, pmi)
        plain = [self._called(group, pmi) for group in groups]
        free = iter(_numbered(plain, set(part.face_names)))
        found = []
        for group in groups:
            name, made = group[0], next(free)
            if len(group) > 1 or (_BY_NUMBER.fullmatch(name) and self._faces[name].surface is not None):
                name = made
            found.append(self._feature(name, self._what(group), group))
        self.all = tuple(found)
        self._by_face = {face: one for one in found for face in one.faces}

    def _sizes(self, pmi: ModelPmi) -> list[ModelSize]:
        """Dimensions that are sizes, and distances of two opposed planes, which are sizes as well."""
        lengths = (one for one in pmi.sizes if not one.degrees)
        return [one for one in lengths if not one.ends or (all(one.ends) and self.opposed(one.faces))]

    def _called(self, group: tuple[str, ...], pmi: ModelPmi) -> str:
        """What a feature is, with its size and fit, or the side of the part that it looks to."""
        what, faces = self._what(group), [self._faces[name] for name in group]
        surface = faces[0].surface
        if surface is None:
            return what
        if what == "plane":
            side = next((s for s, axis in _SIDES.items() if np.dot(axis, faces[0].normal) > _SQUARE), "")
            return f"{side}_plane" if side else "plane"
        if what in ("slot", "web"):
            size = abs(float((faces[1].surface.origin - surface.origin) @ faces[0].normal))
        elif what not in ("bore", "boss", "sphere"):
            return what
        else:
            size = 2 * float(surface.radius)
        own = set(group)
        fits = {one.fit.split()[0] for one in pmi.sizes if one.fit and own <= set(one.faces) and "radius" not in one.of}
        return f"{what}_{round(size, 3):g}" + (fits.pop() if len(fits) == 1 else "")

    def opposed(self, faces: Iterable[str]) -> bool:
        """Whether faces are parallel planes on two levels that look at or away from each other: a slot or a web."""
        found = [self._faces[name] for name in faces]
        if len(found) < 2 or any(one.what != "plane" or one.surface is None for one in found):
            return False
        first = found[0]
        along = [float(one.normal @ first.normal) for one in found]
        if any(abs(abs(cosine) - 1.0) > _ALIKE for cosine in along):
            return False
        levels: dict[bool, list[float]] = {True: [], False: []}
        for one, cosine in zip(found, along, strict=True):
            levels[cosine > 0].append(float((one.surface.origin - first.surface.origin) @ first.normal))
        return all(levels.values()) and all(np.ptp(one) <= self._near for one in levels.values())

    def meet(self, one: Feature, face: str) -> bool:
        """Whether a feature and a face share an edge."""
        return any(self._faces[name].edges & self._faces[face].edges for name in one.faces)

    def plane(self, face: str) -> tuple[np.ndarray, np.ndarray] | None:
        """A point of a plane face and its outward normal."""
        found = self._faces.get(face)
        if found is None or found.what != "plane" or found.surface is None or found.normal is None:
            return None
        return found.surface.origin, found.normal

    def of(self, faces: Iterable[str]) -> list[Feature]:
        """Features that some faces belong to, each once."""
        return list(dict.fromkeys(self._by_face[face] for face in faces if face in self._by_face))

    def named(self, face: str) -> str:
        """What a face is called in the study."""
        return self._by_face[face].name if face in self._by_face else face

    @property
    def names(self) -> dict[str, str | list[str]]:
        """New name -> face or faces, where they differ from the model's."""
        return {
            one.name: one.faces[0] if len(one.faces) == 1 else list(one.faces)
            for one in self.all
            if one.faces != (one.name,)
        }

    def _grouped(self, names: list[str]) -> list[tuple[str, ...]]:
        """Faces on one round surface that meet at an edge, together; others alone."""
        left, groups = list(names), []
        while left:
            group = [left.pop(0)]
            for one in group:
                group += (more := [other for other in left if self._one_surface(one, other)])
                left = [other for other in left if other not in more]
            groups.append(tuple(group))
        return groups

    def _one_surface(self, one: str, other: str) -> bool:
        a, b = self._faces[one], self._faces[other]
        if a.what != b.what or a.surface is None or a.surface.kind not in _ROUND or not a.edges & b.edges:
            return False
        s, t = a.surface, b.surface
        if abs(s.radius - t.radius) > self._near or abs(s.second - t.second) > max(self._near, _ALIKE):
            return s.kind == "cone" and self._one_axis(s, t)
        return self._one_axis(s, t) if s.kind != "sphere" else np.linalg.norm(s.origin - t.origin) <= self._near

    def _one_axis(self, s: Any, t: Any) -> bool:
        across = np.linalg.norm(np.cross(s.axes[2], t.axes[2]))
        return bool(across <= _ALIKE and np.linalg.norm(np.cross(t.origin - s.origin, s.axes[2])) <= self._near)

    def _paired(self, groups: list[tuple[str, ...]], pmi: ModelPmi) -> list[tuple[str, ...]]:
        """Two parallel planes that look at or away from each other as one, where all that is said is of both."""
        said = [(one.faces, one.kind in _OF_PAIRS) for one in pmi.tolerances if "all over" not in one.modifiers]
        sizes = self._sizes(pmi)
        middle = [one.faces for one in pmi.datums] + [one.faces for one in sizes]
        said += [(faces, True) for faces in middle]
        middle += [one.faces for one in pmi.tolerances if one.kind in ("position", "symmetry")]
        for faces in dict.fromkeys(middle):
            if len(faces) != 2 or not self._opposed(*faces):
                continue
            if all(good and set(faces) <= set(others) for others, good in said if set(faces) & set(others)):
                groups = [group for group in groups if not set(group) & set(faces)] + [faces]
        return groups

    def _opposed(self, one: str, other: str) -> bool:
        a, b = self._faces[one], self._faces[other]
        if a.what != "plane" or b.what != "plane":
            return False
        return bool(np.linalg.norm(a.normal + b.normal) < 1e-6)

    def _what(self, group: tuple[str, ...]) -> str:
        first = self._faces[group[0]]
        if len(group) == 2 and first.what == "plane":
            away = (self._faces[group[1]].surface.origin - first.surface.origin) @ first.normal
            return "slot" if away > 0 else "web"
        return first.what

    def _feature(self, name: str, what: str, group: tuple[str, ...]) -> Feature:
        face = self._faces[group[0]]
        if face.surface is None or face.surface.kind not in (*_ROUND, "plane"):
            return Feature(name, what, group)
        direction = face.surface.axes[2] if face.normal is None else face.normal
        point, direction = (tuple(float(v) for v in vector) for vector in (face.surface.origin, direction))
        radius = float(face.surface.radius) if what in ("bore", "boss") else None
        return Feature(name, what, group, point, direction, radius)


def _numbered(names: list[str], taken: set[str]) -> list[str]:
    """Names told apart: those that several have, or that the model has, are numbered."""
    total, count, out = Counter(names), Counter[str](), list[str]()
    for name in names:
        numbered = name if total[name] == 1 and name not in taken else ""
        while not numbered or numbered in taken:
            count[name] += 1
            numbered = f"{name}_{count[name]}"
        taken.add(numbered)
        out.append(numbered)
    return out


def _faces_of(part: Nominal) -> dict[str, _Face]:
    if part.brep is None:
        return dict.fromkeys(part.face_names, _Face("surface"))
    group = np.zeros(len(part.brep.faces), dtype=np.int64)
    group[part.brep.facet_face] = part.facet_face
    first = {int(face): k for k, face in reversed(list(enumerate(part.brep.facet_face)))}
    found = dict.fromkeys(part.face_names, _Face("surface"))
    for k, exact in enumerate(part.brep.faces):
        name = part.face_names[group[k]]
        if (group == group[k]).sum() > 1:
            continue  # joined by a person: whatever they have made of it
        edges = frozenset(edge for edge, _ in exact.borders)
        what, normal = exact.kind, None
        if what in ("plane", "cylinder"):
            uv = part.brep.corner_uv[first[k]].mean(axis=0)[None]
            value, su, sv = (one[0] for one in exact.surface.evaluate(uv, 1))
            out = np.cross(su, sv) * exact.outward
            if what == "plane":
                normal = out / np.linalg.norm(out)
            else:
                surface: Any = exact.surface
                arm = value - surface.origin
                arm = arm - (arm @ surface.axes[2]) * surface.axes[2]
                what = "boss" if out @ arm > 0 else "bore"
        elif what not in ("cone", "sphere"):
            what = "surface"
        found[name] = _Face(what, exact.surface if exact.kind in (*_ROUND, "plane") else None, normal, edges)
    return found
