"""What a plan shows beside part and targets, drawn by pythreejs: ways, fixtures, and the probe where it stands."""

from __future__ import annotations

import numpy as np
import pythreejs as three
from scipy.spatial.transform import Rotation

from ..scene.model import Scene, Solid

__all__ = ["Extras"]


class Extras:
    """Groups to be added to the picture, by the word of the switch that shows and hides them.

    Parameters
    ----------
    scene : Scene
        What is shown; a scene of a verdict has no extras.

    Attributes
    ----------
    layers : dict of str to Group
        ``Ways``, ``Probe``, ``Fixtures``, as far as the scene has them.
    """

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self._movers = [(_body(one), one) for one in scene.solids if one.motions is not None]
        still = [_body(one) for one in scene.solids if one.motions is None]
        # solids that can be seen through come last, so that what is behind them is there already
        found = {
            "Ways": [_segments(line.points, line.colour) for line in scene.lines],
            "Probe": [body for body, _ in self._movers],
            "Fixtures": still,
        }
        self.layers = {name: three.Group(children=bodies) for name, bodies in found.items() if bodies}

    def stand(self, row: int | None) -> None:
        """Bring the probe to a touch; None: to where it stands at first. It is hidden where it cannot touch."""
        for body, solid in self._movers:
            motion = solid.standing(self._scene.at if row is None else row)
            body.visible = motion is not None
            if motion is not None:
                body.position = tuple(motion[:3, 3].tolist())
                body.quaternion = tuple(Rotation.from_matrix(motion[:3, :3]).as_quat().tolist())


def _body(solid: Solid) -> three.Group:
    through = solid.opacity < 1
    geometry = three.BufferGeometry(
        attributes={
            "position": three.BufferAttribute(solid.vertices, normalized=False),
            "color": three.BufferAttribute(solid.colours, normalized=True),
        }
    )
    material = three.MeshBasicMaterial(
        vertexColors="VertexColors",
        transparent=through,
        opacity=solid.opacity,
        depthWrite=not through,
        polygonOffset=True,
        polygonOffsetFactor=1,
        polygonOffsetUnits=1,
    )
    return three.Group(children=[three.Mesh(geometry, material), _segments(solid.edges, "#2b2f36")])


def _segments(points: np.ndarray, colour: str) -> three.LineSegments:
    geometry = three.BufferGeometry(attributes={"position": three.BufferAttribute(points, normalized=False)})
    return three.LineSegments(geometry, three.LineBasicMaterial(color=colour))
