"""The notebook view of a plan, from Python and in a real JupyterLab: signs, ways, the probe at the chosen target."""

from __future__ import annotations

import re
import sys
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from browser import PATIENCE
from scene import planned, synthetic
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).parent))

from widgets.tree import inside

from probekit.widgets import camera, plan_text, state, view

three = pytest.importorskip("pythreejs")
ipywidgets = pytest.importorskip("ipywidgets")


@pytest.fixture(scope="module")
def scene():
    return planned.planned_scene()


@pytest.fixture
def shown(scene):
    return view(scene)


def plain(html):
    return unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", html)))


def texts(shown):
    return plain(" ".join(h.value for h in inside(shown, ipywidgets.HTML)))


def checkbox(shown, word):
    return next(b for b in inside(shown, ipywidgets.Checkbox) if b.description.startswith(word))


def test_the_probe_stands_at_the_chosen_target_and_is_hidden_where_none_serves(shown, scene):
    movers = shown._extras._movers
    assert len(movers) == 2
    for touch in (4, 9):
        shown.select(touch)
        row = scene.touches["touch"].tolist().index(touch)
        for body, solid in movers:
            motion = solid.standing(row)
            np.testing.assert_allclose(body.position, motion[:3, 3])
            np.testing.assert_allclose(Rotation.from_quat(body.quaternion).as_matrix(), motion[:3, :3], atol=1e-12)
            assert body.visible
    shown.select(11)
    assert not any(body.visible for body, _ in movers)
    shown.select(None)
    np.testing.assert_allclose(movers[0][0].position, scene.solids[1].standing(scene.at)[:3, 3])
    assert movers[0][0].visible


def test_texts_say_counts_order_and_pose(shown, scene):
    said = texts(shown)
    assert "Planned: 10 of 12 targets, 2 left out." in said
    for line in scene.lines:
        assert f"{line.name} : {line.text}" in said
    for entry in scene.legend.verdicts:
        assert f"{entry.word} ({entry.count}): {entry.text}" in said
    shown.select(9)
    panel = plain(plan_text.panel_html(scene, scene.touches["touch"].tolist().index(9)))
    order = scene.touches.set_index("touch").loc[9, "order"]
    assert f"no. {order:g}" in panel
    assert "A60 C0" in panel
    assert "30.0\N{DEGREE SIGN} from the tool axis" in panel
    assert panel.strip() in texts(shown)
    left = plain(plan_text.panel_html(scene, 11))
    assert scene.touches["reason"].iloc[11] in left
    assert "order of touching" not in left


def test_filters_and_layers(shown, scene):
    assert not inside(shown, ipywidgets.SelectionSlider), "there are no deviations to exaggerate"
    checkbox(shown, "left out").value = False
    assert "2 targets are hidden" in texts(shown)
    seen = []
    for _ in range(10):
        next(b for b in inside(shown, ipywidgets.Button) if b.description == "Next touch").click()
        seen.append(shown.selected)
    assert seen == scene.touches["touch"].tolist()[:10], "in the order of touching"
    for name, group in shown._extras.layers.items():
        checkbox(shown, name).value = False
        assert not group.visible
        checkbox(shown, name).value = True
        assert group.visible


def test_hostile_names_stay_text(scene):
    row = int(np.flatnonzero(scene.touches["feature"] == synthetic.HOSTILE)[0])
    for html in (plan_text.panel_html(scene, row), plan_text.legend_html(scene), plan_text.note_html(scene, 0)):
        assert "<img" not in html
        assert "<script" not in html
    assert synthetic.HOSTILE in unescape(plan_text.panel_html(scene, row))
    assert "Block &lt;b&gt;" in plan_text.note_html(scene, 0)


def test_nothing_rides_on_deviations_that_do_not_exist(scene):
    now = state.start(scene)
    np.testing.assert_array_equal(state.surface_positions(scene, now)[:-2], scene.vertices)
    np.testing.assert_array_equal(state.glyph_positions(scene, now)[:-2], scene.glyphs.vertices)
    assert len(state.hatch_segments(scene)) == 0


def test_first_view_holds_part_and_fixtures(scene):
    pose = camera.overview(scene, 1.5)
    x, y, z = pose.axes @ (scene.still.astype(float) - pose.eye).T
    reach = np.tan(np.deg2rad(camera.FIELD_OF_VIEW / 2)) * -z
    assert (np.abs(x) <= 1.5 * reach).all()
    assert (np.abs(y) <= reach).all()


def test_turning_to_a_target_looks_past_the_probe_from_outside(scene):
    """At least 25 degrees off its axis, so that its body does not cover the target; and not from inside the part."""
    for row in range(10):
        pose = camera.facing(scene, row, camera.overview(scene, 1.5))
        toward = np.subtract(pose.eye, pose.target)
        toward /= np.linalg.norm(toward)
        np.testing.assert_allclose(pose.target, scene.anchor[row], atol=1e-6)
        assert toward @ scene.solids[1].standing(row)[:3, 2] < np.cos(np.deg2rad(25))
        assert toward @ scene.direction[row] > 0.1


@pytest.mark.browser
def test_in_a_notebook_it_draws_and_the_probe_moves(chromium, tmp_path):
    pytest.importorskip("playwright.sync_api")
    pytest.importorskip("jupyterlab")
    from test_widget_browser import PICTURE, quiet_notebook

    cell = (
        f"import sys; sys.path.insert(0, {str(Path(planned.__file__).parents[1])!r})\n"
        "from scene import planned\nfrom probekit import widgets\n"
        "view = widgets.view(planned.planned_scene())\nview"
    )
    with quiet_notebook(chromium, tmp_path, cell) as page:
        canvas = page.locator("canvas")

        def still():
            last = None
            for _ in range(PATIENCE // 250):
                page.wait_for_timeout(250)
                now = canvas.evaluate(PICTURE)
                if now == last:
                    return now
                last = now
            raise AssertionError("the picture does not come to rest")

        pictures = [still()]
        for choice in (2, 9, 11):
            page.get_by_label("Touch", exact=True).select_option(index=choice)
            page.get_by_text(re.compile(r"^Touch \d+$")).wait_for()
            pictures.append(still())
        assert len(set(pictures)) == 4
        page.get_by_label("Touch", exact=True).select_option(index=0)
        page.get_by_label("Ways").uncheck()
        assert still() not in pictures
