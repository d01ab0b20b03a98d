"""The boundary representation of a body as plain arrays: exact faces and edges, and the facets that seed searches."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ...show import shown
from .edges import Edge
from .surfaces import Surface

__all__ = ["Brep", "ExactFace"]


@shown
@dataclass(frozen=True, eq=False)
class ExactFace:
    """A trimmed face.

    Attributes
    ----------
    name : str
    kind : str
        "plane", "cylinder", "cone", "sphere", "torus", "spline", "extrusion", "revolution", "offset" or "other".
    surface : Surface
    outward : float
        +1 if Su x Sv points out of the material, else -1.
    borders : tuple of (int, float)
        Edges that bound it and the sense in which each runs: +1 if the face lies to the left of the edge's direction,
        seen from the tip of Su x Sv. Seams of closed surfaces and edges without length are not among them.
    poles : tuple of (3,) float
        Points where the surface's parameters degenerate: poles of a sphere, apex of a cone [mm].
    colour : tuple of three float or None
        Linear RGB in 0..1, if the file gives one.
    """

    name: str
    kind: str
    surface: Surface
    outward: float
    borders: tuple[tuple[int, float], ...]
    poles: tuple[np.ndarray, ...] = ()
    colour: tuple[float, float, float] | None = None


@shown
@dataclass(frozen=True, eq=False)
class Brep:
    """One body, or several flattened into one.

    Attributes
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    facet_face : (f,) int
    corner_uv : (f, 3, 2) float
        Surface parameters at the corners of each facet.
    corner_node : (f, 3) int
        Node at each corner: as `facets`, but a vertex that two faces share, or that lies on the seam of a closed
        surface, has a node for each of its parameters.
    faces : tuple of ExactFace
    edges : tuple of Edge
        Those that bound faces; an edge with kinks is several.
    deflection : float
        How far the facets are off the exact surface: as far as was asked for, or further where that was measured [mm].
    unit : str
        Unit of the file, as it names it.
    bodies : tuple of str
        Names of all bodies in the file.
    notes : tuple of str
    gap : float
        How far edges and corners may lie off their faces, by the uncertainty that the file states and by the tolerance
        of each that the kernel found, at most the deflection [mm].
    negligible : float
        Length that means nothing on a body of this size: far over rounding, far under what can be measured [mm].
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_face: np.ndarray
    corner_uv: np.ndarray
    corner_node: np.ndarray
    faces: tuple[ExactFace, ...]
    edges: tuple[Edge, ...]
    deflection: float
    unit: str = "millimetre"
    bodies: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
    gap: float = 0.0
    negligible: float = 1e-6

    def moved(self, motion: np.ndarray) -> Brep:
        """The same body in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        turn, shift = motion[:3, :3], motion[:3, 3]
        return replace(
            self,
            vertices=self.vertices @ turn.T + shift,
            faces=tuple(
                replace(face, surface=face.surface.moved(motion), poles=tuple(turn @ p + shift for p in face.poles))
                for face in self.faces
            ),
            edges=tuple(
                None if edge is None else replace(edge, poles=edge.poles @ turn.T + shift) for edge in self.edges
            ),
        )
