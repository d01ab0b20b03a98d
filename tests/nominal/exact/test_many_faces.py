"""What is done for many faces at once is what is done for one: references are SciPy, the kernel and brute force."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import BSpline, NdBSpline
from thorough import some

pytest.importorskip("OCP")

import big_models
import exact_shapes as es
from OCP.BRepGProp import BRepGProp
from OCP.GProp import GProp_GProps

import probekit as pk
from probekit.nominal.exact import ExactEngine, extent, extract, taylor
from probekit.nominal.exact.spline_rows import SplineRows
from probekit.nominal.exact.splines import Spline
from probekit.nominal.exact.trim import _without_reverse
from probekit.nominal.nearby import FaceGrid, by_group


@pytest.fixture(scope="module")
def mould(tmp_path_factory: pytest.TempPathFactory) -> pk.nominal.Nominal:
    """5 x 5 tiles: 21 patches, four planes with a bore each, a box round them."""
    return pk.nominal.load(big_models.write_mould(tmp_path_factory.mktemp("mould") / "mould.step", 5))


def test_mould_is_a_body(mould: pk.nominal.Nominal) -> None:
    """Its volume, by the kernel, is that within its facets."""
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(big_models.mould(5), properties)
    corner = mould.vertices[mould.facets]
    inside = np.einsum("fc,fc->", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])) / 6.0
    assert len(mould.brep.faces) == 21 + 4 * 3 + 5
    assert not mould.notes
    assert inside == pytest.approx(properties.Mass(), rel=1e-3)


@pytest.mark.parametrize("fits", [True, False])
def test_facets_in_batches_are_those_of_the_whole(
    mould: pk.nominal.Nominal, monkeypatch: pytest.MonkeyPatch, fits: bool
) -> None:
    """Also where batches do not fit each other along their edges: then all are made anew at once."""
    monkeypatch.setattr(extract, "_MANY", 1)
    monkeypatch.setattr(extract, "_TOGETHER", 7)
    if not fits:
        monkeypatch.setattr(extract, "_open", lambda *_: True)
    told: list[str] = []
    part = pk.nominal.load(mould.source, progress=lambda step, _: told.append(step))
    batches = -(-len(mould.brep.faces) // 7)
    assert sum("makes facets" in step for step in told) == batches + (not fits)
    assert np.array_equal(part.vertices, mould.vertices)
    assert np.array_equal(part.facets, mould.facets)


def test_gaps_between_batches_are_noticed() -> None:
    corners = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]])
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    one, other = corners[:2], corners[2:]
    for nodes, expected in ((points, False), (points * 1.001, True)):
        pieces = extract._Pieces(nodes=[points, nodes], corners=[one, other])
        assert extract._open(pieces, 1e-7) == expected


@pytest.mark.parametrize("rational", [False, True])
def test_pieces_are_those_of_scipy(rational: bool) -> None:
    rng = np.random.default_rng(4)
    knots = (np.array([0, 0, 0, 0, 1, 1.5, 1.5, 4, 4, 4, 4.0]), np.array([-1, -1, -1, 0, 2, 2, 2.0]))
    poles = rng.uniform(-50, 50, (7, 4, 3))
    weights = rng.uniform(0.5, 2, (7, 4)) if rational else None
    surface = Spline(poles, weights, knots, (3, 2))
    values = poles if weights is None else np.concatenate([poles * weights[..., None], weights[..., None]], axis=2)
    spline = NdBSpline(knots, values, (3, 2))
    at = np.stack(np.meshgrid(*(0.5 * (b[1:] + b[:-1]) for b in surface.breaks), indexing="ij"), axis=-1).reshape(-1, 2)
    factorial = np.array([1, 1, 2, 6])
    for i in range(4):
        for j in range(3):
            expected = spline(at, nu=(i, j)) / (factorial[i] * factorial[j])
            np.testing.assert_allclose(surface.pieces[:, j, i], expected, rtol=1e-12, atol=1e-11)
    curve = BSpline(knots[0], values[:, 0], 3)
    pieces = taylor.curve_pieces(
        poles[:, 0], None if weights is None else weights[:, 0], knots[0], 3, surface.breaks[0]
    )
    for i in range(4):
        middles = 0.5 * (surface.breaks[0][1:] + surface.breaks[0][:-1])
        np.testing.assert_allclose(pieces[:, i], curve(middles, nu=i) / factorial[i], rtol=1e-12, atol=1e-11)


def test_splines_together_as_alone(mould: pk.nominal.Nominal) -> None:
    """Foot, parameters and curvature of the patches, all in one search, against each patch asked by itself."""
    engine, rng = mould.engine, np.random.default_rng(2)
    facet = rng.integers(len(mould.facets), size=900)
    points = mould.vertices[mould.facets[facet]].mean(axis=1) + rng.uniform(-0.5, 0.5, (900, 3))
    face = mould.facet_face[facet]
    near = mould.brep.corner_uv[facet].mean(axis=1)
    together = engine._faces.surfaces.closest(face, points, near)
    curvature = engine.curvatures(engine.feet(points))
    for k in np.unique(face):
        alone = mould.brep.faces[k].surface.closest(points[face == k], near[face == k])
        for one, other in zip(together, alone, strict=True):
            np.testing.assert_allclose(one[face == k], other, rtol=0, atol=1e-12)
    assert np.isfinite(curvature).all()


@pytest.mark.parametrize(
    "name", ["mould", "filleted", "plate", "cone", "drop", "revolved", "pyramids", "turned_cluster"]
)
@pytest.mark.parametrize("merged", some([True, False]))
def test_bound_touches_together_as_on_each_face(
    name: str, merged: bool, tmp_path: Path, mould: pk.nominal.Nominal
) -> None:
    """Touches on, above and beside the faces that they are bound to, against a search of that face alone."""
    part = mould if name == "mould" else pk.nominal.load(es.make(name, tmp_path).path)
    if merged:  # some of the user's faces are several exact ones
        part = part.rename_faces(dict.fromkeys(part.face_names[::3], "several"))
    rng = np.random.default_rng(3)
    facet = rng.integers(len(part.facets), size=400)
    points = part.vertices[part.facets[facet]].mean(axis=1) + rng.choice([0.0, 0.01, 1.0, 5.0], (400, 1)) * rng.normal(
        size=(400, 3)
    )
    points[7] = np.nan
    face = np.where(rng.random(400) < 0.5, part.facet_face[facet], rng.integers(len(part.face_names), size=400))
    found = part.engine.feet_on(points, face)
    for k in np.unique(face):
        rows = np.flatnonzero(face == k)
        engine, _ = part.engine.of_face(int(k))
        alone = engine.feet(points[rows])
        # a touch in the plane of the face that it lies beside is on neither side of it
        away = np.nan_to_num(points[rows] - alone.foot)
        level = (alone.how == 3) & (np.abs(np.abs(alone.distance) - np.linalg.norm(away, axis=1)) < 1e-12)
        flat = level & (np.abs(found.distance[rows] + alone.distance) < 1e-12)
        assert flat.sum() <= 1
        np.testing.assert_allclose(found.distance[rows][~flat], alone.distance[~flat], rtol=0, atol=1e-12)
        np.testing.assert_allclose(found.foot[rows], alone.foot, rtol=0, atol=1e-8)
        assert (found.flags[rows] == alone.flags).all()
        assert (found.how[rows] == alone.how).all()
        assert (found.face[rows] == alone.face).all()
        on = found.facet[rows] >= 0
        assert (part.facet_face[found.facet[rows][on]] == k).all()


def test_faces_near_are_those_of_brute_force(mould: pk.nominal.Nominal) -> None:
    grid = FaceGrid(mould.vertices, mould.facets, mould.facet_face)
    rng = np.random.default_rng(8)
    points = rng.uniform(*mould.bounds, (700, 3))
    face, reach = rng.integers(len(mould.face_names), size=700), rng.uniform(0, 6, 700)
    row, other = grid.faces_near(points, face, reach)
    low, high = (
        np.array([pick(mould.vertices[mould.facets[mould.facet_face == k]].reshape(-1, 3)) for k in range(38)])
        for pick in (lambda v: v.min(axis=0), lambda v: v.max(axis=0))
    )
    gap = np.linalg.norm(np.maximum(np.maximum(low - points[:, None], points[:, None] - high), 0.0), axis=2)
    wanted = (gap <= reach[:, None]) & (np.arange(38) != face[:, None])
    # of a point with one face near, that one may be left out
    wanted[~grid.may_have_two_faces(points, reach)] = False
    assert sorted(zip(row, other, strict=True)) == sorted(zip(*np.nonzero(wanted), strict=True))
    assert (np.diff(other) >= 0).all()


def test_sides_without_a_reverse_are_those_of_brute_force(mould: pk.nominal.Nominal) -> None:
    """Also where three facets share a side, or two have it the same way round."""
    odd = np.array([[0, 1, 2], [2, 1, 3], [1, 0, 4], [0, 1, 5], [6, 7, 8], [6, 7, 9]])
    for nodes in (odd, mould.brep.corner_node[::3]):
        sides = [(a, b) for row in nodes.tolist() for a, b in zip(row, [*row[1:], row[0]], strict=True)]
        there = set(sides)
        assert _without_reverse(nodes).tolist() == [k for k, (a, b) in enumerate(sides) if (b, a) not in there]


def test_groups_have_their_members() -> None:
    group = np.array([3, 0, 3, 1, 0, 3])
    order, first = by_group(group, 5)
    assert [order[first[k] : first[k + 1]].tolist() for k in range(5)] == [[1, 4], [3], [], [0, 2, 5], []]


@pytest.mark.parametrize("name", ["ring_spline", "revolved_spline", "plate", "sphere", "filleted", "offset_skin"])
def test_size_is_that_of_the_kernels_tight_box(name: str) -> None:
    """Against the kernel's tight box of the whole, which takes half a minute on a thousand patches."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    shape, box = es.SHAPES[name](), Bnd_Box()
    BRepBndLib.AddOptimal_s(shape, box)
    expected = np.array([box.CornerMin().Coord(), box.CornerMax().Coord()])
    found = extent._box(es.parts(shape, es.FACE))
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-6 * np.ptp(expected))


