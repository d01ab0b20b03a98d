"""The nominal as plain data: vertices, facets, and the face that each facet belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from ..errors import InputError
from ..show import shown
from .chord import chord_error
from .exact import Brep, ExactEngine
from .facets import FacetEngine
from .topology import open_edges

__all__ = ["Nominal"]


@shown
@dataclass(frozen=True, eq=False)
class Nominal:
    """The model of the part as it should be. Immutable; the search structures are built once, when first needed.

    Attributes
    ----------
    vertices : (v, 3) float
        Positions in the part frame [mm].
    facets : (f, 3) int
        Vertex indices, counter-clockwise seen from outside the material.
    facet_face : (f,) int
        Index of the face of each facet, into `face_names`.
    face_names : tuple of str
        One name per face.
    name : str
        What the part is called.
    unit_source : str
        Where the unit came from, for the record ("3MF file: millimeter", "given: inch", ...).
    source, sha256 : str
        File and checksum; empty for a model made from arrays.
    notes : tuple of str
        What was mended or noticed on loading.
    brep : Brep or None
        The exact surfaces, if the model came from a STEP file; the facets are then those that seed it, in its order.
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_face: np.ndarray
    face_names: tuple[str, ...]
    name: str = "part"
    unit_source: str = "mm"
    source: str = ""
    sha256: str = ""
    notes: tuple[str, ...] = field(default=())
    brep: Brep | None = None

    def __post_init__(self) -> None:
        for array in (self.vertices, self.facets, self.facet_face):
            array.setflags(write=False)

    @property
    def sentence(self) -> str:
        """Name, facets and faces in one line."""
        return f"{self.name!r}: {len(self.facets)} facets, {len(self.face_names)} faces"

    @cached_property
    def engine(self) -> FacetEngine | ExactEngine:
        """The closest-point engine of this model: on exact surfaces if it has them, else on facets."""
        if self.brep is None:
            return FacetEngine(self.vertices, self.facets, self.facet_face, len(self.face_names))
        group = np.empty(len(self.brep.faces), dtype=np.int64)
        group[self.brep.facet_face] = self.facet_face
        return ExactEngine(self.brep, group)

    @property
    def exact(self) -> bool:
        """Whether deviations are taken from exact surfaces."""
        return self.brep is not None

    @cached_property
    def bounds(self) -> np.ndarray:
        """(2, 3) lower and upper corner of the bounding box [mm]."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @cached_property
    def diagonal(self) -> float:
        """Diagonal of the bounding box [mm]."""
        return float(np.linalg.norm(self.bounds[1] - self.bounds[0]))

    @cached_property
    def open_edges(self) -> int:
        """Edges that only one facet has; a closed surface has none."""
        return open_edges(self.facets, len(self.vertices))

    @cached_property
    def face_areas(self) -> np.ndarray:
        """(n_faces,) area of each face [mm2]."""
        corner = self.vertices[self.facets]
        area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
        return np.bincount(self.facet_face, weights=area, minlength=len(self.face_names))

    @cached_property
    def chord_errors(self) -> np.ndarray:
        """(n_faces,) estimated chord error of each face [mm]: see `probekit.nominal.chord_error`."""
        return chord_error(self)

    def face_index(self, name: str) -> int:
        """Index of the face called `name`.

        Raises
        ------
        InputError
            If no face has that name.
        """
        try:
            return self.face_names.index(name)
        except ValueError:
            raise InputError(
                "the nominal has no face with that name",
                found=name,
                expected="one of " + ", ".join(self.face_names[:20]) + (" ..." if len(self.face_names) > 20 else ""),
            ) from None

    def rename_faces(self, names: Mapping[str, str]) -> Nominal:
        """A copy with faces renamed; several old names given one new name become one face.

        Parameters
        ----------
        names : mapping
            Old name -> new name. Faces not mentioned keep their names.

        Raises
        ------
        InputError
            If an old name does not exist.
        """
        for old in names:
            self.face_index(old)
        wanted = [names.get(old, old) for old in self.face_names]
        kept = tuple(dict.fromkeys(wanted))
        index = np.array([kept.index(new) for new in wanted], dtype=np.int32)
        return replace(self, facet_face=index[self.facet_face], face_names=kept)

    def _repr_html_(self) -> str:
        from html import escape

        size = " &times; ".join(f"{s:.1f}" for s in self.bounds[1] - self.bounds[0])
        rows = "".join(
            f"<tr><td>{escape(name)}</td><td>{area:.1f}</td><td>{count}</td></tr>"
            for name, area, count in zip(
                self.face_names,
                self.face_areas,
                np.bincount(self.facet_face, minlength=len(self.face_names)),
                strict=True,
            )
        )
        return (
            f"<p><b>{escape(self.name)}</b>: {size} mm, {len(self.facets)} facets, unit from {escape(self.unit_source)}"
            f"</p><table><tr><th>face</th><th>area [mm&sup2;]</th><th>facets</th></tr>{rows}</table>"
        )
