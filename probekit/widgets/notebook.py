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
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pythreejs as three
import traitlets
from ipywidgets import HTML, Button, Checkbox, Dropdown, HBox, Layout, SelectionSlider, VBox

from ..errors import InputError
from ..files import store
from ..scene import bands, pictures
from ..scene.model import Scene
from . import camera, hovering, plan_text, state, still, text
from .extras import Extras
from .listing import TouchList
from .stage import Met, Stage, band_surface, beside, geometry, numbers, part_surface

__all__ = ["DeviationView"]

_COLOURS = (
    ("deviations near touches", "touches"),
    ("the same in tenths of the zone", "bands"),
    ("estimated between the touches, if smooth there", "mean"),
    ("how unsure that is", "doubt"),
)


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
        state.checked_size(width, height)
        self._scene, self._shape = scene, (width, height)
        self._state = state.start(scene)
        self._words = text if scene.measured else plan_text
        self._ids = scene.touches["touch"].tolist()
        self._overview = camera.overview(scene, width / height)
        self._press: state.Hit | None = None
        self._make_picture(width, height)
        self._make_controls()
        self._make_texts()
        picture = [self._note, self._renderer, self._under, self._controls, self._captions]
        side = VBox([self._panel, self._legend], layout=Layout(flex="1 1 260px", min_width="260px", max_width="400px"))
        super().__init__([beside(picture, side, width)])
        self._show()

    def select(self, touch: object) -> None:
        """Choose a touch by its id; None chooses none.

        Raises
        ------
        InputError
            If no touch has that id.
        """
        self.selected = touch

    def save(self, to: str | Path) -> Path:
        """Write a still picture from the side that the camera sees now: the whole part, with all its touches.

        Parameters
        ----------
        to : str or Path
            The file: its end says which kind, .svg (the touches are vectors) or .png.

        Raises
        ------
        InputError
            If the end is another, or the file cannot be written.
        """
        to, pose = Path(to), self._stage.pose
        if to.suffix.lower() not in (".svg", ".png"):
            raise InputError("a picture of another kind", file=to, found=to.suffix, expected=".svg or .png")
        flat = to.suffix.lower() == ".png"
        picture = pictures.draw(
            self._scene,
            np.subtract(pose.eye, pose.target),
            *self._shape,
            signs=flat,
            banded=self._state.colours == "bands",
        )
        store(to, picture.png if flat else pictures.picture_svg(self._scene, picture).encode())
        return to

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        live = super()._repr_mimebundle_(**kwargs)
        return still.bundle(
            live,
            f"DeviationView {self._scene.sentence}",
            still.picture_html(self._scene, *self._shape, banded=self._state.colours == "bands"),
        )

    # -- the picture -----------------------------------------------------------------------------------------------

    def _make_picture(self, width: int, height: int) -> None:
        scene, now = self._scene, self._state
        self._surface_at = numbers(state.surface_positions(scene, now))
        self._glyphs_at = numbers(state.glyph_positions(scene, now))
        self._ring_at = numbers(state.ring_positions(scene, now))
        self._surface_colours = numbers(state.surface_colours(scene, now), colour=True)
        surface = part_surface(self._surface_at, self._surface_colours, scene.facets)
        self._banded = band_surface(self._surface_at, bands.shares(scene), scene)
        self._glyphs = three.Mesh(
            geometry(self._glyphs_at, scene.glyphs.facets, scene.glyphs.colours),
            three.MeshBasicMaterial(vertexColors="VertexColors", side="DoubleSide"),
        )
        self._rims_at = numbers(state.rim_positions(scene, now))
        rims = three.Mesh(
            geometry(self._rims_at, scene.glyphs.facets, state.rim_colours(scene)),
            three.MeshBasicMaterial(vertexColors="VertexColors", side="BackSide"),
        )
        ring = geometry(self._ring_at, state.RING_FACETS, state.ring_colours())
        look = {"vertexColors": "VertexColors", "side": "DoubleSide", "transparent": True, "depthWrite": False}
        rings = [
            three.Mesh(ring, three.MeshBasicMaterial(**look), renderOrder=1),
            # what the part hides of it is faint
            three.Mesh(ring, three.MeshBasicMaterial(**look, opacity=0.25, depthFunc="GreaterDepth"), renderOrder=1),
        ]
        lines = []
        if len(scene.edges):
            borders = three.BufferGeometry(
                attributes={"position": self._surface_at}, index=numbers(scene.edges.ravel(), np.uint32)
            )
            lines.append(three.LineSegments(borders, three.LineBasicMaterial(color="#2b2f36")))
        if len(hatching := state.hatch_segments(scene)):
            hatched = three.BufferGeometry(attributes={"position": numbers(hatching)})
            lines.append(three.LineSegments(hatched, three.LineBasicMaterial(color="#8b9098")))
        self._extras = Extras(scene)
        self._stage = Stage(
            three.Group(children=[surface, self._glyphs]),
            [self._banded, *lines, rims, *self._extras.layers.values(), *rings],
            self._overview,
            width,
            height,
        )
        self._renderer = self._stage.renderer
        self._stage.observe(self._pressed, self._clicked)
        self._hovers = len(scene.facets) + len(scene.glyphs.facets) <= hovering.FACETS_AT_MOST
        self._stage.follow(self._moved, 0.35 * scene.glyph_size, self._hovers)

    def _part(self, met: Met) -> Literal["glyphs", "surface"]:
        return "glyphs" if met.thing is self._glyphs else "surface"

    def _hit(self, met: Met) -> state.Hit:
        return state.Hit(state.touch_at(self._scene, self._state, self._part(met), met.facet, met.point), met.eye)

    def _moved(self, met: Met | None) -> None:
        found = met and hovering.under(self._scene, self._state, self._part(met), met.facet, met.point)
        self._under.value = hovering.said_html(self._scene, self._state, found, self._hovers)

    def _hovering(self, on: bool) -> None:
        self._hovers = on
        self._stage.following(on)
        self._under.value = hovering.said_html(self._scene, self._state, None, on)

    def _pressed(self, met: Met) -> None:
        self._press = self._hit(met)

    def _clicked(self, met: Met) -> None:
        row = state.clicked(self._press, self._hit(met))
        self._press = None
        if row is not None:
            self._set(state.with_row(self._scene, self._state, row))

    # -- controls and texts ----------------------------------------------------------------------------------------

    def _make_controls(self) -> None:
        scene, wide = self._scene, {"description_width": "initial"}
        self._list = TouchList(scene)
        hovered = Checkbox(
            value=self._hovers, description="Read out under the pointer", indent=False, layout=Layout(width="auto")
        )
        hovered.observe(lambda c: self._hovering(c["new"]), "value")
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
        self._list.observe(lambda c: self._set(state.with_row(scene, self._state, c["new"])), "row")
        previous.on_click(lambda _: self._set(state.neighbour(scene, self._state, -1)))
        following.on_click(lambda _: self._set(state.neighbour(scene, self._state, 1)))
        turn.on_click(lambda _: self._stage.go(camera.facing(scene, self._state.row, self._stage.pose)))
        reset.on_click(lambda _: self._stage.go(self._overview))
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
        missing = {"bands"} if np.isnan(bands.zones(scene)).all() or not scene.measured else set()
        missing |= {"mean", "doubt"} if scene.field_mean is None else set()
        shown = [one for one in _COLOURS if one[1] not in missing]
        self._colours = Dropdown(
            options=shown, value="touches", description="Surface shows", style=wide, layout=Layout(width="440px")
        )
        self._colours.observe(lambda c: self._set(replace(self._state, colours=c["new"])), "value")
        self._controls = VBox(
            [
                self._list,
                HBox([previous, following, turn, reset, hovered], layout=row),
                HBox([HTML("Show"), *self._filters.values(), *layers], layout=row),
                *([self._slider] if scene.measured else []),
                *([self._colours] if len(shown) > 1 else []),
            ]
        )

    def _make_texts(self) -> None:
        scene = self._scene
        self._note, self._panel = HTML(), HTML()
        self._under = HTML(hovering.said_html(scene, self._state, None, self._hovers))
        self._legend = HTML()
        self._captions = HTML(layout=Layout(width="auto"))

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
                self._rims_at.array = state.rim_positions(self._scene, new)
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
        self._list.row = now.row
        self._slider.value = now.exaggeration
        self._colours.value = now.colours
        self._banded.visible = banded = now.colours == "bands"
        self._legend.value = text.legend_html(scene.legend, banded) if scene.measured else plan_text.legend_html(scene)
        self._captions.value = text.captions_html(scene, banded)
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
