"""Surfaces in closed form and as B-splines: values, derivatives, curvatures, nearest points, by outside sources."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from scipy.interpolate import NdBSpline
from scipy.spatial.transform import Rotation

from probekit.nominal.exact.batch import Surfaces
from probekit.nominal.exact.borders import Borders
from probekit.nominal.exact.edges import Edge
from probekit.nominal.exact.splines import Spline
from probekit.nominal.exact.surfaces import BORDER, NEWTON, Elementary, principal_curvatures
from probekit.nominal.exact.swept import Revolved

AXES = Rotation.from_rotvec([0.3, -0.5, 0.9]).as_matrix()
LEFT_HANDED = AXES * [[1], [1], [-1]]
ORIGIN = np.array([3.0, -7.0, 11.0])

#: ISO 10303-42 (plane, cylindrical_, conical_, spherical_, toroidal_surface): S in the surface's own frame.
ISO_10303_42 = {
    "plane": lambda u, v: (u, v, mpmath.mpf(0)),
    "cylinder": lambda u, v: (12 * mpmath.cos(u), 12 * mpmath.sin(u), v),
    "cone": lambda u, v: (
        (12 + v * mpmath.sin(mpmath.mpf("0.4"))) * mpmath.cos(u),
        (12 + v * mpmath.sin(mpmath.mpf("0.4"))) * mpmath.sin(u),
        v * mpmath.cos(mpmath.mpf("0.4")),
    ),
    "sphere": lambda u, v: (
        12 * mpmath.cos(v) * mpmath.cos(u),
        12 * mpmath.cos(v) * mpmath.sin(u),
        12 * mpmath.sin(v),
    ),
    "torus": lambda u, v: (
        (12 + 4 * mpmath.cos(v)) * mpmath.cos(u),
        (12 + 4 * mpmath.cos(v)) * mpmath.sin(u),
        4 * mpmath.sin(v),
    ),
}
SECOND = {"cone": 0.4, "torus": 4.0}
ORDERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


def elementary(kind, axes=AXES):
    return Elementary(kind, ORIGIN, axes, 0.0 if kind == "plane" else 12.0, SECOND.get(kind, 0.0))


def derivatives_in_high_precision(function, uv):
    """(6, n, 3) value and derivatives by mpmath's numerical differentiation with 30 digits."""
    out = np.empty((6, len(uv), 3))
    with mpmath.workdps(30):
        for i, order in enumerate(ORDERS):
            for k, at in enumerate(uv.tolist()):
                for c in range(3):
                    out[i, k, c] = mpmath.diff(lambda u, v, c=c: function(u, v)[c], tuple(at), order)
    return out


@pytest.mark.parametrize("axes", [AXES, LEFT_HANDED], ids=["right", "left"])
@pytest.mark.parametrize("kind", ISO_10303_42)
def test_elementary_derivatives(kind, axes):
    uv = np.random.default_rng(1).uniform(-1.4, 1.4, (4, 2))
    expected = derivatives_in_high_precision(ISO_10303_42[kind], uv) @ axes
    expected[0] += ORIGIN
    surface = elementary(kind, axes)
    found = surface.evaluate(uv, 2)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-11)
    np.testing.assert_array_equal(surface.evaluate(uv, 1), found[:3])


@pytest.mark.parametrize("axes", [AXES, LEFT_HANDED], ids=["right", "left"])
@pytest.mark.parametrize("kind", ISO_10303_42)
def test_elementary_closest_points_are_where_they_came_from(kind, axes):
    """A point off the surface along its normal, by less than any radius of curvature, has its foot where it left."""
    rng = np.random.default_rng(2)
    uv = np.column_stack([rng.uniform(-3, 3, 500), rng.uniform(-1.4, 1.4, 500)])
    surface = elementary(kind, axes)
    foot, su, sv = surface.evaluate(uv, 1)
    normal = np.cross(su, sv)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    points = foot + rng.uniform(-3, 3, 500)[:, None] * normal
    found = surface.closest(points, uv + 0.3)
    np.testing.assert_allclose(found.foot, foot, rtol=0, atol=1e-11)
    np.testing.assert_allclose(found.uv, uv, rtol=0, atol=1e-11)


