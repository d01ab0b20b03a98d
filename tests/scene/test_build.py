from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from probekit import scene
from probekit.errors import InputError
from probekit.scene import colour


def test_touched_places_show_the_deviation_of_their_touch(built):
    """The vertex next to a touch has nearly its deviation: within what the field changes over that distance."""
    rows = np.flatnonzero(built.touches["verdict"].isin(["within", "high", "low", "undecided"]))
    gap = []
    for row in rows:
        face = built.face_names.index(built.touches["face"].iloc[row])
        here = np.flatnonzero(built.vertex_face == face)
        distance = np.linalg.norm(built.vertices[here] - built.anchor[row], axis=1)
        near = here[np.argmin(distance)]
        gap.append(abs(built.deviation[near] - built.touches["deviation"].iloc[row]))
    assert np.median(gap) < 0.001
    assert np.max(gap) < 0.02


def test_colours_follow_the_deviation(built):
    np.testing.assert_array_equal(built.colours, colour.diverging(built.deviation / built.legend.span))
    unknown = np.isnan(built.deviation)
    assert 0 < unknown.mean() < 0.2
    assert (built.colours[unknown] == colour.UNKNOWN).all()


def test_arrays_have_the_promised_shapes_and_types(built):
    v, n = len(built.vertices), len(built.touches)
    for array, shape, kind in (
        (built.vertices, (v, 3), np.float32),
        (built.normals, (v, 3), np.float32),
        (built.deviation, (v,), np.float32),
        (built.colours, (v, 3), np.uint8),
        (built.vertex_face, (v,), np.int32),
        (built.anchor, (n, 3), np.float32),
        (built.direction, (n, 3), np.float32),
        (built.glyphs.colours, (len(built.glyphs.vertices), 3), np.uint8),
    ):
        assert (array.shape, array.dtype) == (shape, kind)
    assert built.facets.dtype == built.edges.dtype == np.int32
    assert built.facets.max() == v - 1
    np.testing.assert_allclose(np.linalg.norm(built.normals, axis=1), 1, atol=1e-5)
    assert (np.diff(built.vertex_face) >= 0).all(), "the page relies on vertices ordered by face"


def test_a_missed_touch_stands_at_its_target(built, verdict):
    row = len(built.touches) - 1
    assert built.touches["verdict"].iloc[row] == "missed"
    np.testing.assert_allclose(built.anchor[row], verdict.table[["x0", "y0", "z0"]].iloc[row].astype(float), rtol=1e-6)
    assert row in built.glyphs.facet_touch


def test_a_touch_without_any_place_is_named_in_a_caption(nominal, verdict):
    table = verdict.table.copy()
    table.loc[table.index[-1], ["x0", "y0", "z0"]] = np.nan
    lost = scene.build(nominal, replace(verdict, table=table))
    assert "1 touch has no place on the part; see the table." in lost.captions
    assert len(lost.touches) - 1 not in lost.glyphs.facet_touch


def test_legend_counts_and_limits(built, verdict):
    counts = {entry.word: entry.count for entry in built.legend.verdicts}
    assert counts == {word: int((verdict.table["verdict"] == word).sum()) for word in counts}
    assert sum(counts.values()) == len(verdict.table)
    assert [(limit.name, limit.lower, limit.upper) for limit in built.legend.limits] == [
        ("profile skin", -0.05, 0.05),
        ("profile wall", pytest.approx(-0.08), 0.02),
    ]
    values = [value for value, _ in built.legend.stops]
    assert values[0] == -values[-1] == -built.legend.span
    assert built.legend.span >= 0.08


def test_one_gross_outlier_does_not_wash_out_the_colours(nominal, verdict):
    table = verdict.table.copy()
    table.loc[table.index[0], "deviation"] = 3.0
    legend = scene.build(nominal, replace(verdict, table=table)).legend
    assert legend.span == pytest.approx(0.2, rel=0.3)
    assert legend.clipped


def test_long_facets_are_cut_so_that_touches_inside_them_show(nominal, built):
    assert (nominal.facet_face == 1).sum() == 48
    assert (built.vertex_face[built.facets[:, 0]] == 1).sum() > 200


@pytest.mark.parametrize("what", [{"reach": 0.0}, {"reach": np.nan}, {"scale": -1.0}])
def test_impossible_sizes_are_refused(nominal, verdict, what):
    with pytest.raises(InputError, match="must be a positive number"):
        scene.build(nominal, verdict, **what)


def test_missing_column_is_named(nominal, verdict):
    with pytest.raises(InputError, match="column 'nx'"):
        scene.build(nominal, replace(verdict, table=verdict.table.drop(columns="nx")))


def test_scale_and_reach_are_followed(nominal, verdict, built):
    bigger = scene.build(nominal, verdict, scale=2.0, reach=1.5)
    assert bigger.glyph_size == pytest.approx(0.018 * nominal.diagonal)
    assert np.isnan(bigger.deviation).mean() > np.isnan(built.deviation).mean()


def test_all_touches_missed_still_builds(nominal, verdict):
    gone = ["x", "y", "z", "cx", "cy", "cz", "foot_x", "foot_y", "foot_z", "nx", "ny", "nz", "deviation"]
    table = verdict.table.assign(**dict.fromkeys(gone, np.nan), verdict="missed")
    empty = scene.build(nominal, replace(verdict, table=table))
    assert np.isnan(empty.deviation).all()
    assert len(np.unique(empty.glyphs.facet_touch)) == len(table)


def test_colours_where_no_limits_are_take_their_span_from_the_data(nominal, verdict):
    """Nothing but rounding: twice the uncertainty, not a millimetre, and no strong colours; large ones: themselves."""
    bare = replace(verdict, evaluations=(), tolerances=verdict.tolerances.head(0), part="undecided")
    for deviation, u, span in (
        (1e-12, 0.003, 0.006),
        (np.nan, 0.003, 0.006),
        (0.0, np.nan, 0.01),
        (0.0312, 0.003, 0.04),
    ):
        table = verdict.table.head(3).assign(deviation=deviation, u=u, verdict="unjudged")
        legend = scene.build(nominal, replace(bare, table=table)).legend
        assert legend.span == pytest.approx(span)
