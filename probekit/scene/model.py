"""What a view shows, as plain data: made once, drawn by any renderer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

    from ..plan.targets.curves import Curve
    from .playing import Played

__all__ = ["GlyphMesh", "Legend", "Limits", "Lines", "Scene", "Section", "Solid", "State", "VerdictEntry", "Zone"]


@shown
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


@shown
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


@shown
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
        Deviation [mm] and its sRGB colour as `#rrggbb`, ascending; empty in a scene that shows no deviations.
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


@shown
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


@shown
@dataclass(frozen=True, eq=False)
class Lines:
    """Straight pieces of one style, each belonging to a touch.

    Attributes
    ----------
    name, text : str
        What they are, for the legend, and the same in plain words.
    points : (2 s, 3) float32
        Ends of the pieces in pairs, in the part frame [mm]; a dashed line is cut into its dashes already.
    rows : (s,) int32
        Row in `Scene.touches` that each piece belongs to.
    colour : str
        sRGB colour as `#rrggbb`.
    dash : tuple of float
        Dash and gap as parts of the period, in turn; empty: unbroken. For the legend.
    """

    name: str
    text: str
    points: np.ndarray
    rows: np.ndarray
    colour: str
    dash: tuple[float, ...] = ()


@shown
@dataclass(frozen=True, eq=False)
class Solid:
    """A further body: a fixture, or the probe.

    Attributes
    ----------
    name, text : str
        What it is, for the legend, and the same in plain words.
    vertices : (m, 3) float32
        Three vertices of its own per facet [mm]: in the part frame, or in coordinates of its own if it has `motions`.
    colours : (m, 3) uint8
        sRGB, with a fixed shading by facet so that the form can be read unlit.
    edges : (2 e, 3) float32
        Ends of its sharp edges in pairs, for outline drawing [mm].
    colour : str
        sRGB colour before shading, as `#rrggbb`.
    opacity : float
        1 hides what is behind it.
    motions : (n, 4, 4) float64 or None
        Per touch the rigid motion that puts it where it stands at that touch; NaN: it is not shown then. None: it
        stands still.
    """

    name: str
    text: str
    vertices: np.ndarray
    colours: np.ndarray
    edges: np.ndarray
    colour: str
    opacity: float = 1.0
    motions: np.ndarray | None = None

    def standing(self, row: int | None) -> np.ndarray | None:
        """(4, 4) motion that puts it where it stands at a touch; None if it is not shown then."""
        if self.motions is None:
            return np.eye(4)
        if row is None or not np.isfinite(self.motions[row]).all():
            return None
        return self.motions[row]


@shown
@dataclass(frozen=True, eq=False)
class State:
    """The same touches seen otherwise: as clamped, or as the next part would be. Not judged.

    Attributes
    ----------
    name, text : str
        Its name, and what must be said beside it.
    deviation : (n,) float
        Per touch [mm]; NaN where there is none.
    motion : (4, 4) float or None
        Moves each place of the surface from where the verdict sees it to where this state does; the deviation changes
        by the part along the normal.
    offsets : (faces,) float
        What is taken off the deviations of each face [mm].
    """

    name: str
    text: str
    deviation: np.ndarray
    motion: np.ndarray | None
    offsets: np.ndarray


@dataclass(frozen=True)
class Zone:
    """Limits of the deviation [mm] from one arc length to another [mm]."""

    start: float
    end: float
    lower: float
    upper: float


@shown
@dataclass(frozen=True, eq=False)
class Section:
    """A planned section: a curve of the nominal, and the touches beside it.

    Attributes
    ----------
    name : str
    curve : Curve
        On the nominal.
    outward : (m, 3) float
        Outward unit normals in the middle of the m pieces of the curve.
    exact : bool
        Whether the curve lies on exact surfaces, not on facets.
    chord_error : float
        By how much the facets that it was taken from may leave the surface [mm]; 0 on exact surfaces.
    within : float
        How near to the curve the feet of its touches lie at most [mm].
    rows : (n,) int
        Its touches, in the order of the curve: rows of `Scene.touches`.
    stations : (n,) float
        Their arc lengths [mm].
    zones : tuple of Zone
        Limits along the curve, for each face whose touches were all judged by the same.
    untouched : int
        Further curves of the same section beside which no touch lies; they are not shown.
    """

    name: str
    curve: Curve
    outward: np.ndarray
    exact: bool
    chord_error: float
    within: float
    rows: np.ndarray
    stations: np.ndarray
    zones: tuple[Zone, ...] = ()
    untouched: int = 0

    @property
    def sentence(self) -> str:
        """Name, length, touches and what the curve was taken from, in one line."""
        source = "exact surfaces" if self.exact else f"facets (chord error up to {self.chord_error:.2g} mm)"
        return (
            f"section {self.name!r}: {self.curve.length:.1f} mm on {source}, {len(self.rows)} touches within "
            f"{self.within:g} mm"
        )


@shown
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
    sign : str
        Column of `touches` whose words choose the glyph, see `Legend.verdicts`.
    lines : tuple of Lines
        Ways between touches and the like.
    solids : tuple of Solid
        Fixtures and the probe.
    plays : tuple of Played
        Ways of the whole probe through a program, for a player; only of a plan.
    at : int or None
        Row of the touch at which solids with motions stand as long as none is chosen.
    field_mean, field_doubt : (v,) float32 or None
        Deviation estimated between the touches and its standard deviation [mm]; NaN where nothing is said. None if
        nobody asked.
    states : tuple of State
        Other states to compare with.
    sections : tuple of Section
        Planned sections.
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
    sign: str = "verdict"
    lines: tuple[Lines, ...] = ()
    solids: tuple[Solid, ...] = ()
    plays: tuple[Played, ...] = ()
    at: int | None = None
    field_mean: np.ndarray | None = None
    field_doubt: np.ndarray | None = None
    states: tuple[State, ...] = ()
    sections: tuple[Section, ...] = ()

    @property
    def sentence(self) -> str:
        """What is shown, in one line."""
        counts = ", ".join(f"{one.count} {one.word}" for one in self.legend.verdicts if one.count)
        return f"{self.title}: {len(self.facets)} facets, {len(self.touches)} touches" + (
            f" ({counts})" if counts else ""
        )

    @property
    def words(self) -> np.ndarray:
        """(n,) str, the word of each touch that the legend explains."""
        return self.touches[self.sign].to_numpy(dtype=object)

    @property
    def measured(self) -> bool:
        """Whether it shows deviations; a scene of a plan does not."""
        return bool(self.legend.stops)

    @property
    def still(self) -> np.ndarray:
        """(p, 3) float, points of the part and of all solids that stand still [mm]: what a first view must show."""
        return np.concatenate([self.vertices, *(one.vertices for one in self.solids if one.motions is None)])