def test_the_turn_is_that_of_the_start():
    surface = elementary("torus")
    uv = np.array([[7.0, -9.0]])
    found = surface.closest(surface.evaluate(uv, 1)[0], uv + 1.0)
    np.testing.assert_allclose(found.uv, uv, atol=1e-12)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_cone_ends_at_its_apex(side):
    surface = Elementary("cone", np.zeros(3), np.eye(3), 10.0, 0.5, side)
    apex = -10.0 / np.tan(0.5)  # height
    beyond = np.array([[0.5, 0.2, apex - side * 3.0], [0.0, 0.0, apex - side]])
    found = surface.closest(beyond, np.zeros((2, 2)))
    np.testing.assert_allclose(found.foot, [[0, 0, apex]] * 2, atol=1e-12)
    assert np.linalg.norm(np.cross(found.su, found.sv), axis=1).min() > 0.1, "it still has a normal there"
    before = np.array([[2.0, 1.0, apex + side * 8.0]])
    found = surface.closest(before, np.zeros((1, 2)))
    assert side * (found.foot[0, 2] - apex) > 0
    np.testing.assert_allclose(found.foot[0, 1] / found.foot[0, 0], 0.5, atol=1e-12)


def curvatures_of(surface, uv, outward=1.0):
    derivatives = surface.evaluate(uv, 2)
    normal = outward * np.cross(derivatives[1], derivatives[2])
    return principal_curvatures(derivatives, normal / np.linalg.norm(normal, axis=1, keepdims=True))


def test_curvatures_in_closed_form():
    """Sphere -1/R twice, cylinder 0 and -1/R, torus -1/r and -cos v/(R + r cos v): seen from outside, all but the hole
    of the torus curve away (do Carmo, sec. 3-3, example 5 for the torus)."""
    uv = np.random.default_rng(3).uniform(-1.4, 1.4, (50, 2)) * [2, 2]
    inside = uv / [1, 2]
    np.testing.assert_allclose(curvatures_of(elementary("sphere"), inside), -1 / 12, atol=1e-9)
    np.testing.assert_allclose(curvatures_of(elementary("cylinder"), uv), [[0, -1 / 12]] * 50, atol=1e-12)
    np.testing.assert_allclose(curvatures_of(elementary("plane"), uv), 0, atol=1e-15)
    ring = -np.cos(uv[:, 1]) / (12 + 4 * np.cos(uv[:, 1]))
    expected = np.column_stack([np.maximum(ring, -0.25), np.minimum(ring, -0.25)])
    np.testing.assert_allclose(curvatures_of(elementary("torus"), uv), expected, atol=1e-9)
    np.testing.assert_allclose(curvatures_of(elementary("torus"), uv, -1.0), -expected[:, ::-1], atol=1e-9)


def spline(seed=0, *, rational=False, knots_v=(0, 0, 0, 0.3, 0.3, 0.8, 1, 1, 1)):
    rng = np.random.default_rng(seed)
    knots_u = np.array([0, 0, 0, 0, 0.5, 0.9, 2, 2, 2, 2.0])
    x, y = np.meshgrid(np.linspace(0, 40, 6), np.linspace(0, 30, 6), indexing="ij")
    poles = np.stack([x, y, 4 * np.sin(x / 12) * np.cos(y / 9)], axis=-1) + rng.uniform(-1, 1, (6, 6, 3))
    weights = rng.uniform(0.5, 2.0, (6, 6)) if rational else None
    return Spline(poles, weights, (knots_u, np.array(knots_v, dtype=float)), (3, 2))


def cox_de_boor(knots, degree, k, t):
    """Basis function k by the recursion of Cox and de Boor, in mpmath (The NURBS Book, eq. 2.5)."""
    if degree == 0:
        return mpmath.mpf(1) if knots[k] <= t < knots[k + 1] else mpmath.mpf(0)
    out = mpmath.mpf(0)
    if knots[k + degree] > knots[k]:
        out += (t - knots[k]) / (knots[k + degree] - knots[k]) * cox_de_boor(knots, degree - 1, k, t)
    if knots[k + degree + 1] > knots[k + 1]:
        width = knots[k + degree + 1] - knots[k + 1]
        out += (knots[k + degree + 1] - t) / width * cox_de_boor(knots, degree - 1, k + 1, t)
    return out


