"""What the pointer reads out, and the list of touches: pure functions."""

from __future__ import annotations

import html
from dataclasses import replace

import numpy as np
import pytest
from scene import synthetic

from probekit.widgets import hovering, listing, state


def far_facet(scene, known):
    """The facet of the skin farthest from every touch among those with values at all corners, or without any."""
    values = np.isfinite(scene.deviation[scene.facets])
    middle = scene.vertices[scene.facets].mean(axis=1)
    placed = scene.anchor[np.isfinite(scene.anchor).all(axis=1)]
    far = np.linalg.norm(middle[:, None] - placed[None], axis=2).min(axis=1)
    return int(np.argmax(np.where(values.all(axis=1) if known else ~values.any(axis=1), far, -1.0)))


@pytest.mark.parametrize("factor", [0.0, 50.0])
@pytest.mark.parametrize("share", [(1 / 3, 1 / 3, 1 / 3), (0.7, 0.2, 0.1), (1.0, 0.0, 0.0)])
def test_the_surface_says_what_its_colour_stands_for(scene, factor, share):
    now = replace(state.start(scene), exaggeration=factor)
    facet = far_facet(scene, known=True)
    corners, share = scene.facets[facet], np.array(share)
    drawn = share @ state.surface_positions(scene, now)[corners].astype(float)
    found = hovering.under(scene, now, "surface", facet, drawn)
    assert found.row is None
    assert found.value == pytest.approx(share @ scene.deviation[corners], abs=1e-5)
    assert found.place == pytest.approx(share @ scene.vertices[corners], abs=1e-3), (
        "of the nominal, however it is drawn"
    )
    said = hovering.said_html(scene, now, found)
    assert f"{found.value:+.3f} mm, interpolated" in said
    assert scene.face_names[scene.vertex_face[corners[0]]] in said


def test_far_from_every_touch_there_is_no_number(scene):
    now, facet = state.start(scene), far_facet(scene, known=False)
    found = hovering.under(scene, now, "surface", facet, scene.vertices[scene.facets[facet]].mean(axis=0))
    assert found.value is None
    said = hovering.said_html(scene, now, found)
    assert "no touch near" in said
    assert "interpolated" not in said


def test_a_facet_half_without_a_value_gives_none(scene):
    facet = far_facet(scene, known=True)
    spoilt = scene.deviation.copy()
    spoilt[scene.facets[facet, 0]] = np.nan
    at = scene.vertices[scene.facets[facet, 1]]  # the very corner that has one
    assert hovering.under(replace(scene, deviation=spoilt), state.start(scene), "surface", facet, at).value is None


def test_a_touch_says_its_own_numbers_and_a_missed_one_why(scene):
    now = state.start(scene)
    row = int(np.flatnonzero(scene.touches["verdict"] == "high")[0])
    touch = scene.touches.iloc[row]
    facet = int(np.flatnonzero(scene.glyphs.facet_touch == row)[0])
    said = hovering.said_html(scene, now, hovering.under(scene, now, "glyphs", facet, np.zeros(3)))
    assert f"Touch {touch['touch']}: {touch['deviation']:+.4f} mm, <b>high</b>" in said
    assert f"{100 * touch['share']:.0f} % (100 % is a limit)" in said
    missed = int(np.flatnonzero(scene.touches["verdict"] == "missed")[0])
    said = hovering.said_html(scene, now, hovering.Under(missed))
    assert scene.touches["reason"].iloc[missed] in html.unescape(said)
    assert "mm" not in said
    assert "nan" not in said


def test_nothing_under_the_pointer_and_texts_from_files_stay_text(scene):
    now = state.start(scene)
    assert hovering.under(scene, now, "surface", None, np.zeros(3)) is None
    assert "Move the pointer" in hovering.said_html(scene, now, None)
    assert "switched off" in hovering.said_html(scene, now, None, on=False)
    bad = replace(scene, touches=scene.touches.assign(touch=synthetic.HOSTILE, reason=synthetic.HOSTILE))
    for found in (hovering.Under(0), hovering.Under(None, synthetic.HOSTILE, (0.0, 0.0, 0.0), 0.1)):
        assert "<img" not in hovering.said_html(bad, now, found)
        assert "<script" not in hovering.said_html(bad, now, found)


def test_the_list_is_searched_sorted_and_linked_both_ways(scene):
    head, *lines = listing.lines(scene)
    assert len(lines) == len(scene.touches)
    assert {line.index("mm") for line in lines if "mm" in line} == {
        head.index("deviation") + len("deviation") - len("mm")
    }
    worst = listing.orders(scene)["share of the zone, largest first"]
    shares = scene.touches["share"].to_numpy(dtype=float)[worst]
    known = np.isfinite(shares)
    assert (np.diff(shares[known]) <= 0).all()
    assert known[: known.sum()].all(), "what has no share comes last"
    found = listing.wanted(lines, worst, "HIGH mm")
    assert sorted(found) == np.flatnonzero(scene.touches["verdict"] == "high").tolist()

    listed = listing.TouchList(scene)
    find, sort, select = listed._find, listed._sort, listed._list
    listed.row = 7
    assert select.value == 7
    sort.value = "share of the zone, largest first"
    find.value = "high"
    assert listed.row == 7, "neither search nor order lets the chosen touch go"
    assert select.value == 7
    select.value = found[0]
    assert listed.row == found[0]
    select.index = 0
    assert listed.row is None
    find.value = "nothing of the kind"
    assert [label for label, _ in select.options] == ["none chosen"]
    listed.row = 3
    assert select.value == 3
