"""The pure functions behind the notebook view. Needs neither a notebook nor a browser."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.widgets import camera, state
from probekit.widgets.state import Hit, State


def rows(scene, word):
    return np.flatnonzero(scene.touches["verdict"] == word)


def test_no_widget_library_is_imported_by_the_pure_modules():
    code = (
        "import sys, probekit.widgets, probekit.widgets.state, probekit.widgets.text, probekit.widgets.camera;"
        "sys.exit(any(m in sys.modules for m in ('ipywidgets', 'pythreejs', 'traitlets', 'IPython')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_fresh_view_draws_the_nominal_and_every_touch(scene):
    now = state.start(scene)
    assert state.shown(scene, now).all()
    np.testing.assert_array_equal(state.surface_positions(scene, now)[:-2], scene.vertices)
    np.testing.assert_array_equal(state.glyph_positions(scene, now)[:-2], scene.glyphs.vertices)


def test_exaggeration_moves_surface_and_glyphs_by_so_many_deviations(scene):
    now = replace(state.start(scene), exaggeration=50.0)
    moved = state.surface_positions(scene, now)[:-2] - scene.vertices
    known = np.isfinite(scene.deviation)
    assert known.any()
    assert not known.all()
    along = np.einsum("ij,ij->i", moved, scene.normals)
    np.testing.assert_allclose(along[known], 50 * scene.deviation[known], atol=1e-4)
    np.testing.assert_array_equal(moved[~known], 0)
    shift = state.glyph_positions(scene, now)[:-2] - scene.glyphs.vertices
    for row in (*rows(scene, "high")[:2], *rows(scene, "low")[:2]):
        mine = scene.glyphs.vertex_touch == row
        expected = 50 * scene.touches["deviation"].iloc[row] * scene.direction[row]
        np.testing.assert_allclose(shift[mine], np.broadcast_to(expected, (mine.sum(), 3)), atol=1e-3)


def test_missed_touch_rides_on_the_surface_as_drawn(scene):
    row = rows(scene, "missed")[0]
    now = replace(state.start(scene), exaggeration=50.0)
    mine = scene.glyphs.vertex_touch == row
    shift = (state.glyph_positions(scene, now)[:-2] - scene.glyphs.vertices)[mine] @ scene.direction[row]
    near = np.argsort(np.linalg.norm(scene.vertices - scene.anchor[row], axis=1))[:3]
    low, high = 50 * scene.deviation[near].min(), 50 * scene.deviation[near].max()
    assert ((shift > low - 1e-3) & (shift < high + 1e-3)).all()


def test_offered_exaggerations_stay_inside_the_part(scene):
    factors = state.exaggerations(scene)
    largest = scene.touches["deviation"].abs().max()
    diagonal = np.linalg.norm(np.ptp(scene.vertices, axis=0))
    assert factors[:4] == (0.0, 1.0, 2.0, 5.0)
    assert factors[-1] * largest <= 0.12 * diagonal < 2.5 * factors[-1] * largest


def test_bounding_box_of_every_array_holds_every_state(scene):
    wild = replace(state.start(scene), exaggeration=state.exaggerations(scene)[-1], row=0)
    for positions in (state.surface_positions, state.glyph_positions, state.ring_positions):
        first, later = positions(scene, state.start(scene)), positions(scene, wild)
        assert (later.min(axis=0) >= first.min(axis=0)).all()
        assert (later.max(axis=0) <= first.max(axis=0)).all()
        assert first.dtype == np.float32


def test_hidden_glyphs_have_no_area_and_the_others_stay(scene):
    now = state.with_verdicts(scene, state.start(scene), frozenset({"high", "low"}))
    corners = state.glyph_positions(scene, now)[scene.glyphs.facets]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    kept = scene.touches["verdict"].isin(["high", "low"]).to_numpy()[scene.glyphs.facet_touch]
    assert (area[~kept] == 0).all()
    assert (area[kept] > 0).all()


def test_filter_lets_a_hidden_choice_go_and_a_choice_brings_its_verdict_back(scene):
    high = int(rows(scene, "high")[0])
    now = state.with_row(scene, state.start(scene), high)
    assert state.with_verdicts(scene, now, frozenset({"high"})).row == high
    gone = state.with_verdicts(scene, now, frozenset({"low"}))
    assert gone.row is None
    back = state.with_row(scene, gone, high)
    assert back.verdicts == {"low", "high"}
    assert state.with_row(scene, back, None) == replace(back, row=None)


@given(words=st.sets(st.sampled_from(["within", "high", "low", "missed", "undecided"])), steps=st.integers(1, 70))
def test_stepping_forth_visits_shown_touches_in_order_and_stepping_back_undoes_it(scene, words, steps):
    now = state.with_verdicts(scene, state.start(scene), frozenset(words))
    allowed = np.flatnonzero(state.shown(scene, now))
    if not len(allowed):
        assert state.neighbour(scene, now, 1) == now
        return
    for _ in range(steps):
        now = state.neighbour(scene, now, 1)
    assert now.row == allowed[(steps - 1) % len(allowed)]
    assert state.neighbour(scene, state.neighbour(scene, now, 1), -1) == now


def test_stepping_back_from_nothing_starts_at_the_end(scene):
    assert state.neighbour(scene, state.start(scene), -1).row == len(scene.touches) - 1


def test_id_is_found_or_the_error_says_what_there_is(scene):
    assert state.row_of(scene, 17) == 16
    with pytest.raises(InputError, match=r"no touch has this id; found '17'; expected one of 1, 2, 3"):
        state.row_of(scene, "17")


def test_ray_on_a_glyph_gives_its_touch(scene):
    now = state.start(scene)
    for facet in (0, len(scene.glyphs.facets) // 2, len(scene.glyphs.facets) - 1):
        assert state.touch_at(scene, now, "glyphs", facet, np.zeros(3)) == scene.glyphs.facet_touch[facet]


def test_ray_beside_a_glyph_gives_the_touch_only_if_close_and_shown(scene):
    now, row = state.start(scene), int(rows(scene, "low")[0])
    aside = np.cross(scene.direction[row], [1.0, 0.0, 0.0])
    aside /= np.linalg.norm(aside)
    near, far = (scene.anchor[row] + k * scene.glyph_size * aside for k in (0.5, 40.0))
    assert state.touch_at(scene, now, "surface", 7, near) == row
    assert state.touch_at(scene, now, "surface", 7, far) != row
    without = state.with_verdicts(scene, now, frozenset({"within"}))
    assert state.touch_at(scene, without, "surface", 7, near) != row


def test_ray_into_the_void_gives_nothing(scene):
    # a miss comes from the picker as facet None at point (0, 0, 0), where a touch may well be
    assert state.touch_at(scene, state.start(scene), "surface", None, scene.anchor[0]) is None
    assert state.touch_at(scene, state.start(scene), "glyphs", None, scene.anchor[0]) is None


@pytest.mark.parametrize(
    ("press", "release", "row"),
    [
        (Hit(3, (1.0, 2.0, 3.0)), Hit(3, (1.0, 2.0, 3.0)), 3),
        (Hit(3, (1.0, 2.0, 3.0)), Hit(3, (1.0, 2.0, 3.3)), None),  # the camera turned about the touch
        (Hit(3, (1.0, 2.0, 3.0)), Hit(3, (1.0, 2.05, 3.0)), 3),  # a trembling hand
        (Hit(3, (1.0, 2.0, 3.0)), Hit(4, (1.0, 2.0, 3.0)), None),
        (Hit(None, (1.0, 2.0, 3.0)), Hit(4, (1.0, 2.0, 3.0)), None),
        (None, Hit(4, (1.0, 2.0, 3.0)), None),
    ],
)
def test_only_down_and_up_on_one_touch_with_a_still_camera_is_a_click(press, release, row):
    assert state.clicked(press, release) == row


def test_ring_lies_in_the_tangent_plane_and_vanishes_without_a_choice(scene):
    facets = state.RING_FACETS
    row = int(rows(scene, "high")[0])
    ring = state.ring_positions(scene, State(row=row))
    assert facets.max() == len(ring) - 3
    height = (ring[:-2] - scene.anchor[row]) @ scene.direction[row]
    np.testing.assert_allclose(height, height[0], atol=1e-4)
    corners = ring[facets]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2
    # area between two circles, less what the 48 sided polygon cuts off (about 0.3 %)
    assert area == pytest.approx(np.pi * (3.1**2 - 2.2**2) * scene.glyph_size**2, rel=5e-3)
    nothing = state.ring_positions(scene, State())[facets]
    assert np.ptp(nothing, axis=1).max() == 0
    assert len(state.ring_colours()) == len(ring) - 2


def test_hatching_covers_what_no_touch_reaches_and_nothing_else(scene):
    ends = state.hatch_segments(scene).reshape(-1, 2, 3)
    assert len(ends) > 0
    unknown = scene.facets[np.isnan(scene.deviation[scene.facets]).any(axis=1)]
    low, high = scene.vertices[unknown].min(axis=1), scene.vertices[unknown].max(axis=1)
    for end in ends.reshape(-1, 3)[:: max(1, len(ends) // 50)]:
        assert ((end >= low - 1e-3) & (end <= high + 1e-3)).all(axis=1).any()
    # closed form: planes at pitch h cut an area A of a surface whose normal makes the angle t with theirs in lines of
    # total length A sin(t) / h
    corner = scene.vertices[unknown].astype(float)
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]) / 2
    across = np.array([0.62, 0.48, 0.62]) / np.linalg.norm([0.62, 0.48, 0.62])
    sine_area = np.linalg.norm(np.cross(normal, across), axis=1).sum()
    pitch = np.ptp(scene.vertices @ across) / 90
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum()
    assert length == pytest.approx(sine_area / pitch, rel=0.15)
    assert len(state.hatch_segments(replace(scene, deviation=np.zeros_like(scene.deviation)))) == 0


def test_overview_holds_the_part_and_fills_the_picture(scene):
    for aspect in (0.5, 1.5, 3.0):
        pose = camera.overview(scene, aspect)
        seen = (scene.vertices.astype(float) - pose.eye) @ pose.axes.T
        slope = np.tan(np.deg2rad(camera.FIELD_OF_VIEW) / 2)
        flat = seen[:, :2] / -seen[:, 2:] / slope / [aspect, 1]
        assert (seen[:, 2] < 0).all()
        tight = np.argmax(np.ptp(flat, axis=0))
        assert 0.88 < -flat[:, tight].min() < 0.98
        assert 0.88 < flat[:, tight].max() < 0.98
        assert np.abs(flat).max() < 1


def test_pose_is_a_right_handed_frame_with_z_up_and_its_quaternion(scene):
    for pose in (camera.overview(scene), camera.Pose((0, 0, 9.0), (0, 0, 0)), camera.Pose((3.0, 1, -2), (1, 1, 1))):
        axes = pose.axes
        np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1)
        assert axes[0, 2] == pytest.approx(0)  # the horizon is level
        assert axes[1, 2] >= -1e-12
        x, y, z, w = pose.quaternion
        # rotation of the backward axis (0, 0, 1) by a unit quaternion, textbook formula
        back = [2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)]
        np.testing.assert_allclose(back, axes[2], atol=1e-12)


def test_facing_looks_at_the_touch_from_outside_and_keeps_its_distance(scene):
    pose = camera.overview(scene)
    for row in range(0, len(scene.touches), 7):
        new = camera.facing(scene, row, pose)
        line = np.subtract(new.eye, new.target)
        assert np.linalg.norm(line) == pytest.approx(np.linalg.norm(np.subtract(pose.eye, pose.target)))
        np.testing.assert_allclose(new.target, scene.anchor[row], atol=1e-5)
        assert line @ scene.direction[row] > 0.5 * np.linalg.norm(line)
    assert camera.facing(scene, None, pose) is pose
    lost = replace(scene, anchor=np.full_like(scene.anchor, np.nan))
    assert camera.facing(lost, 0, pose) is pose