@pytest.mark.parametrize("rational", [False, True])
def test_spline_derivatives_against_the_definition(rational):
    surface = spline(rational=rational)
    weights = surface.weights if rational else np.ones((6, 6))

    def value(u, v):
        knots = [[mpmath.mpf(float(t)) for t in line] for line in surface.knots]
        n = [[cox_de_boor(knots[k], d, i, t) for i in range(6)] for k, (d, t) in enumerate(((3, u), (2, v)))]
        products = [(n[0][i] * n[1][j] * float(weights[i, j]), i, j) for i in range(6) for j in range(6)]
        total = sum(w for w, _, _ in products)
        return [sum(w * float(surface.poles[i, j, c]) for w, i, j in products) / total for c in range(3)]

    uv = np.array([[0.2, 0.1], [0.7, 0.5], [1.5, 0.9]])
    expected = derivatives_in_high_precision(value, uv)
    np.testing.assert_allclose(surface.evaluate(uv, 2), expected, rtol=1e-11, atol=1e-10)


def test_spline_derivatives_against_scipy():
    surface = spline(1)
    reference = NdBSpline(surface.knots, surface.poles, surface.degrees)
    uv = np.random.default_rng(4).uniform([0, 0], [2, 1], (200, 2))
    uv[:4] = [[0, 0], [2, 1], [0.5, 0.8], [0.9, 1.0]]  # ends and knots
    for order, found in zip(ORDERS, surface.evaluate(uv, 2), strict=True):
        np.testing.assert_allclose(found, reference(uv, nu=order), rtol=0, atol=1e-9)


@pytest.mark.parametrize("rational", [False, True])
def test_newton_finds_feet_where_they_came_from(rational):
    surface = spline(2, rational=rational, knots_v=(0, 0, 0, 0.3, 0.5, 0.8, 1, 1, 1))
    rng = np.random.default_rng(5)
    uv = rng.uniform([0.05, 0.05], [1.95, 0.95], (2000, 2))
    foot, su, sv = surface.evaluate(uv, 1)
    normal = np.cross(su, sv)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    bend = np.abs(curvatures_of(surface, uv)).max(axis=1)
    off = rng.uniform(-1, 1, 2000) * np.minimum(3.0, 0.3 / bend)
    found = surface.closest(foot + off[:, None] * normal, uv + rng.normal(0, 0.003, uv.shape))
    assert (found.how == NEWTON).all()
    np.testing.assert_allclose(found.foot, foot, rtol=0, atol=1e-7)
    np.testing.assert_allclose(np.cross(found.su, found.sv), np.cross(su, sv), rtol=1e-5, atol=1e-4)


def test_newton_stops_at_the_border():
    surface = spline(6)
    corner = surface.evaluate(np.array([[0.0, 0.0]]), 1)[0]
    found = surface.closest(corner + np.array([-5.0, -5.0, 0.0]), np.array([[0.1, 0.1]]))
    np.testing.assert_array_equal(found.uv, [[0.0, 0.0]])
    np.testing.assert_allclose(found.foot, corner, atol=1e-12)


def test_revolution_against_rotation():
    rng = np.random.default_rng(7)
    poles = np.column_stack([np.linspace(10, 14, 5), rng.uniform(-1, 1, 5), np.linspace(0, 30, 5)])
    profile = Edge(poles, rng.uniform(0.7, 1.5, 5), np.array([0, 0, 0, 0, 0.4, 1, 1, 1, 1.0]), 3)
    axis = np.array([0.2, -0.1, 1.0])
    surface = Revolved.about(profile, (1.0, 2.0, 3.0), tuple(axis), closed=False)
    uv = rng.uniform([-7, 0.02], [7, 0.98], (60, 2))
    turn = Rotation.from_rotvec(uv[:, :1] * axis / np.linalg.norm(axis))
    start = np.array([1.0, 2.0, 3.0])
    expected = turn.apply(profile.evaluate(uv[:, 1])[0] - start) + start
    found = surface.evaluate(uv, 2)
    np.testing.assert_allclose(found[0], expected, atol=1e-12)
    h = 1e-5
    for k, (du, dv) in enumerate([(h, 0), (0, h)]):
        shift = np.array([du, dv])
        ahead, behind = surface.evaluate(uv + shift, 2), surface.evaluate(uv - shift, 2)
        np.testing.assert_allclose((ahead[0] - behind[0]) / (2 * h), found[1 + k], rtol=1e-6, atol=1e-6)
        for i, j in ((1, 3 + k), (2, 4 + k)):
            np.testing.assert_allclose((ahead[i] - behind[i]) / (2 * h), found[j], rtol=1e-5, atol=1e-5)


