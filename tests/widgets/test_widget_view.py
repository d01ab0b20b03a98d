"""The widget seen from Python: one state behind list, filter, slider, buttons, clicks and `selected`."""

from __future__ import annotations

import base64
import html
import re
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from scene import synthetic
from widgets.tree import inside

from probekit import report
from probekit.errors import InputError
from probekit.scene import build
from probekit.widgets import page_view, view

three = pytest.importorskip("pythreejs")
ipywidgets = pytest.importorskip("ipywidgets")


@pytest.fixture
def shown(scene):
    return view(scene)


def button(shown, words):
    return next(b for b in inside(shown, ipywidgets.Button) if b.description == words)


def checkbox(shown, word):
    return next(b for b in inside(shown, ipywidgets.Checkbox) if b.description.split(" ")[0] == word)


def panel(shown):
    return next(h.value for h in inside(shown, ipywidgets.HTML) if 'role="status"' in h.value)


def click(shown, facet, *, drag=False, part=None, point=(0.0, 0.0, 0.0), distance=9.0):
    """Tell the pickers what pythreejs tells them: a hit while the button goes down, and one when it comes up."""
    renderer = inside(shown, three.Renderer)[0] if inside(shown, three.Renderer) else None
    orbit, down, up = renderer.controls[:3]
    part = part or down.controlling.children[1]
    for picker in (down, up):
        if drag and picker is up:
            renderer.camera.position = tuple(np.array(renderer.camera.position) * [1.2, 1, 1])
        with picker.hold_trait_notifications():
            picker.object, picker.faceIndex, picker.point, picker.distance = part, facet, point, distance
    return orbit


def test_setting_selected_shows_the_touch_everywhere(shown, scene):
    shown.select(17)
    assert shown.selected == 17
    assert "Touch 17<" in panel(shown)
    listed = inside(shown, ipywidgets.Select)[0]
    assert listed.label.split()[0] == "17"
    shown.selected = None
    assert "No touch chosen" in panel(shown)
    assert listed.label == "none chosen"
    with pytest.raises(InputError, match="no touch has this id"):
        shown.select("nobody")
    assert shown.selected is None
    assert scene.touches["touch"].iloc[16] == 17


def test_selected_can_be_linked_both_ways(shown):
    import traitlets

    class Other(traitlets.HasTraits):
        touch = traitlets.Any(None, allow_none=True)

    other = Other()
    traitlets.link((shown, "selected"), (other, "touch"))
    shown.select(4)
    assert other.touch == 4
    other.touch = 9
    assert "Touch 9<" in panel(shown)


def test_list_and_buttons_choose(shown):
    listed = inside(shown, ipywidgets.Select)[0]
    listed.index = 3
    assert shown.selected == 3
    button(shown, "Next touch").click()
    assert shown.selected == 4
    button(shown, "Previous touch").click()
    button(shown, "Previous touch").click()
    assert shown.selected == 2
    listed.index = 0
    assert shown.selected is None


def test_filter_hides_and_next_skips(shown, scene):
    high = scene.touches["touch"][scene.touches["verdict"] == "high"].tolist()
    within = int(scene.touches["touch"][scene.touches["verdict"] == "within"].iloc[0])
    shown.select(within)
    for word in ("within", "undecided", "low", "missed", "unjudged"):
        checkbox(shown, word).value = False
    assert shown.selected is None
    seen = []
    for _ in high:
        button(shown, "Next touch").click()
        seen.append(shown.selected)
    assert seen == high
    shown.select(within)
    assert checkbox(shown, "within").value


def test_click_on_a_glyph_chooses_and_the_same_click_again_still_counts(shown, scene):
    first, last = 0, len(scene.glyphs.facets) - 1
    touches = scene.touches["touch"].to_numpy()[scene.glyphs.facet_touch[[first, last]]]
    click(shown, first)
    assert shown.selected == touches[0]
    shown.select(None)
    click(shown, first)  # the very same hit: the traits of a picker would not change, and nothing would be observed
    assert shown.selected == touches[0]
    click(shown, last)
    assert shown.selected == touches[1]


def test_orbit_drag_and_misses_choose_nothing(shown):
    shown.select(5)
    click(shown, 0, drag=True)
    assert shown.selected == 5
    click(shown, None, distance=None)
    assert shown.selected == 5


