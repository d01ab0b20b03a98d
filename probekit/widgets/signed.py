"""The nominal of a part with signs on it that change: the drawing of the picker and of the explorers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pythreejs as three

from .. import plan
from ..scene import plan_scene
from . import camera
from .stage import Stage, geometry, numbers, part_surface

if TYPE_CHECKING:
    from ..nominal import Nominal
    from ..scene.model import GlyphMesh

__all__ = ["SignedPart"]


class SignedPart:
    """The part in grey, its edges, and one mesh of signs.

    Parameters
    ----------
    nominal : Nominal
    width, height : int
        Size of the picture in CSS pixels.

    Attributes
    ----------
    stage : Stage
        The picture.
    overview : Pose
        How it looks at first.
    size : float
        Usual half width of a sign [mm].
    surface, signs : Mesh
        The part; the signs, None if there are none.
    """

    def __init__(self, nominal: Nominal, width: int, height: int) -> None:
        scene = plan_scene(nominal, plan.place(nominal, np.zeros((0, 3))))
        at = numbers(scene.vertices)
        self.size = scene.glyph_size
        self.surface = part_surface(at, numbers(scene.colours, colour=True), scene.facets)
        lines = []
        if len(scene.edges):
            borders = three.BufferGeometry(attributes={"position": at}, index=numbers(scene.edges.ravel(), np.uint32))
            lines.append(three.LineSegments(borders, three.LineBasicMaterial(color="#2b2f36")))
        self.signs: three.Mesh | None = None
        self._pickable = three.Group(children=[self.surface])
        self.overview = camera.overview(scene, width / height)
        self.stage = Stage(self._pickable, lines, self.overview, width, height)

    def draw(self, mesh: GlyphMesh) -> None:
        """Other signs in place of those that are drawn."""
        old, self.signs = self.signs, None
        if len(mesh.facets):
            self.signs = three.Mesh(
                geometry(numbers(mesh.vertices), mesh.facets, mesh.colours),
                three.MeshBasicMaterial(vertexColors="VertexColors", side="DoubleSide"),
            )
        self._pickable.children = [self.surface, *([] if self.signs is None else [self.signs])]
        if old is not None:
            for one in (*old.geometry.attributes.values(), old.geometry.index, old.geometry, old.material, old):
                one.close()