def circle(radius=5.0):
    """A whole circle as a rational quadratic B-spline (The NURBS Book, sec. 7.5)."""
    half = np.sqrt(0.5)
    corners = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]
    poles = radius * np.array([(*corner, 0.0) for corner in corners])
    return Edge(poles, np.array([1, half] * 4 + [1]), np.array([0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4.0]), 2)


def test_closest_points_of_a_circle_and_nothing_at_its_seam():
    rng = np.random.default_rng(8)
    points = rng.normal(size=(3000, 3)) * [4, 4, 2]
    points[:1000, 1] *= 1e-4
    points[:500, 0] = np.abs(points[:500, 0])  # either side of the seam
    upward = np.tile([0.0, 0.0, 1.0], (3000, 1))
    found = Borders([circle()], [0], [[(0, 1.0)]]).nearest(points, np.zeros(3000, dtype=int), upward)
    radius = np.linalg.norm(points[:, :2], axis=1, keepdims=True)
    np.testing.assert_allclose(found.foot[:, :2], 5.0 * points[:, :2] / radius, rtol=0, atol=1e-8)
    np.testing.assert_allclose(found.distance, np.hypot(radius[:, 0] - 5.0, points[:, 2]), rtol=0, atol=1e-12)
    np.testing.assert_array_equal(found.left, radius[:, 0] < 5.0)
    assert not found.at_end.any(), "a closed smooth curve has no end"


def test_nearest_points_of_several_edges():
    """An L of two straight edges and an arc, of degrees 1 and 2, each foot in closed form."""
    corner = [Edge(np.array(poles, dtype=float), None, np.array([0, 0, 1, 1.0]), 1) for poles in (
        [[10, 0, 0], [0, 0, 0]], [[0, 0, 0], [0, 10, 0]]
    )]  # fmt: skip
    border = Borders([*corner, circle()], [1, 2, 4], [[(0, 1.0), (1, 1.0), (2, -1.0)]])
    points = np.array([[4.0, -1, 2], [-3, 8, 0], [-0.1, -0.2, 0.3], [-4, -4, 0], [12, 0, 0]])
    found = border.nearest(points, np.zeros(5, dtype=int), np.tile([0.0, 0.0, 1.0], (5, 1)))
    np.testing.assert_allclose(
        found.distance,
        [min(np.sqrt(5), np.hypot(5 - np.hypot(4, 1), 2)), 3, np.sqrt(0.14), np.hypot(4, 4) - 5, 2],
        atol=1e-12,
    )
    np.testing.assert_array_equal(found.flags, [4, 2, 3, 4, 1])
    np.testing.assert_array_equal(found.at_end, [False, False, True, False, True])


def test_surfaces_of_a_kind_together_are_as_each_alone():
    rng = np.random.default_rng(6)
    turns = Rotation.random(10, random_state=6).as_matrix()
    surfaces = []
    for kind, turn in zip([*ISO_10303_42] * 2, turns, strict=True):
        radius = 0.0 if kind == "plane" else rng.uniform(8, 12)
        surfaces.append(Elementary(kind, rng.normal(size=3), turn, radius, SECOND.get(kind, 0.0)))
    surfaces.insert(3, Spline(rng.normal(size=(2, 2, 3)), None, (np.array([0, 0, 1, 1.0]),) * 2, (1, 1)))
    face = rng.integers(len(surfaces), size=900)
    points, near = 5 * rng.normal(size=(900, 3)), rng.uniform(size=(900, 2))
    found = Surfaces(surfaces).closest(face, points, near)
    for k, surface in enumerate(surfaces):
        rows = np.flatnonzero(face == k)
        alone = surface.closest(points[rows], near[rows])
        for values, expected in zip(found, alone, strict=True):
            np.testing.assert_allclose(values[rows], expected, rtol=0, atol=1e-13)