def test_click_on_the_bare_surface_chooses_nothing_but_beside_a_glyph_its_touch(shown, scene):
    renderer = inside(shown, three.Renderer)[0]
    surface = renderer.controls[1].controlling.children[0]
    offset = np.array(renderer.scene.children[0].position)
    click(shown, 3, part=surface, point=tuple(scene.vertices[0] * 0 + 1e3))
    assert shown.selected is None
    click(shown, 3, part=surface, point=tuple((scene.anchor[8] + offset).tolist()), distance=7.0)
    assert shown.selected == scene.touches["touch"].iloc[8]


def test_turn_and_reset_move_the_camera_there_and_back(shown, scene):
    renderer = inside(shown, three.Renderer)[0]
    start = renderer.camera.position, renderer.camera.quaternion, renderer.controls[0].target
    assert start[2] == (0, 0, 0)
    shown.select(11)
    button(shown, "Turn to touch").click()
    offset = np.array(renderer.scene.children[0].position)
    np.testing.assert_allclose(renderer.controls[0].target, scene.anchor[10] + offset, atol=1e-4)
    button(shown, "Reset view").click()
    assert (renderer.camera.position, renderer.camera.quaternion, renderer.controls[0].target) == start


def test_exaggeration_is_said_in_words(shown):
    slider = inside(shown, ipywidgets.SelectionSlider)[0]
    slider.value = 50.0
    assert any("drawn 50 times larger" in h.value for h in inside(shown, ipywidgets.HTML))


def test_only_unlit_materials_and_no_light(shown):
    renderer = inside(shown, three.Renderer)[0]
    assert not inside(renderer.scene, three.Light)
    meshes = inside(renderer.scene, three.Mesh)
    assert (
        len(meshes) == 7
    )  # surface, its bands, glyphs, their rims, the ring seen and hidden, the ball under the pointer
    assert all(type(mesh.material) is three.MeshBasicMaterial for mesh in meshes)
    assert not renderer.gammaOutput


def test_index_arrays_are_flat_lists_of_vertices_that_exist(shown):
    # a (k, 2) array would be read as k items of size 2, of which three.js draws only the first half
    drawn = inside(inside(shown, three.Renderer)[0].scene, (three.Mesh, three.LineSegments))
    assert len(drawn) == 9
    for one in drawn:
        if isinstance(one.geometry, three.BufferGeometry) and one.geometry.index is not None:
            index = one.geometry.index.array
            assert index.ndim == 1
            assert index.dtype == np.uint32
            assert index.max() < len(one.geometry.attributes["position"].array) - 2


def test_string_ids_duplicates_and_touches_without_a_place_are_kept():
    part = synthetic.part(8)
    verdict = synthetic.verdict(part)
    table = verdict.table.copy()
    table["touch"] = ["a", "a", *[f"t{i}" for i in range(len(table) - 2)]]
    table.loc[len(table) - 1, ["x0", "y0", "z0"]] = np.nan  # the missed one
    shown = view(build(part, replace(verdict, table=table)))
    listed = inside(shown, ipywidgets.Select)[0]
    listed.index = 2  # the second "a"
    assert shown.selected == "a"
    assert f"{table['deviation'].iloc[1]:+.4f}" in panel(shown)
    shown.select(table["touch"].iloc[-1])
    assert "overtravel" in panel(shown)
    button(shown, "Turn to touch").click()  # it has no place: nothing to turn to, no error


def test_scene_without_touches_is_drawn():
    part = synthetic.part(8)
    verdict = synthetic.verdict(part)
    shown = view(build(part, replace(verdict, table=verdict.table.iloc[:0])))
    button(shown, "Next touch").click()
    assert shown.selected is None
    assert inside(shown, ipywidgets.SelectionSlider)[0].options == (("nominal shape", 0.0),)


@pytest.mark.parametrize("size", [0, -5, 3.5, True, "640"])
def test_size_must_be_whole_pixels(scene, size):
    with pytest.raises(InputError, match="width must be a positive whole number of pixels"):
        view(scene, width=size)