def test_feet_do_not_depend_on_what_was_asked_before(mould: pk.nominal.Nominal) -> None:
    """What is worked out is what is asked for: twelve calls give what one gives, few pieces are there."""
    rng, brep = np.random.default_rng(4), mould.brep
    beside = np.vstack([edge.samples[1][len(edge.samples[1]) // 3][None] for edge in brep.edges])
    points = np.repeat(beside, 3, axis=0) + rng.normal(scale=0.3, size=(3 * len(beside), 3))
    points = points[np.argsort(points[:, 0])]
    one, parts = ExactEngine(brep), ExactEngine(brep)
    whole = one.feet(points)
    few = [parts.feet(some) for some in np.split(points, 12)]
    for name in ("distance", "foot", "face", "flags"):
        together = np.concatenate([getattr(each, name) for each in few])
        np.testing.assert_allclose(together, getattr(whole, name), rtol=0, atol=1e-10)  # Newton ends there
    alone = ExactEngine(brep)
    alone.feet(points[:5])
    (table,) = (one._table for one in alone._faces.surfaces._batches if isinstance(one, SplineRows))
    there = table.place >= 0
    assert 0 < there.sum() < 0.1 * len(there)
    np.testing.assert_array_equal(np.sort(table.place[there]), np.arange(there.sum()))
    assert 0 < alone._faces._entered.sum() < 15 * 5, "clearances of few facets"


@pytest.mark.parametrize(
    ("diagonal", "deflection"), [(1.0, 1e-3), (10.0, 0.002), (300.0, 0.03), (900.0, 0.05), (7e3, 0.35)]
)
def test_the_deflection_grows_with_large_parts(diagonal: float, deflection: float) -> None:
    assert extent.deflection_for(Path("x.step"), diagonal, None) == pytest.approx(deflection)
