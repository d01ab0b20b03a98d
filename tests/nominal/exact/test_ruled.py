"""Ruled and twisted faces: no foot may lie further than the point of the surface that a touch was made from."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakePolygon, BRepBuilderAPI_MakeWire
from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections
from OCP.Geom import Geom_BSplineSurface
from OCP.gp import gp_Pnt

from probekit.nominal.exact import HOW, ExactEngine
from probekit.nominal.exact.splines import Spline
from probekit.nominal.exact.step import read_step
from probekit.nominal.exact.surfaces import NEWTON, UNSETTLED
from probekit.nominal.exact.trim import TrimmedFaces


def corner(point):
    return gp_Pnt(*map(float, point))


def turned(section, angle, height, size):
    """A section (n, 2) turned, sized, and put at a height: (n, 3)."""
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return np.column_stack([size * section @ turn, np.full(len(section), height)])


def ruled_between(wires):
    loft = BRepOffsetAPI_ThruSections(True, True, 1e-6)
    for wire in wires:
        loft.AddWire(wire)
    loft.Build()
    return loft.Shape()


def squares():
    """Two squares, the upper one turned by 34 degrees: four bilinear patches."""
    wires = []
    for height, angle, size in ((0.0, 0.0, 20.0), (64.0, 0.6, 16.0)):
        polygon = BRepBuilderAPI_MakePolygon()
        for point in turned(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]), angle, height, size):
            polygon.Add(corner(point))
        polygon.Close()
        wires.append(polygon.Wire())
    return ruled_between(wires)


def blade():
    """A twisted blade: two faces of degree 3 x 1 and a trailing edge of degree 1 x 1."""
    wires = []
    above = np.array([[-20, 0], [-8, 5], [8, 4], [20, 0.4]])
    below = np.array([[20, -0.4], [8, -1], [-8, -1], [-20, 0]])
    for height, angle, size in ((0.0, 0.0, 1.0), (110.0, 0.7, 0.7)):
        up, low = (turned(half, angle, height, size) for half in (above, below))
        wire = BRepBuilderAPI_MakeWire()
        wire.Add(BRepBuilderAPI_MakeEdge(es.profile_curve(up)).Edge())
        wire.Add(BRepBuilderAPI_MakeEdge(corner(up[-1]), corner(low[0])).Edge())
        wire.Add(BRepBuilderAPI_MakeEdge(es.profile_curve(low)).Edge())
        wires.append(wire.Wire())
    return ruled_between(wires)


def patch(degree_u, degree_v, seed):
    """A body under one Bezier patch with heights at random."""
    heights = iter(np.random.default_rng(seed).uniform(-8, 8, (degree_u + 1) * (degree_v + 1)))
    x, y = np.linspace(0, 60, degree_u + 1), np.linspace(0, 50, degree_v + 1)
    knots, ends = es.reals([0, 1]), [es.integers([degree + 1] * 2) for degree in (degree_u, degree_v)]
    poles = es.point_grid(x, y, lambda _a, _b: next(heights))
    return es.slab(Geom_BSplineSurface(poles, knots, knots, *ends, degree_u, degree_v), 30.0)


RULED = {
    "squares": squares,
    "blade": blade,
    "1x1": lambda: patch(1, 1, 0),
    "3x1": lambda: patch(3, 1, 1),
    "1x4": lambda: patch(1, 4, 2),
}


@pytest.mark.parametrize("name", RULED)
def test_no_foot_is_further_than_the_known_point(name, tmp_path):
    """Touches made h off points of the kernel's surface, in any direction: the nearest point is at most h away."""
    path = es.write(RULED[name](), tmp_path / "ruled.step")
    engine, shape = ExactEngine(read_step(path)), es.read(path)
    for h in (1e-4, 0.05, 1.0, 3.0):
        found = engine.feet(es.touches(shape, 1000, seed=1, distances=(h,)))
        assert np.abs(found.distance).max() <= h + 1e-9, h
        assert not (found.how == HOW.index("facet")).any(), "every one settled"


def test_twist_counts_though_the_lines_are_straight():
    """z = x y / 40: Suu = Svv = 0. Touches along the normal, by less than any radius of curvature, have known feet."""
    grid = np.array([[[x, y, x * y / 40.0] for y in (-20.0, 20.0)] for x in (-20.0, 20.0)])
    knots = np.array([0.0, 0.0, 1.0, 1.0])
    surface = Spline(grid, None, (knots, knots), (1, 1))
    check_feet(surface, np.random.default_rng(1), reach=8.0)