def test_a_missing_extra_is_named():
    code = (
        "import sys; sys.modules['pythreejs'] = sys.modules['anywidget'] = None\n"
        "import probekit.widgets\n"
        "for call in (probekit.widgets.view, probekit.widgets.page_view):\n"
        "    try: call(None)\n"
        "    except probekit.ProbekitError as error: print(error)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name in ("pythreejs", "anywidget"):
        assert f"needs {name}, which is not installed. Run in the folder of the clone" in run.stdout
    assert 'pip install ".[notebook]"' in run.stdout


def test_the_page_in_a_notebook_is_the_page_that_is_sent(scene, tmp_path):
    pytest.importorskip("anywidget")
    verdict = synthetic.verdict(synthetic.part())
    shown = page_view(scene, verdict, height=500, notes=["one <note>"])
    sent = report.page(scene, verdict, notes=["one <note>"], to=tmp_path / "report.html")
    assert shown.page == sent.read_text(encoding="utf-8")
    assert "one &lt;note&gt;" in shown.page
    shown.chosen = "17"  # as a browser tells it
    assert shown.chosen == 17
    with pytest.raises(InputError, match="no touch has this id"):
        shown.chosen = "nobody"
    assert shown.chosen == 17
    found, _ = shown._repr_mimebundle_()
    assert found["text/plain"] == f"<PageView {verdict.sentence}>"
    assert html.escape(verdict.sentence) in found["text/html"]
    assert 'src="data:image/svg+xml;base64,' in found["text/html"]
    assert "application/vnd.jupyter.widget-view+json" in found
    with pytest.raises(InputError, match="verdict, which is missing"):
        page_view(scene)
    with pytest.raises(InputError, match="height must be a positive whole number"):
        page_view(scene, verdict, height=0)


def test_view_does_not_change_its_scene(scene, shown):
    before = replace(scene, vertices=scene.vertices.copy(), colours=scene.colours.copy())
    inside(shown, ipywidgets.SelectionSlider)[0].value = 50.0
    np.testing.assert_array_equal(scene.vertices, before.vertices)
    np.testing.assert_array_equal(scene.colours, before.colours)


def test_the_view_writes_pictures_as_seen_from_its_camera(scene, shown, tmp_path):
    svg = shown.save(tmp_path / "view.svg").read_text(encoding="utf-8")
    drawn = ElementTree.fromstring(svg)
    assert len(drawn.findall("{http://www.w3.org/2000/svg}use")) > 20
    image = pytest.importorskip("PIL.Image")
    with image.open(shown.save(tmp_path / "view.png")) as opened:
        assert opened.size == (960, 660)
        seen = np.asarray(opened.convert("RGB")).reshape(-1, 3).astype(int)
    for word in ("high", "within", "undecided"):  # their own colours, shaded, in the picture
        own = scene.glyphs.colours[scene.glyphs.vertex_touch == np.flatnonzero(scene.words == word)[0]].astype(int)
        off = np.abs(seen[:, None] - np.unique(own, axis=0)[None]).max(axis=2).min(axis=1)
        assert (off <= 6).sum() > 20, word
    button(shown, "Turn to touch").click()
    shown.select(3)
    button(shown, "Turn to touch").click()
    assert shown.save(tmp_path / "turned.svg").read_text(encoding="utf-8") != svg
    with pytest.raises(InputError, match=r"expected.*svg or .png"):
        shown.save(tmp_path / "view.gif")


def test_a_saved_notebook_shows_a_picture_and_a_sentence(scene):
    """What a viewer without a kernel finds: what shows the widget live stays, its text and picture stand alone."""
    found = view(scene)._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in found
    counts = ", ".join(f"{one.count} {one.word}" for one in scene.legend.verdicts if one.count)
    assert found["text/plain"] == f"<DeviationView {scene.sentence}>"
    assert f"{len(scene.touches)} touches ({counts})" in found["text/html"]
    image = re.search(r'src="data:image/svg\+xml;base64,([^"]+)"', found["text/html"])[1]
    drawn = ElementTree.fromstring(base64.b64decode(image))
    assert len(drawn.findall("{http://www.w3.org/2000/svg}use")) > 20, "the touches that face the viewer"
    for caption in scene.captions:
        assert html.escape(caption) in found["text/html"]
    assert "<script" not in found["text/html"]
