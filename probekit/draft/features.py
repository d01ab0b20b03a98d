"""Features behind the faces that tolerances name: halves of a bore as one, sides of a slot, named by what they are."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..nominal.exact.pmi_model import ModelPmi

__all__ = ["Feature", "Features"]

_ROUND = ("cylinder", "cone", "sphere", "torus")
_SAME = 1e-6  # in diagonals of the part: surfaces that differ by less are one
_ALIKE = 1e-6  # sine of the angle between directions that are one
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
    """

    name: str
    what: str
    faces: tuple[str, ...]
    point: tuple[float, float, float] | None = None
    direction: tuple[float, float, float] | None = None

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
        sizes = [one for one in pmi.sizes if not one.ends and not one.degrees]
        used = dict.fromkeys(face for one in (*pmi.datums, *every, *sizes) for face in one.faces)
        order = {name: k for k, name in enumerate(part.face_names)}
        groups = self._grouped(sorted(used, key=order.__getitem__))
        groups = self._paired(groups, pmi)
        taken, count = set(part.face_names), {}
        found = []
        for group in groups:
            what = self._what(group)
            name = group[0]
            if len(group) > 1 or (_BY_NUMBER.fullmatch(name) and self._faces[name].surface is not None):
                while True:
                    count[what] = count.get(what, 0) + 1
                    name = f"{what}_{count[what]}"
                    if name not in taken:
                        break
            found.append(self._feature(name, what, group))
        self.all = tuple(found)
        self._by_face = {face: one for one in found for face in one.faces}

    def of(self, faces: Iterable[str]) -> list[Feature]:
        """Features that some faces belong to, each once."""
        return list(dict.fromkeys(self._by_face[face] for face in faces))

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
        sizes = [one for one in pmi.sizes if not one.ends and not one.degrees]
        said += [(one.faces, True) for one in (*pmi.datums, *sizes)]
        middle = [one.faces for one in (*pmi.datums, *sizes)]
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
        return Feature(name, what, group, point, direction)


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
                arm = value - exact.surface.origin
                arm = arm - (arm @ exact.surface.axes[2]) * exact.surface.axes[2]
                what = "boss" if out @ arm > 0 else "bore"
        elif what not in ("cone", "sphere"):
            what = "surface"
        found[name] = _Face(what, exact.surface if exact.kind in (*_ROUND, "plane") else None, normal, edges)
    return found