def test_a_point_of_inflexion_is_not_flat():
    """A cubic at its inflexion: all second derivatives vanish, the third does not."""
    x = np.linspace(-20, 20, 4)
    cubic = (6.0, -18.0, 18.0, -6.0)  # heights of the poles: antisymmetric about the middle, where the inflexion is
    grid = np.array([[[a, y, h] for y in (-20.0, 20.0)] for a, h in zip(x, cubic, strict=True)])
    surface = Spline(grid, None, (np.repeat([0.0, 1.0], 4), np.repeat([0.0, 1.0], 2)), (3, 1))
    check_feet(surface, np.random.default_rng(2), reach=3.0, u=(0.499, 0.501))


def check_feet(surface, rng, *, reach, u=(0.1, 0.9)):
    uv = np.column_stack([rng.uniform(*u, 3000), rng.uniform(0.1, 0.9, 3000)])
    foot, su, sv = surface.evaluate(uv, 1)
    normal = np.cross(su, sv)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    points = foot + rng.uniform(-reach, reach, 3000)[:, None] * normal
    found = surface.closest(points, uv + rng.normal(scale=0.003, size=(3000, 2)))
    assert (found.how == NEWTON).all()
    np.testing.assert_allclose(found.foot, foot, rtol=0, atol=2e-8)


def test_a_search_never_ends_further_off_than_it_began():
    """A twisted bilinear face: the touch's nearest point is on its side u = 0, a straight line, at a known place.

    There u and v are so coupled that a full step leads beyond both borders, into a corner and back; and from starts
    over the face full steps lead to others of its nearest points, further off.
    """
    sides = [
        [[-3.7188, 19.8275, 18.2535], [9.6817, 21.5337, 41.815]],
        [[-20.0063, 2.5903, 18.2535], [-17.4879, 15.8621, 41.815]],
    ]
    poles, point = np.array(sides), np.array([-14.4193, 38.8192, 30.5634])
    line = poles[0, 1] - poles[0, 0]
    at = (point - poles[0, 0]) @ line / (line @ line)
    nearest = poles[0, 0] + at * line
    knots = np.repeat([0.0, 1.0], 2)
    surface = Spline(poles, None, (knots, knots), (1, 1))
    start = np.stack(np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41)), axis=-1).reshape(-1, 2)
    start = np.vstack([start, [0.0, at]])
    found = surface.closest(np.repeat(point[None], len(start), axis=0), start)
    began, ended = (np.linalg.norm(feet - point, axis=1) for feet in (surface.evaluate(start, 1)[0], found.foot))
    assert (found.how == NEWTON).all()
    assert (ended <= began + 1e-8).all()
    np.testing.assert_allclose(found.foot[-1], nearest, rtol=0, atol=1e-8)
    assert ended.min() == pytest.approx(np.linalg.norm(nearest - point), abs=1e-9), "none beyond the border"


def test_a_start_that_does_not_settle_is_told_if_it_came_nearer(tmp_path, monkeypatch):
    """Touches near the axis, about as far from four faces: each time the search on the nearest one is taken to fail."""
    engine = ExactEngine(read_step(es.write(squares(), tmp_path / "ruled.step")))
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(-0.02, 0.02, (200, 2)), rng.uniform(25, 40, 200)])
    right = engine.feet(points)
    closest = TrimmedFaces.closest

    def failing(faces, face, own, *seeds):
        found, normal, flags = closest(faces, face, own, *seeds)
        _, which = np.unique(own, axis=0, return_inverse=True)
        away = np.linalg.norm(own - found.foot, axis=1)
        least = np.full(len(points), np.inf)
        np.minimum.at(least, which.ravel(), away)
        found.how[away <= least[which.ravel()] + 1e-9] = UNSETTLED
        return found, normal, flags

    monkeypatch.setattr(TrimmedFaces, "closest", failing)
    found = engine.feet(points)
    assert (right.how == HOW.index("newton")).all()
    assert (found.how == HOW.index("facet")).all()
    assert np.abs(found.distance - right.distance).max() <= engine.brep.deflection
