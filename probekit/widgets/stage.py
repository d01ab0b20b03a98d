"""The part in a picture that a mouse turns and clicks in: what every view drawn by pythreejs shares."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pythreejs as three
from ipywidgets import HTML, DOMWidget, HBox, Layout, VBox, jsdlink

from ..scene import bands
from ..scene.model import Scene
from . import camera

__all__ = ["Met", "Stage", "band_surface", "beside", "geometry", "numbers", "part_surface"]

#: Lines of the list in letters of one width; a picture that is too wide becomes narrower, and the pickers know it.
_STYLE = """<style>
.probekit-view canvas { max-width: 100% !important; height: auto !important; }
.probekit-touches select[size], .probekit-touches pre { font: 12px/1.4 monospace; margin: 0; overflow-x: auto; }
.probekit-touches pre { margin-left: 11px; white-space: pre !important; overflow: hidden; }
</style>"""
_HERE = -1.0  # no distance: what tells that the pointer left has not told anything


@dataclass(frozen=True, eq=False)
class Met:
    """What the pointer met when a button went down or came up.

    Attributes
    ----------
    thing : object
        The mesh that was met first, None if none was.
    facet : int or None
        Its facet.
    point : (3,) float
        Where, in the part frame [mm].
    eye : tuple of 3 float
        Where the camera stood, seen from the point it turns about [mm].
    """

    thing: Any
    facet: int | None
    point: np.ndarray
    eye: tuple[float, ...]


class Stage:
    """Renderer, camera and orbit controls, and what a press and a click of the button meet.

    Parameters
    ----------
    pickable : Group
        Meshes that stop the ray of a click.
    further : sequence of Object3D
        What is drawn beside them.
    start : Pose
        How the camera looks at first; the part turns about its target.
    width, height : int
        Size of the picture in CSS pixels.

    Attributes
    ----------
    renderer : Renderer
        The picture.
    camera : PerspectiveCamera
    """

    def __init__(
        self, pickable: three.Group, further: Sequence[Any], start: camera.Pose, width: int, height: int
    ) -> None:
        self._centre = np.array(start.target)
        part = three.Group(children=[pickable, *further], position=tuple((-self._centre).tolist()))
        distance = float(np.linalg.norm(np.subtract(start.eye, self._centre)))
        self.camera = three.PerspectiveCamera(
            fov=camera.FIELD_OF_VIEW,
            aspect=width / height,
            near=distance / 200,
            far=distance * 20,
            up=(0.0, 0.0, 1.0),
        )
        self._orbit = three.OrbitControls(controlling=self.camera)
        self.go(start)
        self._down = three.Picker(controlling=pickable, event="mousedown")
        self._up = three.Picker(controlling=pickable, event="click")
        self._pickable, self._nothing = pickable, three.Group()
        self.renderer = three.Renderer(
            scene=three.Scene(children=[part, self.camera], background="#ffffff"),
            camera=self.camera,
            controls=[self._orbit, self._down, self._up],
            antialias=True,
            width=width,
            height=height,
        )

    def go(self, pose: camera.Pose) -> None:
        """Look from there."""
        with self.camera.hold_sync():
            self.camera.position = tuple((np.array(pose.eye) - self._centre).tolist())
            self.camera.quaternion = pose.quaternion
        self._orbit.target = tuple((np.array(pose.target) - self._centre).tolist())

    @property
    def pose(self) -> camera.Pose:
        """How the camera looks now."""
        eye, target = np.array(self.camera.position) + self._centre, np.array(self._orbit.target) + self._centre
        return camera.Pose(tuple(eye.tolist()), tuple(target.tolist()))

    def observe(self, pressed: Callable[[Met], None], clicked: Callable[[Met], None]) -> None:
        """Call `pressed` whenever a button went down on something, `clicked` whenever it came up there."""

        # `distance` is a number at each hit and None at a miss; `_met` sets it back to None, so each hit is a change
        def tell(picker: three.Picker, then: Callable[[Met], None]) -> Callable[[dict], None]:
            return lambda change: then(self._met(picker)) if change["new"] is not None else None

        self._down.observe(tell(self._down, pressed), "distance")
        self._up.observe(tell(self._up, clicked), "distance")

    def follow(self, moved: Callable[[Met | None], None], radius: float, on: bool) -> None:
        """Call `moved` with what is under the pointer whenever it moves, and let a ball follow it there.

        The ball follows in the browser. A browser has one message to the kernel under way at a time; what the pointer
        meets meanwhile is left out but for the last.

        Parameters
        ----------
        moved : function of Met or None
            None: the pointer has left the picture.
        radius : float
            Of the ball [mm].
        on : bool
            Whether it begins at once, see `following`.
        """
        self._over = three.Picker(controlling=self._pickable if on else self._nothing, event="mousemove")
        left = three.Picker(controlling=self._nothing, event="mouseleave", distance=_HERE)
        self._ball = three.Mesh(
            three.SphereBufferGeometry(radius=radius, widthSegments=16, heightSegments=12),
            three.MeshBasicMaterial(color="#1b2330"),
            visible=False,
        )
        self._linked = jsdlink((self._over, "point"), (self._ball, "position"))
        self.renderer.scene.add(self._ball)
        self.renderer.controls = [*self.renderer.controls, self._over, left]

        def tell(_: object) -> None:
            self._ball.visible = self._over.object is not None
            moved(self._found(self._over))

        def leave(change: dict) -> None:
            if change["new"] != _HERE:
                left.distance = _HERE  # so that the next time is a change again
                self._ball.visible = False
                moved(None)

        self._over.observe(tell, "point")
        left.observe(leave, "distance")

    def following(self, on: bool) -> None:
        """Follow the pointer, or let it be: the browser tries every facet at each movement."""
        self._over.controlling = self._pickable if on else self._nothing
        self._ball.visible = False

    def _met(self, picker: three.Picker) -> Met:
        found = self._found(picker)
        picker.distance = None
        return found

    def _found(self, picker: three.Picker) -> Met:
        return Met(
            picker.object,
            picker.faceIndex,
            np.array(picker.point) + self._centre,
            tuple(np.subtract(self.camera.position, self._orbit.target).tolist()),
        )


def beside(picture: Sequence[DOMWidget], side: DOMWidget, width: int) -> HBox:
    """What stands in one column with a picture, and what stands beside it or, in a narrow cell, below."""
    left = VBox([HTML(_STYLE), *picture], layout=Layout(width=f"{width + 4}px", max_width="100%"))
    box = HBox([left, side], layout=Layout(flex_flow="row wrap"))
    box.add_class("probekit-view")
    return box


def numbers(array: np.ndarray, kind: type = np.float32, *, colour: bool = False) -> three.BufferAttribute:
    """An attribute of a geometry: positions, indices (`kind`), or colours of 0 to 255."""
    return three.BufferAttribute(np.ascontiguousarray(array, dtype=np.uint8 if colour else kind), normalized=colour)


def geometry(positions: three.BufferAttribute, facets: np.ndarray, colours: np.ndarray) -> three.BufferGeometry:
    """A mesh whose last positions may be without colour: they are never drawn (see `state`)."""
    colours = np.vstack([colours, np.zeros((len(positions.array) - len(colours), 3), dtype=np.uint8)])
    return three.BufferGeometry(
        attributes={"position": positions, "color": numbers(colours, colour=True)},
        index=numbers(facets.ravel(), np.uint32),
    )


def part_surface(positions: three.BufferAttribute, colours: three.BufferAttribute, facets: np.ndarray) -> three.Mesh:
    """The surface of the part, a little behind the lines on it."""
    return three.Mesh(
        three.BufferGeometry(
            attributes={"position": positions, "color": colours}, index=numbers(facets.ravel(), np.uint32)
        ),
        three.MeshBasicMaterial(
            vertexColors="VertexColors",
            side="DoubleSide",
            polygonOffset=True,
            polygonOffsetFactor=1,
            polygonOffsetUnits=1,
        ),
    )


def band_surface(positions: three.BufferAttribute, share: np.ndarray, scene: Scene) -> three.Mesh:
    """The surface in bands, drawn over that of the part once it is visible; edges are exact within each facet.

    The bands are one row of texels without blending between them; beyond its ends the first and the last go on.
    """
    last = len(bands.COLOURS)
    along = np.append((bands.BANDS * np.nan_to_num(share) + 1) / last, [0.0, 0.0])
    texels = np.hstack([bands.COLOURS, np.full((last, 1), 255)]).astype(np.uint8)[None]
    look = three.MeshBasicMaterial(
        map=three.DataTexture(data=texels, format="RGBAFormat", type="UnsignedByteType"),
        side="DoubleSide",
        polygonOffset=True,
        polygonOffsetFactor=0.5,
        polygonOffsetUnits=0.5,
    )
    places = {"position": positions, "uv": numbers(np.column_stack([along, np.full(len(along), 0.5)]))}
    index = numbers(bands.facets(scene, share).ravel(), np.uint32)
    return three.Mesh(three.BufferGeometry(attributes=places, index=index), look, visible=False)