def roof(angle=0.3):
    """Two planes that meet along y, as degree-1 strips side by side."""
    from probekit.nominal.exact.creases import Creased

    rise = 10 * np.tan(angle)
    parts = []
    for x0, x1, u0 in ((-10.0, 0.0, 0.0), (0.0, 10.0, 1.0)):
        z0, z1 = rise - abs(x0) * rise / 10, rise - abs(x1) * rise / 10
        poles = np.array([[[x0, 0, z0], [x0, 20, z0]], [[x1, 0, z1], [x1, 20, z1]]])
        parts.append((Spline(poles, None, (np.array([u0, u0, u0 + 1, u0 + 1]), np.array([0, 0, 1, 1.0])), (1, 1)),))
    return Creased(tuple(parts)), rise


def test_feet_on_a_crease():
    surface, rise = roof()
    above = np.array([[0.1, 5.0, rise + 2.0], [-0.1, 7.0, rise + 2.0], [0.0, 9.0, rise + 1.0]])
    found = surface.closest(above, np.array([[0.9, 0.2], [1.1, 0.4], [1.0, 0.5]]))
    np.testing.assert_allclose(found.foot, np.column_stack([np.zeros(3), above[:, 1], np.full(3, rise)]), atol=1e-12)
    assert (found.how == BORDER).all()
    normal = np.cross(found.su, found.sv)
    assert (np.einsum("ij,ij->i", above - found.foot, normal) > 0).all(), "outside is told from the better side"
    # under the roof the nearer plane has the foot, from whichever side the search starts
    below = np.array([[0.1, 5.0, rise - 2.0]])
    for start in ([0.8, 0.2], [1.3, 0.3]):
        found = surface.closest(below, np.array([start]))
        assert found.how[0] == NEWTON
        assert found.foot[0, 0] > 0.1
        np.testing.assert_allclose(
            np.linalg.norm(below - found.foot), (2 - 0.1 * np.tan(0.3)) * np.cos(0.3), atol=1e-10
        )


def test_values_on_either_side_of_a_crease():
    surface, rise = roof()
    uv = np.array([[0.5, 0.5], [1.5, 0.5], [1.0, 0.5]])
    value, su, _ = surface.evaluate(uv, 1)
    np.testing.assert_allclose(value, [[-5, 10, rise / 2], [5, 10, rise / 2], [0, 10, rise]], atol=1e-12)
    np.testing.assert_allclose(su[:, 2], [rise, -rise, -rise], atol=1e-12)


@pytest.mark.parametrize("along", [0, 1])
def test_a_start_on_a_saddle_of_the_distance_ends_at_a_nearest_point(along):
    """z = x^2 / 4f: over its lowest line, above 2f, the distance is sqrt(4fh - 4f^2), to both sides."""
    focus, x = 5.0, (-20.0, 0.0, 20.0)
    poles = np.array([[(a, b, -20.0 if a == 0 else 20.0) for b in (0.0, 50.0)] for a in x])
    knots, degrees = (np.repeat([0.0, 1.0], 3), np.repeat([0.0, 1.0], 2)), (2, 1)
    trough = Spline(poles, None, knots, degrees)
    if along:
        trough = Spline(poles.transpose(1, 0, 2), None, knots[::-1], degrees[::-1])
    height = 2 * focus + 10.0 ** np.linspace(-2, 0.7, 12)
    points = np.column_stack([np.zeros(12), np.linspace(5, 45, 12), height])
    start = np.column_stack([np.full(12, 0.5), points[:, 1] / 50])
    found = trough.closest(points, start[:, ::-1] if along else start)
    assert (found.how == NEWTON).all()
    expected = np.sqrt(4 * focus * (height - focus))
    np.testing.assert_allclose(np.linalg.norm(points - found.foot, axis=1), expected, rtol=0, atol=1e-9)
