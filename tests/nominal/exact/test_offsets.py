"""Offset surfaces: derivatives by differences, nearest points and curvatures in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from probekit.errors import InputError
from probekit.nominal.exact.conics import Conic
from probekit.nominal.exact.offsets import Offset, offset_of
from probekit.nominal.exact.surfaces import Elementary, Surface, across, principal_curvatures
from probekit.nominal.exact.swept import Extruded, Revolved

TILTED = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
UV = np.column_stack([np.linspace(0.1, 1.4, 40), np.linspace(-0.9, 0.9, 40)])

ELEMENTARY = {
    "plane": Elementary("plane", np.array([1.0, 2, 3]), TILTED),
    "cylinder": Elementary("cylinder", np.array([1.0, 2, 3]), TILTED, 20.0),
    "cone": Elementary("cone", np.array([1.0, 2, 3]), TILTED, 20.0, 0.4),
    "cone beyond its apex": Elementary("cone", np.array([1.0, 2, 3]), TILTED, -20.0, 0.4, -1.0),
    "sphere": Elementary("sphere", np.array([1.0, 2, 3]), TILTED, 20.0),
    "torus": Elementary("torus", np.array([1.0, 2, 3]), TILTED, 20.0, 6.0),
    "left-handed": Elementary("cylinder", np.array([1.0, 2, 3]), TILTED * [[1.0], [1.0], [-1.0]], 20.0),
}
#: An elliptic bore, and an egg that is 20 mm wide and 60 mm long.
SWEPT = {
    "extruded": Extruded(Conic("ellipse", np.array([[0.0, 0, 0], [30, 0, 0], [0, 12, 0]])), np.array([0.0, 0, 1])),
    "revolved": Revolved.about(
        Conic("ellipse", np.array([[0.0, 0, 0], [10, 0, 0], [0, 0, 30]])), (0, 0, 0), (0, 0, 1), closed=True
    ),
}


def off(base: Surface, uv: np.ndarray, distance: float) -> np.ndarray:
    """Points (n, 3) `distance` off a surface, by the definition."""
    value, su, sv = base.evaluate(uv, 1)
    natural = across(su, sv)
    return value + distance * natural / np.linalg.norm(natural, axis=1, keepdims=True)


@pytest.mark.parametrize("name", ELEMENTARY)
@pytest.mark.parametrize("distance", [2.5, -2.5])
def test_an_elementary_surface_moved_is_another_one(name: str, distance: float) -> None:
    moved = offset_of(ELEMENTARY[name], distance)
    assert isinstance(moved, Elementary)
    points = off(ELEMENTARY[name], UV, distance)
    np.testing.assert_allclose(moved.closest(points, UV).foot, points, rtol=0, atol=1e-12)


@pytest.mark.parametrize(("name", "distance"), [("sphere", -25.0), ("cylinder", -20.0), ("torus", -7.0)])
def test_what_is_moved_beyond_its_centre_is_refused(name: str, distance: float) -> None:
    with pytest.raises(InputError, match="offset beyond its own axis or centre"):
        offset_of(ELEMENTARY[name], distance)


@pytest.mark.parametrize("name", SWEPT)
def test_derivatives_are_those_of_differences(name: str) -> None:
    surface, h = Offset(SWEPT[name], 1.5), 1e-5
    value, su, sv, suu, suv, svv = surface.evaluate(UV)
    np.testing.assert_allclose(value, off(SWEPT[name], UV, 1.5), rtol=0, atol=1e-12)
    normal = across(su, sv)
    step = h * np.eye(2)
    for k, (first, seconds) in enumerate(((su, (suu, suv)), (sv, (suv, svv)))):
        after, before = surface.evaluate(UV + step[k], 1), surface.evaluate(UV - step[k], 1)
        np.testing.assert_allclose(first, (after[0] - before[0]) / (2 * h), rtol=0, atol=1e-6)
        for found, a, b in zip(seconds, after[1:], before[1:], strict=True):
            theirs = np.einsum("ij,ij->i", (a - b) / (2 * h), normal)
            np.testing.assert_allclose(np.einsum("ij,ij->i", found, normal), theirs, rtol=1e-6, atol=1e-3)


@pytest.mark.parametrize("name", SWEPT)
@pytest.mark.parametrize("distance", [1.5, -1.5])
def test_curvature_is_that_of_the_base_moved(name: str, distance: float) -> None:
    """k / (1 - d k), with k and d along the same normal (do Carmo, sec. 3-5, exercise 11, from memory)."""
    derivatives = SWEPT[name].evaluate(UV)
    normal = across(derivatives[1], derivatives[2])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    k = principal_curvatures(derivatives, normal)
    moved = principal_curvatures(Offset(SWEPT[name], distance).evaluate(UV), normal)
    np.testing.assert_allclose(moved, k / (1.0 - distance * k), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("name", SWEPT)
def test_nearest_points_are_those_of_brute_force(name: str) -> None:
    surface, rng = Offset(SWEPT[name], 1.5), np.random.default_rng(3)
    places = off(SWEPT[name], UV, 1.5) + rng.normal(scale=0.7, size=(len(UV), 3))
    found = surface.closest(places, UV)
    size = np.linalg.norm(places - found.foot, axis=1)
    at = UV.copy()
    best = np.full(len(UV), np.inf)
    for reach in (0.3, 0.06, 0.012, 0.0024, 0.0005, 0.0001):
        for a in np.linspace(-reach, reach, 13):
            for b in np.linspace(-reach, reach, 13):
                moved = at + np.array([a, b * (30.0 if name == "extruded" else 1.0)])
                away = np.linalg.norm(off(SWEPT[name], moved, 1.5) - places, axis=1)
                nearer = away < best
                best = np.where(nearer, away, best)
                at = np.where(nearer[:, None], moved, at)
    np.testing.assert_allclose(size, best, rtol=0, atol=2e-5)
    assert (size <= best + 1e-12).all()


def test_the_kernel_evaluates_and_projects_the_same() -> None:
    """A freeform face 2 mm off another, point by point through the kernel."""
    pytest.importorskip("OCP")
    import exact_shapes as es

    from probekit.nominal.exact.convert import KernelSurface, face_surface

    basis = es.GeomAPI_PointsToBSplineSurface(es.point_grid(15.0 * np.arange(5), 12.0 * np.arange(5), es.wave))
    handle = es.Geom_OffsetSurface(basis.Surface(), 2.0)
    kind, ours = face_surface(es.BRepBuilderAPI_MakeFace(handle, 1e-6).Face())
    theirs = KernelSurface(handle, np.zeros(2), np.ones(2), (0.0, 0.0))
    assert kind == "offset"
    uv = np.random.default_rng(4).uniform(0.05, 0.95, (200, 2))
    for found, expected in zip(ours.evaluate(uv, 1), theirs.evaluate(uv, 1), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-10)
    points = theirs.evaluate(uv, 1)[0] + np.random.default_rng(5).normal(scale=0.5, size=(200, 3))
    found, expected = ours.closest(points, uv), theirs.closest(points, uv)
    inside = ((found.uv > 0) & (found.uv < 1)).all(axis=1)
    assert inside.sum() > 150
    size, other = (np.linalg.norm(points - one.foot, axis=1)[inside] for one in (found, expected))
    np.testing.assert_allclose(size, other, rtol=0, atol=2e-8)  # the kernel takes second derivatives by differences
    # each touch is square above its foot, as the kernel's own tangents there tell
    foot, *tangents = theirs.evaluate(found.uv, 1)
    np.testing.assert_allclose(found.foot, foot, rtol=0, atol=1e-10)
    for tangent in tangents:
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        assert np.abs(np.einsum("ij,ij->i", points - foot, tangent)[inside]).max() < 1e-7


@pytest.mark.parametrize(("distance", "folds"), [(-4.7, False), (-4.9, True), (-31.0, True), (40.0, False)])
def test_an_offset_deeper_than_the_curvature_is_refused(distance: float, folds: bool) -> None:
    """An ellipse of half axes 30 and 12 has 12^2 / 30 = 4.8 mm as its least radius: offset by more inwards it folds."""
    base = SWEPT["extruded"]
    uv = np.column_stack([np.linspace(0.0, 2 * np.pi, 200, endpoint=False), np.zeros(200)])
    centre = base.evaluate(uv, 1)[0].mean(axis=0)
    size, grown = (np.linalg.norm(off(base, uv, d) - centre, axis=1).mean() for d in (0.0, 1.0))
    surface = offset_of(base, distance if grown > size else -distance)
    if folds:
        with pytest.raises(InputError, match=r"face 3 of the STEP file is offset by more than .* 4\.8 mm, offset"):
            surface.require_regular(uv, "face 3")
    else:
        surface.require_regular(uv, "face 3")
