"""What is estimated between the touches, in a scene: where it is said, what stands beside it, what the page gets."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from report import unpacking

from probekit.errors import InputError
from probekit.field import nodes
from probekit.report.payload import payload
from probekit.scene.between import doubt_span, with_field
from probekit.widgets import state


@pytest.fixture(scope="module")
def drawn(demo):
    bare = replace(demo.scene, field_mean=None, field_doubt=None)
    at = nodes(demo.part, 300, np.random.default_rng(1), faces="skin")
    mean, doubt = 0.001 * at.places[:, 2], np.full(len(at.places), 0.004)
    return (
        bare,
        at,
        with_field(bare, at.places, at.normals, mean, doubt, face=at.face, spacing=at.spacing, said=["The condition."]),
    )


def test_the_field_is_on_the_judged_face_alone(drawn, demo):
    bare, _, scene = drawn
    skin = scene.vertex_face == demo.part.face_index("skin")
    known = np.isfinite(scene.field_mean)
    assert known[skin].mean() > 0.99
    inner = known & skin
    off = scene.field_mean[inner] - 0.001 * scene.vertices[inner, 2]
    assert np.sqrt(np.mean(off**2)) < 0.003
    np.testing.assert_allclose(scene.field_doubt[inner], 0.004, rtol=1e-5)
    assert doubt_span(scene) == pytest.approx(0.004)
    base = scene.vertex_face == demo.part.face_index("base_bottom")
    assert not known[base].any()
    np.testing.assert_array_equal(scene.deviation, bare.deviation)


def test_a_face_that_goes_on_smoothly_beside_is_not_coloured(drawn, demo):
    """The rim of a dish was, from its bowl, without a touch on it: nothing is known there."""
    bare, at, _ = drawn
    skin, base = (demo.part.face_index(name) for name in ("skin", "base_bottom"))
    above = (bare.vertex_face == skin) & (bare.vertices[:, 2] > 40.0)
    two = replace(bare, vertex_face=np.where(above, base, bare.vertex_face).astype(np.int32))
    low = at.places[:, 2] < 40.0
    values = at.places[low, 0]
    scene = with_field(two, at.places[low], at.normals[low], values, values, face=at.face[low], spacing=at.spacing)
    assert np.isfinite(scene.field_mean[(two.vertex_face == skin)]).mean() > 0.95
    assert not np.isfinite(scene.field_mean[above]).any()
    assert not np.isfinite(scene.field_doubt[above]).any()


def test_condition_and_key_stand_beside_it(drawn):
    bare, at, scene = drawn
    assert "The condition." in scene.captions
    assert sum(line.startswith("Estimated between the touches") for line in scene.captions) == 1
    again = with_field(
        scene, at.places, at.normals, at.places[:, 0], at.places[:, 0] ** 2, face=at.face, spacing=at.spacing
    )
    assert sum(line.startswith("Estimated between the touches") for line in again.captions) == 1
    assert set(bare.captions) <= set(scene.captions)


def test_the_page_gets_both_arrays_if_there_are_any(drawn):
    bare, _, scene = drawn
    assert not {"mean", "doubt"} & set(json.loads(payload(bare))["entries"])
    data = json.loads(payload(scene))
    found = unpacking.arrays(data)
    for key, values in (("mean", scene.field_mean), ("doubt", scene.field_doubt)):
        step, told = data["mesh"][f"{key}Step"], found[key] != -32768
        assert told.sum() == np.isfinite(values).sum() > 0
        np.testing.assert_allclose(np.sort(found[key][told] * step), np.sort(values[np.isfinite(values)]), atol=step)


def test_the_widget_colours_by_what_is_chosen(drawn):
    _, _, scene = drawn
    begin = state.start(scene)
    shown = {what: state.surface_colours(scene, replace(begin, colours=what)) for what in ("touches", "mean", "doubt")}
    np.testing.assert_array_equal(shown["touches"][:-2], scene.colours)
    assert (shown["mean"] != shown["touches"]).any()
    grey = shown["doubt"][:-2][np.isfinite(scene.field_doubt)].astype(int)
    assert np.ptp(grey, axis=0).max() <= 3, "the same doubt everywhere has the same colour"
    assert all(len(one) == len(scene.vertices) + 2 for one in shown.values())


def test_bad_arrays_are_named(drawn):
    bare, at, _ = drawn
    with pytest.raises(InputError, match="belong together"):
        with_field(bare, at.places, at.normals, np.zeros(3), np.zeros(3), face=at.face, spacing=1.0)
    with pytest.raises(InputError, match="not finite"):
        with_field(
            bare, at.places, at.normals, np.full(len(at.places), np.nan), at.places[:, 0], face=at.face, spacing=1.0
        )
