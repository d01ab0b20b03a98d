"""Closest points against brute force in extended precision (reference.triangles), signs against solid angles."""

from __future__ import annotations

import numpy as np
import pytest
from reference.meshes import box, cylinder, grid, l_shape, slot, sphere, split_box, wedge
from reference.triangles import EXTENDED, brute_force, signs_by_solid_angle
from thorough import some

import probekit as pk
from probekit.nominal.facets import FacetEngine
from probekit.nominal.feet import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, FAR, MISSED
from probekit.nominal.nearby import morton_order

#: Rounding of double precision for sizes of about 100 mm; the search itself agrees to about 1e-14 mm.
TIGHT = 1e-11

#: Feet this close to an edge, as a part of the model's size, get the weights of the edge (engine: 1e-10 of the height
#: over it, which in a sharp corner is several times as much along the other side).
SNAP = 5e-9


def nominal(mesh, **options):
    return pk.nominal.from_arrays(*mesh, **options)


def raw_engine(vertices, facets, facet_face=None):
    """The engine on facets as they are, nothing mended."""
    facet_face = np.zeros(len(facets), dtype=int) if facet_face is None else facet_face
    return FacetEngine(vertices, facets, facet_face, int(np.max(facet_face)) + 1)


def near(engine, rng, number, spread):
    """Points scattered about the surface: over facets, edges and vertices alike."""
    corner = engine.vertices[engine.facets[rng.integers(len(engine.facets), size=number)]]
    weight = rng.dirichlet((1, 1, 1), size=number)
    weight[number // 3 :, 0] = 0  # on an edge
    weight[2 * number // 3 :, 1] = 0  # on a vertex
    weight /= weight.sum(axis=1, keepdims=True)
    on_surface = np.einsum("nk,nkc->nc", weight, corner)
    return on_surface + rng.normal(scale=spread, size=(number, 3))


def check_against_brute_force(engine, points, tolerance=TIGHT, *, weights=True, **options):
    """Distance, foot, weights and normal; the signs are the business of other tests."""
    found = engine.feet(points, **options)
    distances, feet = brute_force(points, engine.vertices, engine.facets)
    nearest = distances.min(axis=1)
    np.testing.assert_allclose(np.abs(found.distance), nearest.astype(float), rtol=0, atol=tolerance)
    rows = np.arange(len(points))
    # the facet named is a nearest one, and the foot is its closest point
    np.testing.assert_allclose(
        distances[rows, found.facet].astype(float), nearest.astype(float), rtol=0, atol=tolerance
    )
    np.testing.assert_allclose(found.foot, feet[rows, found.facet].astype(float), rtol=0, atol=tolerance)
    corner = engine.vertices[engine.facets[found.facet]]
    rebuilt = np.einsum("nk,nkc->nc", found.barycentric, corner)
    if weights:
        np.testing.assert_allclose(rebuilt, found.foot, rtol=0, atol=10 * tolerance + SNAP * np.ptp(engine.vertices))
    np.testing.assert_allclose(found.barycentric.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    assert found.barycentric.min() >= -1e-9
    np.testing.assert_array_equal(found.face, engine.facet_face[found.facet])
    return found


@pytest.mark.skipif(not EXTENDED, reason="this machine's long double is no better than double")
def test_reference_is_extended():
    """The reference itself against a triangle with known answers, in thirds that double cannot hold."""
    third = np.longdouble(1) / 3
    _, foot = brute_force(
        np.array([[third, third, 7], [-5, -4, 1], [2, 2, 0]]), np.eye(3)[:, [0, 1, 2]] * [1, 1, 0], [[2, 0, 1]]
    )
    np.testing.assert_array_equal(foot[1, 0], [0, 0, 0])
    np.testing.assert_array_equal(foot[2, 0], [0.5, 0.5, 0])
    assert abs(foot[0, 0] - [third, third, 0]).max() < 1e-18


@pytest.mark.parametrize("spread", [1e-6, 1e-3, 1.0, 30.0])
@pytest.mark.parametrize(
    "mesh",
    [box(), l_shape(), slot(), cylinder(), sphere(level=2), wedge(5.0), grid(), split_box()],
    ids=["box", "L", "slot", "cylinder", "sphere", "wedge", "open", "T-junction"],
)
@pytest.mark.filterwarnings("ignore:the surface is open")
def test_brute_force(mesh, spread):
    rng = np.random.default_rng(1)
    for engine in (raw_engine(*mesh), nominal(mesh).engine):
        check_against_brute_force(engine, near(engine, rng, 300, spread))


@pytest.mark.parametrize("spread", [1e-6, 1e-3, 1.0, 30.0])
@pytest.mark.parametrize(
    "mesh",
    [box(), l_shape(), slot(), cylinder(), sphere(level=2), wedge(60.0), wedge(20.0), wedge(5.0), split_box()],
    ids=["box", "L", "slot", "cylinder", "sphere", "wedge60", "wedge20", "wedge5", "T-junction"],
)
def test_signs(mesh, spread):
    """Inside and outside as the solid angles have it, near facets, edges and vertices, convex and concave."""
    rng = np.random.default_rng(2)
    engine = nominal(mesh).engine
    points = near(engine, rng, 600, spread)
    found = engine.feet(points)
    clear = np.abs(found.distance) > 1e-9
    assert clear.sum() > 500
    expected = signs_by_solid_angle(points[clear], engine.vertices, engine.facets)
    np.testing.assert_array_equal(np.sign(found.distance[clear]), expected)


@pytest.mark.parametrize("rounded", [False, True], ids=["exact", "single precision"])
@pytest.mark.parametrize("angle", [10.0, 60.0, 150.0])
def test_sign_at_a_t_junction_on_a_knife_edge(angle, rounded):
    """A facet without area on a sharp edge: the facets that meet there are not neighbours until it is taken out."""
    vertices, facets = wedge(angle)
    turn, _ = np.linalg.qr(np.random.default_rng(16).normal(size=(3, 3)))
    edge = np.flatnonzero(np.hypot(vertices[:, 0], vertices[:, 1]) == 0)
    owner = next(f for f in facets if set(edge) <= set(f))
    rest = facets[~(facets == owner).all(axis=1)]
    apex = int(np.flatnonzero(~np.isin(owner, edge))[0])
    tip, a, b = np.roll(owner, -apex)
    m = len(vertices)
    vertices = np.vstack([vertices, 0.7 * vertices[a] + 0.3 * vertices[b]]) @ turn.T
    if rounded:
        vertices = vertices.astype(np.float32)
    facets = np.vstack([rest, [[tip, a, m], [tip, m, b], [a, b, m]]])
    part = nominal((vertices, facets))
    assert "1 facets without area merged into their neighbours, which were recut" in part.notes
    assert len(part.facets) == 10  # of the 8, the two at the edge are now cut in two
    assert len(part.face_names) == 5
    rng = np.random.default_rng(17)
    along = rng.uniform(0, 1, (300, 1))
    points = vertices[a] + along * (vertices[b] - vertices[a]) + rng.normal(scale=1.0, size=(300, 3))
    expected = signs_by_solid_angle(points, part.vertices, part.facets)
    np.testing.assert_array_equal(np.sign(part.engine.feet(points).distance), expected)


def test_facet_normal_alone_would_give_the_wrong_sign():
    """The classical case of Baerentzen and Aanaes (2005, fig. 1): at a knife edge one facet's plane misjudges."""
    engine = nominal(wedge(20.0)).engine
    half, rng = np.radians(10.0), np.random.default_rng(3)
    turn = rng.uniform(-(np.pi / 2 - half) + 1e-3, (np.pi / 2 - half) - 1e-3, 400) + np.pi  # where the edge is nearest
    points = np.column_stack([2 * np.cos(turn), 2 * np.sin(turn), rng.uniform(1, 49, 400)])
    found = engine.feet(points)
    by_facet = np.einsum("ij,ij->i", points - found.foot, engine.tables.normal[found.facet])
    assert (by_facet < -1e-3).sum() > 20, "this test would not tell pseudo-normals from facet normals"
    np.testing.assert_allclose(found.distance, 2.0, atol=1e-12)
    assert (found.flags == AT_EDGE).all()
    np.testing.assert_allclose(found.normal[:, :2], points[:, :2] / 2, atol=1e-12)


def test_angle_weights_are_needed_at_a_vertex():
    """A vertex whose fan is cut finely on one side: the plain mean of facet normals leans to that side, the angle-
    weighted one does not. Cube corner, its top cut into 64 facets; the pseudo-normal must be (1, 1, 1) / sqrt 3.
    """
    n, turn = 64, np.linspace(0, np.pi / 2, 65)
    rim = np.column_stack([-np.cos(turn), -np.sin(turn), np.zeros(65)])
    vertices = np.vstack([[[0, 0, 0], [0, 0, -1]], rim])
    top = np.column_stack([np.zeros(n, dtype=int), np.arange(2, n + 2), np.arange(3, n + 3)])
    facets = np.vstack([top, [[0, 1, 2], [0, n + 2, 1]]])
    pseudo = raw_engine(vertices, facets).tables.vertex_normal[0, 0]
    np.testing.assert_allclose(pseudo, np.ones(3) / np.sqrt(3), atol=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_concave_edge_and_vertex(sign):
    """Inside the material next to the L's concave edge, the edge is nearest: the sign there must be negative."""
    engine = nominal(l_shape()).engine
    rng = np.random.default_rng(4)
    turn = np.pi + rng.uniform(0.01, np.pi / 2 - 0.01, 200)
    points = np.array([15.0, 15.0, 5.0]) + np.column_stack(
        [sign * 3 * np.cos(turn), sign * 3 * np.sin(turn), rng.uniform(-1.5, 1.5, 200)]
    )
    found = engine.feet(points)
    if sign > 0:
        np.testing.assert_allclose(found.distance, -3.0, atol=1e-12)
        assert (found.flags & AT_EDGE).all()
    else:  # outside, in the corner: the nearer of the two walls
        np.testing.assert_allclose(found.distance, (points[:, :2] - 15).min(axis=1), atol=1e-12)
        assert not found.flags.any()


def test_normal_is_the_gradient_of_the_distance():
    """Central differences, step 1e-5 mm; away from surfaces where two feet tie."""
    engine = nominal(l_shape()).engine
    rng = np.random.default_rng(5)
    points = near(engine, rng, 400, 1.0)
    distances, _ = brute_force(points, engine.vertices, engine.facets)
    found = engine.feet(points, ambiguity=0.01)
    step = 1e-5
    gradient = np.stack(
        [(engine.feet(points + h).distance - engine.feet(points - h).distance) / (2 * step) for h in step * np.eye(3)],
        axis=1,
    )
    smooth = np.abs(np.linalg.norm(gradient, axis=1) - 1) < 1e-6  # ties are not differentiable
    assert smooth.sum() > 350
    np.testing.assert_allclose(found.normal[smooth], gradient[smooth], atol=1e-5)
    np.testing.assert_allclose(np.linalg.norm(found.normal, axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(points - found.foot, found.distance[:, None] * found.normal, atol=1e-9)
    assert distances.min() >= 0


def test_ties_on_the_medial_plane():
    """In the mid-plane of a plate both sides are as near: the distance is right, whichever foot is taken."""
    engine = nominal(box()).engine
    rng = np.random.default_rng(6)
    points = np.column_stack([rng.uniform(20, 80, 300), rng.uniform(20, 40, 300), np.full(300, 10.0)])
    found = check_against_brute_force(engine, points, ambiguity=0.001)
    np.testing.assert_allclose(found.distance, -10.0, atol=1e-12)
    assert (found.flags == AMBIGUOUS).all()


def test_centre_of_a_slot():
    part = nominal(slot(8.0))
    y = np.linspace(5, 45, 41)
    centre = np.column_stack([np.zeros(41), y, np.full(41, 15.0)])
    assert (part.engine.feet(centre, ambiguity=0.001).flags == AMBIGUOUS).all()
    np.testing.assert_allclose(part.engine.feet(centre).distance, 4.0, atol=1e-12)
    assert not part.engine.feet(centre).flags.any(), "without ambiguity= nobody looks"
    # off the centre by e, the second wall is 2 e further away
    for off, flagged in ((0.00049, True), (0.00051, False)):
        flags = part.engine.feet(centre + np.array([off, 0, 0]), ambiguity=0.001).flags
        assert (flags == (AMBIGUOUS if flagged else 0)).all()


def bumpy_faces(rng, n_faces):
    """A bumpy sphere of 1280 facets, shared out among faces around random seeds."""
    vertices, facets = sphere(30.0, 3)
    vertices = vertices * (1 + 0.1 * np.sin(vertices[:, :1] / 4) * np.cos(vertices[:, 1:2] / 5))
    seeds = rng.normal(size=(n_faces, 3))
    seeds /= np.linalg.norm(seeds, axis=1, keepdims=True)
    return vertices, facets, (vertices[facets].mean(axis=1) @ seeds.T).argmax(axis=1)


@pytest.mark.parametrize("seed", some(range(6), every=3))
@pytest.mark.parametrize("ambiguity", [0.001, 0.05, 2.0])
def test_ambiguity_against_brute_force(seed, ambiguity):
    """A foot is ambiguous exactly where the second-nearest face is within `ambiguity` of the nearest."""
    rng = np.random.default_rng(seed)
    if seed % 2:
        vertices, facets, face = bumpy_faces(rng, 2 + seed)
    else:
        vertices, facets = (l_shape(), slot(), cylinder())[seed // 2]
        face = nominal((vertices, facets)).facet_face
        part = nominal((vertices, facets))
        vertices, facets = part.vertices, part.facets
    engine = raw_engine(vertices, facets, face)
    spreads = np.array([0.001, 0.1, 2.0, 15.0])[rng.integers(4, size=400)]
    points = near(engine, rng, 400, 1.0)
    points += rng.normal(size=(400, 3)) * spreads[:, None]
    distances, _ = brute_force(points, vertices, facets)
    per_face = np.stack([distances[:, face == k].min(axis=1) for k in range(engine.n_faces)], axis=1)
    ordered = np.sort(per_face, axis=1)
    gap = (ordered[:, 1] - ordered[:, 0]).astype(float)
    decided = np.abs(gap - ambiguity) > 1e-9
    expected = gap <= ambiguity
    assert expected.any()
    assert not expected.all()
    found = engine.feet(points, ambiguity=ambiguity)
    np.testing.assert_array_equal((found.flags & AMBIGUOUS > 0)[decided], expected[decided])
    np.testing.assert_array_equal(found.face[gap > 1e-9], per_face.argmin(axis=1)[gap > 1e-9])


def test_edge_and_boundary_flags():
    """On the box's edge, in a facet's diagonal (inside a face), at the border of an open sheet."""
    engine = nominal(box()).engine
    points = np.array(
        [[50, 0, 21], [50, -1, 21], [100, 60, 20], [40, 24, 20.5], [50, 30, 25], [101, 30, 21]], dtype=float
    )
    found = engine.feet(points)
    assert found.flags.tolist() == [AT_EDGE, AT_EDGE, AT_EDGE, 0, 0, AT_EDGE]
    with pytest.warns(pk.errors.ProbekitWarning, match=r"the surface is open"):
        sheet = nominal(grid(height=0.0))
    points = np.array([[25, 25, 1], [-1, 25, 1], [25, 51, 0], [-1, -1, 0], [25, 0, 1], [0, 0, -1]], dtype=float)
    found = sheet.engine.feet(points)
    assert found.flags.tolist() == [0, *[AT_BOUNDARY] * 5]
    np.testing.assert_allclose(found.distance, [1, np.sqrt(2), 1, np.sqrt(2), 1, -1], atol=1e-12)
    np.testing.assert_allclose(found.normal[[0, 4, 5]], [[0, 0, 1]] * 3, atol=1e-12)


def test_flags_have_distinct_bits():
    bits = [AT_EDGE, AT_BOUNDARY, AMBIGUOUS, FAR, MISSED]
    assert len(set(bits)) == 5
    assert sum(bits) == 31


@pytest.mark.parametrize(("ratio", "tolerance"), [(1e3, 1e-8), (1e6, 5e-5)])
def test_slivers(ratio, tolerance):
    """A strip 100 mm long cut into facets 100 / `ratio` mm wide, in a general direction.

    The tree's own rounding shows here: products of four lengths cancel to a squared area, so that a foot wanders by
    part of a facet's width (at 1e6, 0.05 um at most; a chord error or a probe is 10 to 100 times as much). The weights
    of the two corners that are 0.1 um apart mean little then.
    """
    rng = np.random.default_rng(7)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    n, width = 40, 100.0 / ratio
    across = width * np.arange(n + 1)
    lower = np.column_stack([np.zeros(n + 1), across, 0.2 * across])
    vertices = np.vstack([lower, lower + np.array([100.0, 0, 3.0])]) @ turn.T
    at = np.arange(n)
    facets = np.vstack([np.column_stack([at, at + n + 1, at + n + 2]), np.column_stack([at, at + n + 2, at + 1])])
    engine = raw_engine(vertices, facets)
    for spread in (width, 0.01, 1.0):
        found = check_against_brute_force(
            engine, near(engine, rng, 200, spread), tolerance=tolerance, weights=ratio < 1e6
        )
        assert np.isfinite(found.normal).all()


@pytest.mark.parametrize("ratio", [1e3, 1e5, 1e6, 1e7])
@pytest.mark.parametrize("seed", range(3))
def test_distance_at_needles_is_the_length(ratio, seed):
    """At the rim of a fan of needles no rounding of weights may turn a distance into its part along some normal."""
    rng = np.random.default_rng(seed)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    angle = np.arange(31) / ratio
    rim = 100.0 * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(31)])
    vertices = np.vstack([np.zeros(3), rim]) @ turn.T + rng.normal(scale=50, size=3)
    at = np.arange(1, 31)
    engine = raw_engine(vertices, np.column_stack([np.zeros_like(at), at, at + 1]))
    points = vertices[rng.integers(32, size=2000)] + rng.normal(size=(2000, 3)) * 10 ** rng.uniform(-3, 1, (2000, 1))
    found = engine.feet(points)
    np.testing.assert_allclose(np.abs(found.distance), np.linalg.norm(points - found.foot, axis=1), atol=2e-8)
    np.testing.assert_allclose(points - found.foot, found.distance[:, None] * found.normal, atol=1e-4)


@pytest.mark.parametrize("scale", [1.0, 1 / 3, 1e-3])
def test_facets_without_area(scale):
    """Kept in the mesh as they are, along an edge: nothing turns NaN, and feet are on the facets beside them.

    Turned by rounding, some have a height of 1e-15 mm and a meaningless normal.
    """
    rng = np.random.default_rng(8)
    vertices, facets = l_shape()
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    base = len(vertices)
    start, end = vertices[6], vertices[7]
    extra = np.array([start, start + 0.3 * (end - start), start + 0.7 * (end - start), end])
    vertices = np.vstack([vertices, extra]) @ turn.T * scale + rng.normal(size=3)
    collinear = [[0, 1, 3], [3, 1, 0], [0, 2, 3], [1, 2, 2], [0, 0, 0]]
    facets = np.vstack([facets, np.array(collinear) + base])
    engine = raw_engine(vertices, facets)
    points = np.vstack([near(engine, rng, 400, s * scale) for s in (1e-3, 1.0, 10.0)])
    found = check_against_brute_force(engine, points, smooth=True)
    assert (found.facet < len(facets) - len(collinear)).all()
    assert np.isfinite(found.normal).all()


@pytest.mark.parametrize("offset", [0.0, 5000.0])
@pytest.mark.parametrize("size", [1e-3, 1.0])
def test_far_from_the_origin_and_tiny(offset, size):
    """Part at 5 m from the origin, part of 0.1 mm: rounding grows with the coordinates, nothing else."""
    rng = np.random.default_rng(9)
    vertices, facets = l_shape()
    shift = offset * np.array([0.6, -0.64, 0.48])
    engine = raw_engine(vertices * size + shift, facets, nominal(l_shape()).facet_face)
    points = near(engine, rng, 400, 2.0 * size)
    found = check_against_brute_force(
        engine, points, tolerance=max(1e-11, 4 * np.spacing(offset)), ambiguity=0.1 * size
    )
    clear = np.abs(found.distance) > 1e-6 * size
    expected = signs_by_solid_angle(points[clear], engine.vertices, engine.facets)
    np.testing.assert_array_equal(np.sign(found.distance[clear]), expected)
    again = raw_engine(vertices * size, facets, engine.facet_face).feet(points - shift, ambiguity=0.1 * size)
    assert (again.flags != found.flags).mean() < 0.01  # decided by rounding at the limit only


def test_batches_in_morton_order():
    """100 k points at once (sorted inside) give what they give in batches of 1000 (not sorted)."""
    rng = np.random.default_rng(10)
    engine = raw_engine(*bumpy_faces(rng, 4)[:2], bumpy_faces(np.random.default_rng(10), 4)[2])
    points = near(engine, rng, 100_000, 1.0)
    whole = engine.feet(points, smooth=True, ambiguity=0.01)
    for at in range(0, 100_000, 1000):
        rows = slice(at, at + 1000)
        part = engine.feet(points[rows], smooth=True, ambiguity=0.01)
        np.testing.assert_allclose(whole.distance[rows], part.distance, rtol=0, atol=1e-14)
        np.testing.assert_array_equal(whole.flags[rows], part.flags)
        np.testing.assert_allclose(whole.foot[rows], part.foot, rtol=0, atol=1e-12)
        np.testing.assert_array_equal(whole.facet[rows], part.facet)


def test_morton_order_keeps_neighbours_together():
    rng = np.random.default_rng(11)
    points = rng.uniform(-1, 2, (5000, 3))
    order = morton_order(points, np.array([[0.0] * 3, [1.0] * 3]))
    assert sorted(order) == list(range(5000))
    steps = np.linalg.norm(np.diff(points[order], axis=0), axis=1).mean()
    assert steps < 0.3 * np.linalg.norm(np.diff(points, axis=0), axis=1).mean()
    flat = morton_order(points * [1, 1, 0], np.array([[0.0, 0, 0], [1.0, 1, 0]]))
    assert sorted(flat) == list(range(5000))


@pytest.mark.parametrize("number", [3, 9000])
def test_points_that_are_not_finite_stay_in_place(number):
    engine = nominal(box()).engine
    rng = np.random.default_rng(12)
    points = rng.uniform(-20, 120, (number, 3))
    lost = np.zeros(number, dtype=bool)
    lost[rng.permutation(number)[: number // 3]] = True
    points[lost, rng.integers(3, size=lost.sum())] = rng.choice([np.nan, np.inf, -np.inf], lost.sum())
    found = engine.feet(points, ambiguity=0.001)
    assert (found.flags[lost] == MISSED).all()
    assert not (found.flags[~lost] & MISSED).any()
    for values in (found.foot, found.barycentric, found.normal, found.distance):
        assert np.isnan(values[lost]).all()
        assert np.isfinite(values[~lost]).all()
    assert (found.facet[lost] == -1).all()
    assert (found.face[lost] == -1).all()
    alone = engine.feet(points[~lost], ambiguity=0.001)
    np.testing.assert_array_equal(found.distance[~lost], alone.distance)
    np.testing.assert_array_equal(found.facet[~lost], alone.facet)


@pytest.mark.parametrize("points", [np.empty((0, 3)), np.full((1, 3), np.nan)], ids=["none", "all missed"])
def test_no_point_at_all(points):
    found = nominal(box()).engine.feet(points, smooth=True, ambiguity=0.001)
    assert found.foot.shape == points.shape
    assert (found.flags == MISSED).all()
    assert len(found.flags) == len(points)


def test_points_very_far_away():
    """A kilometre off and further: still the right foot, no overflow on the way."""
    part = nominal(box())
    points = np.array([[1e6, 30, 10], [50, -1e9, 10], [50, 30, 1e12]])
    found = part.engine.feet(points, ambiguity=0.001)
    np.testing.assert_allclose(found.distance, [1e6 - 100, 1e9, 1e12 - 20], rtol=1e-12)
    many = part.engine.feet(np.repeat(points, 3000, axis=0), ambiguity=0.001)
    np.testing.assert_array_equal(many.distance, np.repeat(found.distance, 3000))


@pytest.mark.parametrize("level", [3, 4])
def test_smooth_normals_on_a_sphere(level):
    """Interpolated normals are nearly radial; the facets' own are off by up to half the angle a facet spans."""
    engine = raw_engine(*sphere(20.0, level))
    rng = np.random.default_rng(13)
    points = rng.normal(size=(2000, 3))
    radial = points / np.linalg.norm(points, axis=1, keepdims=True)
    span = np.radians(63.4349) / 2**level  # edge of the icosahedron seen from its centre, cut `level` times

    def off(smooth):
        normal = engine.feet(radial * 20.5, smooth=smooth).normal
        return np.arccos(np.clip(np.einsum("ij,ij->i", normal, radial), -1, 1))

    assert off(True).max() < 0.1 * span
    assert 0.2 * span < off(False).max() < span
    np.testing.assert_array_equal(
        engine.feet(radial * 20.5, smooth=True).distance, engine.feet(radial * 20.5, smooth=False).distance
    )


def test_smooth_normals_do_not_run_over_edges():
    """Interpolation stays within the face: on a box the smooth normal is the facet's, up to the very edge."""
    engine = nominal(box()).engine
    rng = np.random.default_rng(14)
    points = np.column_stack([rng.uniform(0.01, 99.99, 500), rng.uniform(0.01, 59.99, 500), np.full(500, 20.001)])
    np.testing.assert_allclose(engine.feet(points, smooth=True).normal, np.tile([0.0, 0, 1], (500, 1)), atol=1e-12)


def test_one_face_only():
    """Restricted to one face: against brute force over the facets of that face; facets numbered as in the whole."""
    part = nominal(l_shape())
    rng = np.random.default_rng(15)
    points = near(part.engine, rng, 300, 3.0)
    distances, feet = brute_force(points, part.vertices, part.facets)
    for face in range(len(part.face_names)):
        engine, own = part.engine.of_face(face)
        assert (part.facet_face[own] == face).all()
        assert len(own) == (part.facet_face == face).sum()
        found = engine.feet(points)
        nearest = distances[:, own].argmin(axis=1)
        rows = np.arange(len(points))
        np.testing.assert_allclose(np.abs(found.distance), distances[rows, own[nearest]].astype(float), atol=TIGHT)
        np.testing.assert_allclose(found.foot, feet[rows, own[nearest]].astype(float), atol=TIGHT)
        assert (found.face == face).all()
    assert part.engine.of_face(0)[0] is part.engine.of_face(0)[0]
