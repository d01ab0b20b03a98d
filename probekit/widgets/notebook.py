"""The view itself: a thin drawing of a scene by pythreejs, with controls by ipywidgets.

Notes
-----
All materials are unlit and the renderer writes vertex colours as they are (three.js r97, `gammaOutput` off), so that a
colour on the part is the sRGB colour of the legend.

There is no light in the picture, and none may be added. pythreejs 2.4.2 makes the shadow of a directional light or
spot light in the browser; its Python twin then sends the place holder "uninitialized" back as the shadow's camera, and
the browser, which expects a model there, logs `Error setting state: t.on is not a function`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pythreejs as three
import traitlets
from ipywidgets import HTML, Button, Checkbox, Dropdown, HBox, Layout, SelectionSlider, VBox

from ..errors import InputError
from ..scene.model import Scene
from ..scene.pictures import choose_directions, draw, picture_svg
from . import camera, plan_text, state, text
from .extras import Extras

__all__ = ["DeviationView"]

_COLOURS = (
    ("deviations near touches", "touches"),
    ("estimated between the touches, if smooth there", "mean"),
    ("how unsure that is", "doubt"),
)
_NONE = -1  # in the list of touches; a Dropdown shows the value None as a blank


class DeviationView(VBox):
    """A scene to turn, to pick from and to read. Made by `probekit.widgets.view`.

    Parameters
    ----------
    scene : Scene
        What is shown.
    width, height : int
        Size of the picture in CSS pixels.

    Attributes
    ----------
    selected : int, str or None
        Id of the chosen touch; can be set, observed and linked.
    """

    selected = traitlets.Any(None, allow_none=True, help="id of the chosen touch, or None")

    def __init__(self, scene: Scene, *, width: int = 640, height: int = 440) -> None:
        for name, size in (("width", width), ("height", height)):
            if isinstance(size, bool) or not isinstance(size, int | np.integer) or size <= 0:
                raise InputError(f"{name} must be a positive whole number of pixels", found=size)
        self._scene = scene
        self._state = state.start(scene)
        self._words = text if scene.measured else plan_text
        self._ids = scene.touches["touch"].tolist()
        self._overview = camera.overview(scene, width / height)
        self._press: state.Hit | None = None
        self._make_picture(width, height)
        self._make_controls()
        self._make_texts(width)
        picture = [self._note, self._renderer, self._controls, self._captions]
        left = VBox(picture, layout=Layout(width=f"{width + 4}px"))
        side = VBox([self._panel, self._legend], layout=Layout(flex="1 1 260px", min_width="260px", max_width="400px"))
        super().__init__([HBox([left, side], layout=Layout(flex_flow="row wrap"))])
        self._show()

    def select(self, touch: object) -> None:
        """Choose a touch by its id; None chooses none.

        Raises
        ------
        InputError
            If no touch has that id.
        """
        self.selected = touch

    def _repr_mimebundle_(self, **given: Any) -> dict[str, Any]:
        """Besides the view a still picture, for a notebook that was saved and is read without its kernel."""
        scene = self._scene
        picture = draw(scene, choose_directions(scene, 1)[0], 640, 440)
        words = f"{scene.title}: {picture.title}, {len(picture.rows)} of {len(scene.touches)} touches seen"
        still = {"image/svg+xml": picture_svg(scene, picture), "text/plain": words}
        return (super()._repr_mimebundle_(**given) or {}) | still

    # -- the picture -----------------------------------------------------------------------------------------------

    def _make_picture(self, width: int, height: int) -> None:
        scene, now = self._scene, self._state
        self._surface_at = _numbers(state.surface_positions(scene, now))
        self._glyphs_at = _numbers(state.glyph_positions(scene, now))
        self._ring_at = _numbers(state.ring_positions(scene, now))
        self._surface_colours = _numbers(state.surface_colours(scene, now), colour=True)
        surface = three.Mesh(
            three.BufferGeometry(
                attributes={"position": self._surface_at, "color": self._surface_colours},
                index=_numbers(scene.facets.ravel(), np.uint32),
            ),
            three.MeshBasicMaterial(
                vertexColors="VertexColors",
                side="DoubleSide",
                polygonOffset=True,
                polygonOffsetFactor=1,
                polygonOffsetUnits=1,
            ),
        )
        self._glyphs = three.Mesh(
            _geometry(self._glyphs_at, scene.glyphs.facets, scene.glyphs.colours),
            three.MeshBasicMaterial(vertexColors="VertexColors", side="DoubleSide"),
        )
        ring = three.Mesh(
            _geometry(self._ring_at, state.RING_FACETS, state.ring_colours()),
            three.MeshBasicMaterial(vertexColors="VertexColors", side="DoubleSide", depthTest=False),
            renderOrder=1,
        )
        lines = []
        if len(scene.edges):
            borders = three.BufferGeometry(
                attributes={"position": self._surface_at}, index=_numbers(scene.edges.ravel(), np.uint32)
            )
            lines.append(three.LineSegments(borders, three.LineBasicMaterial(color="#2b2f36")))
        if len(hatching := state.hatch_segments(scene)):
            hatched = three.BufferGeometry(attributes={"position": _numbers(hatching)})
            lines.append(three.LineSegments(hatched, three.LineBasicMaterial(color="#8b9098")))
        pickable = three.Group(children=[surface, self._glyphs])
        centre = np.array(self._overview.target)
        self._extras = Extras(scene)
        part = three.Group(
            children=[pickable, *lines, *self._extras.layers.values(), ring], position=tuple((-centre).tolist())
        )
        distance = float(np.linalg.norm(np.subtract(self._overview.eye, centre)))
        self._camera = three.PerspectiveCamera(
            fov=camera.FIELD_OF_VIEW,
            aspect=width / height,
            near=distance / 200,
            far=distance * 20,
            up=(0.0, 0.0, 1.0),
        )
        self._orbit = three.OrbitControls(controlling=self._camera)
        self._go(self._overview)
        self._down = three.Picker(controlling=pickable, event="mousedown")
        self._up = three.Picker(controlling=pickable, event="click")
        self._renderer = three.Renderer(
            scene=three.Scene(children=[part, self._camera], background="#ffffff"),
            camera=self._camera,
            controls=[self._orbit, self._down, self._up],
            antialias=True,
            width=width,
            height=height,
        )
        # `distance` is a number at each hit and None at a miss; `_hit` sets it back to None, so each hit is a change
        self._down.observe(self._pressed, "distance")
        self._up.observe(self._clicked, "distance")

    def _go(self, pose: camera.Pose) -> None:
        centre = np.array(self._overview.target)
        with self._camera.hold_sync():
            self._camera.position = tuple((np.array(pose.eye) - centre).tolist())
            self._camera.quaternion = pose.quaternion
        self._orbit.target = tuple((np.array(pose.target) - centre).tolist())

    def _pose(self) -> camera.Pose:
        centre = np.array(self._overview.target)
        eye, target = np.array(self._camera.position) + centre, np.array(self._orbit.target) + centre
        return camera.Pose(tuple(eye.tolist()), tuple(target.tolist()))

    def _hit(self, picker: three.Picker) -> state.Hit:
        part = "glyphs" if picker.object is self._glyphs else "surface"
        point = np.array(picker.point) + self._overview.target
        row = state.touch_at(self._scene, self._state, part, picker.faceIndex, point)
        picker.distance = None
        return state.Hit(row, tuple(np.subtract(self._camera.position, self._orbit.target).tolist()))

    def _pressed(self, change: dict) -> None:
        if change["new"] is not None:
            self._press = self._hit(self._down)

    def _clicked(self, change: dict) -> None:
        if change["new"] is not None:
            row = state.clicked(self._press, self._hit(self._up))
            self._press = None
            if row is not None:
                self._set(state.with_row(self._scene, self._state, row))

    # -- controls and texts ----------------------------------------------------------------------------------------

    def _make_controls(self) -> None:
        scene, wide = self._scene, {"description_width": "initial"}
        labels = [("none chosen", _NONE), *zip(self._words.touch_labels(scene), range(len(self._ids)), strict=True)]
        self._list = Dropdown(options=labels, description="Touch", style=wide, layout=Layout(width="320px"))
        previous, following, turn, reset = (
            Button(description=words, layout=Layout(width="auto"))
            for words in ("Previous touch", "Next touch", "Turn to touch", "Reset view")
        )
        self._filters = {
            entry.word: Checkbox(
                value=True, description=f"{entry.word} ({entry.count})", indent=False, layout=Layout(width="auto")
            )
            for entry in scene.legend.verdicts
            if entry.count
        }
        self._slider = SelectionSlider(
            options=[(text.exaggeration_label(f), f) for f in state.exaggerations(scene)],
            value=0.0,
            description="Exaggerate deviations",
            continuous_update=False,
            style=wide,
            layout=Layout(width="440px"),
        )
        self._list.observe(lambda c: self._set(state.with_row(scene, self._state, _row(c["new"]))), "value")
        previous.on_click(lambda _: self._set(state.neighbour(scene, self._state, -1)))
        following.on_click(lambda _: self._set(state.neighbour(scene, self._state, 1)))
        turn.on_click(lambda _: self._go(camera.facing(scene, self._state.row, self._pose())))
        reset.on_click(lambda _: self._go(self._overview))
        for box in self._filters.values():
            box.observe(lambda _: self._filtered(), "value")
        self._slider.observe(lambda c: self._set(replace(self._state, exaggeration=c["new"])), "value")
        layers = [
            Checkbox(value=True, description=name, indent=False, layout=Layout(width="auto"))
            for name in self._extras.layers
        ]
        for box, group in zip(layers, self._extras.layers.values(), strict=True):
            traitlets.link((box, "value"), (group, "visible"))
        row = Layout(flex_flow="row wrap", align_items="center")
        self._colours = Dropdown(
            options=_COLOURS, value="touches", description="Surface shows", style=wide, layout=Layout(width="440px")
        )
        self._colours.observe(lambda c: self._set(replace(self._state, colours=c["new"])), "value")
        self._controls = VBox(
            [
                HBox([self._list, previous, following, turn, reset], layout=row),
                HBox([HTML("Show"), *self._filters.values(), *layers], layout=row),
                *([self._slider] if scene.measured else []),
                *([self._colours] if scene.field_mean is not None else []),
            ]
        )

    def _make_texts(self, width: int) -> None:
        scene = self._scene
        self._note, self._panel = HTML(), HTML()
        self._legend = HTML(text.legend_html(scene.legend) if scene.measured else plan_text.legend_html(scene))
        self._captions = HTML(text.captions_html(scene), layout=Layout(width=f"{width}px"))

    def _filtered(self) -> None:
        off = {word for word, box in self._filters.items() if not box.value}
        everything = state.start(self._scene).verdicts
        self._set(state.with_verdicts(self._scene, self._state, everything - off))

    # -- one way in: a new state -----------------------------------------------------------------------------------

    def _set(self, new: state.State) -> None:
        if new != self._state:
            old, self._state = self._state, new
            if new.exaggeration != old.exaggeration:
                self._surface_at.array = state.surface_positions(self._scene, new)
            if new.colours != old.colours:
                self._surface_colours.array = state.surface_colours(self._scene, new)
            if (new.exaggeration, new.verdicts) != (old.exaggeration, old.verdicts):
                self._glyphs_at.array = state.glyph_positions(self._scene, new)
            if (new.exaggeration, new.row) != (old.exaggeration, old.row):
                self._ring_at.array = state.ring_positions(self._scene, new)
            self._show()

    def _show(self) -> None:
        """Bring texts, controls and `selected` in line with the state; each then finds nothing left to change."""
        scene, now = self._scene, self._state
        self._extras.stand(now.row)
        self._panel.value = self._words.panel_html(scene, now.row)
        hidden = int((~state.shown(scene, now)).sum())
        self._note.value = self._words.note_html(scene, now.exaggeration, hidden)
        self._list.value = _NONE if now.row is None else now.row
        self._slider.value = now.exaggeration
        self._colours.value = now.colours
        for word, box in self._filters.items():
            box.value = word in now.verdicts
        self.selected = None if now.row is None else self._ids[now.row]

    @traitlets.validate("selected")
    def _known(self, proposal: dict) -> object:
        if proposal["value"] is not None:
            state.row_of(self._scene, proposal["value"])
        return proposal["value"]

    @traitlets.observe("selected")
    def _chosen(self, change: dict) -> None:
        touch, row = change["new"], self._state.row
        if touch is None:
            self._set(state.with_row(self._scene, self._state, None))
        elif row is None or self._ids[row] != touch:
            self._set(state.with_row(self._scene, self._state, state.row_of(self._scene, touch)))


def _row(value: int) -> int | None:
    return None if value == _NONE else value


def _numbers(array: np.ndarray, kind: type = np.float32, *, colour: bool = False) -> three.BufferAttribute:
    return three.BufferAttribute(np.ascontiguousarray(array, dtype=np.uint8 if colour else kind), normalized=colour)


def _geometry(positions: three.BufferAttribute, facets: np.ndarray, colours: np.ndarray) -> three.BufferGeometry:
    """Make a mesh whose last two positions are never drawn (see `state`); they get a colour all the same."""
    colours = np.vstack([colours, np.zeros((len(positions.array) - len(colours), 3), dtype=np.uint8)])
    return three.BufferGeometry(
        attributes={"position": positions, "color": _numbers(colours, colour=True)},
        index=_numbers(facets.ravel(), np.uint32),
    )
