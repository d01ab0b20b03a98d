"""What a view shows, as plain data: made once, drawn by any renderer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

__all__ = ["GlyphMesh", "Legend", "Limits", "Scene", "VerdictEntry"]


@dataclass(frozen=True)
class Limits:
    """The limits of one tolerance, as the legend marks them.

    Attributes
    ----------
    name : str
        Name of the tolerance.
    lower, upper : float
        Limits of the deviation [mm].
    """

    name: str
    lower: float
    upper: float


@dataclass(frozen=True)
class VerdictEntry:
    """One line of the glyph key.

    Attributes
    ----------
    word : str
        The verdict.
    colour : str
        sRGB colour as `#rrggbb`.
    shape : str
        Name of the glyph shape, a key of `probekit.scene.glyphs.SHAPES`.
    text : str
        What it means, in plain words.
    count : int
        Touches with this verdict.
    """

    word: str
    colour: str
    shape: str
    text: str
    count: int


@dataclass(frozen=True)
class Legend:
    """What the colours and the glyphs mean.

    Attributes
    ----------
    span : float
        The colours run from -span to +span [mm].
    clipped : bool
        True if some deviation lies beyond the colours.
    stops : tuple of (float, str)
        Deviation [mm] and its sRGB colour as `#rrggbb`, ascending.
    unknown : str
        sRGB colour where no touch is near.
    limits : tuple of Limits
        Limits of the tolerances, one each.
    verdicts : tuple of VerdictEntry
        The glyph key, one per verdict word.
    """

    span: float
    clipped: bool
    stops: tuple[tuple[float, str], ...]
    unknown: str
    limits: tuple[Limits, ...]
    verdicts: tuple[VerdictEntry, ...]


@dataclass(frozen=True, eq=False)
class GlyphMesh:
    """All glyphs merged to one mesh of flat facets (three vertices of its own per facet).

    Attributes
    ----------
    vertices : (m, 3) float32
        Positions in the part frame [mm].
    facets : (k, 3) int32
        Vertex indices.
    facet_touch : (k,) int32
        Row in `Scene.touches` of each facet.
    vertex_touch : (m,) int32
        Row in `Scene.touches` of each vertex.
    colours : (m, 3) uint8
        sRGB colour: that of the verdict, with a fixed shading by facet so that the shape can be read unlit.
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_touch: np.ndarray
    vertex_touch: np.ndarray
    colours: np.ndarray


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything a view shows.

    Attributes
    ----------
    title : str
        Heading of the view.
    vertices : (v, 3) float32
        Display mesh [mm]; split along the borders between faces, long edges of touched faces cut.
    facets : (f, 3) int32
        Vertex indices, counter-clockwise seen from outside.
    vertex_face : (v,) int32
        Face of each vertex, into `face_names`.
    face_names : tuple of str
        One name per face.
    normals : (v, 3) float32
        Outward unit normals, smooth within a face.
    deviation : (v,) float32
        Deviation interpolated between the touches of the same face [mm]; NaN where no touch is near.
    colours : (v, 3) uint8
        sRGB colour of `deviation`.
    edges : (e, 2) int32
        Vertex pairs along the borders of faces.
    glyphs : GlyphMesh
        The touches.
    anchor, direction : (n, 3) float32
        Per touch its foot and the outward unit normal there; for a missed touch its target; NaN if it has no place.
    touches : DataFrame
        One row per touch, in the order of the verdict table.
    legend : Legend
        What colours and glyphs mean.
    captions : tuple of str
        What must be said beside the picture.
    glyph_size : float
        Half width of a glyph [mm].
    """

    title: str
    vertices: np.ndarray
    facets: np.ndarray
    vertex_face: np.ndarray
    face_names: tuple[str, ...]
    normals: np.ndarray
    deviation: np.ndarray
    colours: np.ndarray
    edges: np.ndarray
    glyphs: GlyphMesh
    anchor: np.ndarray
    direction: np.ndarray
    touches: pd.DataFrame
    legend: Legend
    captions: tuple[str, ...]
    glyph_size: float
