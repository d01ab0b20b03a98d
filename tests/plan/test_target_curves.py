"""Curves on the model, and targets along them, against circles, lines and rectangles in closed form."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapes

from probekit import plan
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import Nominal, load
from probekit.plan.targets.borders import edge_distance

FOIL = Path(__file__).parents[2] / "data" / "foil"


@pytest.fixture(scope="module")
def foil() -> Nominal:
    pytest.importorskip("OCP")
    return load(FOIL / "foil.step")


@pytest.fixture(scope="module")
def bodies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Nominal]:
    pytest.importorskip("OCP")
    import exact_shapes as es

    folder = tmp_path_factory.mktemp("bodies")
    return {name: load(es.write(getattr(es, name)(), folder / f"{name}.step")) for name in ("sphere", "cylinder")}


def positions(targets: object) -> np.ndarray:
    return targets[["x0", "y0", "z0"]].to_numpy()


def turned_angles(points: np.ndarray, centre: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Angle from each point to the next about an axis, all the way round [rad]."""
    x = points[0] - centre
    x = (x - (x @ axis) * axis) / np.linalg.norm(x - (x @ axis) * axis)
    local = (points - centre) @ np.array([x, np.cross(axis, x)]).T
    angle = np.arctan2(local[:, 1], local[:, 0])
    return np.diff(np.append(angle, angle[0])) % (2 * np.pi)


@pytest.mark.parametrize("off", [0.0, 7.0, -13.5])
def test_the_section_of_a_sphere_is_the_circle_of_pythagoras(bodies: dict[str, Nominal], off: float) -> None:
    centre, axis = np.array([5.0, -3.0, 2.0]), np.array([2.0, -1.0, 2.0]) / 3.0
    (circle,) = plan.section(bodies["sphere"], centre + off * axis, axis)
    radius = np.sqrt(20.0**2 - off**2)
    assert circle.closed
    np.testing.assert_allclose((circle.points - centre) @ axis, off, atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(circle.points - centre - off * axis, axis=1), radius, atol=1e-9)
    assert circle.length == pytest.approx(2 * np.pi * radius, rel=1e-4)
    # seen from the tip of the normal it runs anticlockwise, the material to the left
    steps = turned_angles(circle.points, centre, axis)
    assert steps.sum() == pytest.approx(2 * np.pi)
    targets = plan.along(bodies["sphere"], circle, n=24)
    np.testing.assert_allclose(turned_angles(positions(targets), centre, axis), 2 * np.pi / 24, rtol=2e-4)
    np.testing.assert_allclose(np.linalg.norm(positions(targets) - centre, axis=1), 20.0, atol=1e-9)
    np.testing.assert_allclose((positions(targets) - centre) @ axis, off, atol=1e-6)


def test_the_section_of_facets_lies_on_them_and_on_the_plane() -> None:
    ball = shapes.ball(radius=20.0)
    (circle,) = plan.section(ball, [0, 0, 5.0], [0, 0, 1])
    np.testing.assert_allclose(circle.points[:, 2], 5.0, atol=1e-12)
    assert np.abs(ball.engine.feet(circle.points).distance).max() < 1e-12
    assert circle.length == pytest.approx(2 * np.pi * np.sqrt(375), rel=2e-3)


def test_a_section_through_vertices_and_along_edges_is_still_one_loop() -> None:
    box = shapes.box()
    (loop,) = plan.section(box, [0, 0, 0], [1.0, 1.5, 0])  # through four corners
    assert loop.closed
    assert loop.length == pytest.approx(2 * (np.hypot(60, 40) + 20), rel=1e-12)
    (rim,) = plan.section(box, [0, 0, 10.0], [0, 0, 1])  # in the plane of the top
    assert rim.length == pytest.approx(200, rel=1e-12)


def test_a_section_can_be_kept_to_faces() -> None:
    box = shapes.box()
    (line,) = plan.section(box, [0, 0, 0], [1, 0, 0], faces="top")
    assert not line.closed
    assert line.length == pytest.approx(40)
    assert set(line.faces) == {"top"}
    with pytest.raises(InputError, match=r"misses the faces; found .they lie 10 to 10 mm from it"):
        plan.section(box, [0, 0, 0], [0, 0, 1], faces="top")
    with pytest.raises(InputError, match="not a direction"):
        plan.section(box, [0, 0, 0], [0, 0, 0])
    with pytest.raises(InputError, match="no face with that name"):
        plan.section(box, [0, 0, 0], [0, 0, 1], faces="lid")


def test_targets_are_even_along_a_freeform_section(foil: Nominal) -> None:
    (curve,) = plan.section(foil, [0, 0, 50], [0, 0.1, 1])
    targets = plan.along(foil, curve, n=60)
    # independent measure: a section ten times as dense, made by the kernel of nothing but closest points
    dense = plan.section(foil, [0, 0, 50], [0, 0.1, 1])[0].at(np.linspace(0, curve.length, 40000))[0]
    dense = foil.engine.feet(dense).foot
    walked = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(dense, axis=0), axis=1))])
    at = walked[np.linalg.norm(dense[:, None] - positions(targets)[None], axis=2).argmin(axis=0)]
    np.testing.assert_allclose(np.diff(at), walked[-1] / 60, rtol=5e-3)


def test_targets_are_denser_where_the_profile_bends() -> None:
    prism = shapes.prism()
    (curve,) = plan.section(prism, [0, 0, 25.0], [0, 0, 1])
    even, dense = (plan.along(prism, curve, n=120, denser=d) for d in (0.0, 2.0))
    angle = np.linspace(0, 2 * np.pi, 20001)
    r = 20.0 * (1 + 0.2 * np.cos(2 * angle + 0.3) + 0.08 * np.sin(3 * angle))
    r1 = 20.0 * (-0.4 * np.sin(2 * angle + 0.3) + 0.24 * np.cos(3 * angle))
    r2 = 20.0 * (-0.8 * np.cos(2 * angle + 0.3) - 0.72 * np.sin(3 * angle))
    bend = np.abs(r**2 + 2 * r1**2 - r * r2) / (r**2 + r1**2) ** 1.5  # curvature of a polar curve
    speed = np.sqrt(r**2 + r1**2)
    for targets, denser in ((even, 0.0), (dense, 2.0)):
        p = positions(targets)
        gap = np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1)
        middle = 0.5 * (p + np.roll(p, -1, axis=0))
        k = np.interp(np.arctan2(middle[:, 1], middle[:, 0]) % (2 * np.pi), angle, bend)
        mean = np.average(bend[:-1], weights=speed[:-1])
        share = gap * (1 + denser * np.sqrt(k / mean))
        assert share.std() / share.mean() < (0.003 if denser == 0 else 0.06)
    assert len(even) == len(dense) == 120


def test_open_curves_have_targets_at_their_ends_or_inset_from_them() -> None:
    box = shapes.box()
    (line,) = plan.section(box, [0, 0, 0], [1, 0, 0], faces="top")
    assert sorted(positions(plan.along(box, line, n=5))[:, 1]) == pytest.approx([-20, -10, 0, 10, 20])
    assert sorted(positions(plan.along(box, line, n=5, inset=4))[:, 1]) == pytest.approx([-16, -8, 0, 8, 16])
    assert positions(plan.along(box, line, n=1))[:, 1] == pytest.approx([0], abs=1e-9)
    assert len(plan.along(box, line, spacing=10)) == 5
    assert len(plan.along(box, line, spacing=9.9)) == 6
    targets = plan.along(box, line.reversed(), n=2, feature="rib")
    assert positions(targets)[0] == pytest.approx(line.points[-1])
    assert set(targets["feature"]) == {"rib"}


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"n": 0}, "whole number of at least 1; found 0"),
        ({"n": 2.5}, "whole number"),
        ({}, "either `n` or `spacing`"),
        ({"n": 3, "spacing": 2}, "either `n` or `spacing`"),
        (
            {"spacing": 41},
            r"spacing is larger than the curve 'section'; found .41 mm.; expected at most its length of 40",
        ),
        ({"spacing": np.nan}, "spacing must be positive"),
        ({"spacing": -1}, "spacing must be positive"),
        ({"n": 3, "inset": 20}, "insets leave nothing"),
        ({"n": 3, "denser": -1}, "`denser` must not be negative"),
    ],
)
def test_numbers_that_make_no_sense_along_a_curve_are_refused(options: dict, text: str) -> None:
    box = shapes.box()
    with pytest.raises(InputError, match=text):
        plan.along(box, plan.section(box, [0, 0, 0], [1, 0, 0], faces="top"), **options)


def test_a_curve_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="no curve to put targets on"):
        plan.along(shapes.box(), [], n=3)
    with pytest.raises(InputError, match=r"at least two points; found .1 points"):
        plan.targets.curves.Curve(np.zeros((1, 3)), False, ())
    with pytest.raises(InputError, match=r"has no length; found .2 points that coincide"):
        plan.targets.curves.Curve(np.zeros((2, 3)), False, ("top",))
    with pytest.raises(InputError, match=r"one face per segment; found .1 faces.; expected 2"):
        plan.targets.curves.Curve(np.eye(3), False, ("top",))
    with pytest.raises(InputError, match="must be finite"):
        plan.targets.curves.Curve(np.array([[0, 0, 0], [np.nan, 0, 0]]), False, ("top",))


def test_a_sketch_is_laid_on_along_a_direction_or_the_normal() -> None:
    saddle = shapes.saddle()
    sketch = np.array([[-20.0, -10, 40], [10, 15, 60], [22, -5, 40]])
    (laid,) = plan.project(saddle, sketch, direction=[0, 0, -1])
    # seen from above it is the sketch, and the height is that of the facets
    away = []
    for a, b in ((sketch[0], sketch[1]), (sketch[1], sketch[2])):
        part = np.clip((laid.points[:, :2] - a[:2]) @ (b - a)[:2] / ((b - a)[:2] @ (b - a)[:2]), 0, 1)
        away.append(np.linalg.norm(laid.points[:, :2] - a[:2] - part[:, None] * (b - a)[:2], axis=1))
    assert np.min(away, axis=0).max() < 1e-6
    x, y = laid.points[:, 0], laid.points[:, 1]
    height = (x**2 - 0.7 * y**2 + 0.5 * x * y) / 120 + x**3 / 8e3 - y**3 / 6e3
    assert np.abs(laid.points[:, 2] - height).max() < 0.01
    tube = shapes.cylinder(radius=15.0)
    (line,) = plan.project(tube, [[20, 0, 10], [20, 0, 40]])
    assert line.length == pytest.approx(30, rel=1e-2)  # facets zigzag a little
    assert not line.closed


def test_what_a_sketch_leaves_off_the_model_is_told() -> None:
    with pytest.warns(ProbekitWarning, match=r"[345]\d% of the sketch does not meet the model"):
        (line,) = plan.project(shapes.plane_patch(), [[0, 0, 5], [50, 0, 5]], direction=[0, 0, -1])
    assert line.points[:, 0].max() == pytest.approx(30, abs=0.5)
    with pytest.raises(InputError, match="sketch does not meet the model"):
        plan.project(shapes.plane_patch(), [[0, 0, 5], [5, 0, 5]], direction=[0, 0, 1])
    with pytest.raises(InputError, match="at least two different points"):
        plan.project(shapes.plane_patch(), [[0, 0, 5], [0, 0, 5]])
    with pytest.raises(InputError, match=r"at least two different points; found .1 points"):
        plan.project(shapes.plane_patch(), [[0, 0, 5]])
    with pytest.raises(InputError, match="step must be positive"):
        plan.project(shapes.plane_patch(), [[0, 0, 5], [1, 0, 5]], step=0)


def test_a_sketch_over_a_gap_becomes_two_curves_in_its_order() -> None:
    sheets = shapes.box()
    with pytest.warns(ProbekitWarning, match="of the sketch does not meet the model"):
        curves = plan.project(
            sheets, [[-50, 0, 30], [0, 0, 30], [0, 50, 30], [20, 50, 30], [20, -10, 30]], direction=[0, 0, -1]
        )
    assert len(curves) == 2
    assert [curve.points[0][0] < 0 for curve in curves] == [True, False]
    # from x = -30 to 0 and on to y = 20; then from y = 20 to -10
    assert [curve.length for curve in curves] == pytest.approx([50, 30], abs=1.0)
    # a sketch through the part jumps from one side to the other
    through = plan.project(
        sheets, [[-20, 0, 9.9], [-15, 0, 0.5], [-15, 0, -0.5], [-20, 0, -9.9]], faces=["top", "bottom"]
    )
    assert [set(curve.faces) for curve in through] == [{"top"}, {"bottom"}]


def test_the_border_of_a_face_goes_round_it_with_the_face_to_the_left() -> None:
    box = shapes.box()
    (rim,) = plan.boundary(box, "top")
    assert rim.closed
    assert rim.length == pytest.approx(200)
    x, y = rim.points[:, 0], rim.points[:, 1]
    area = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    assert area == pytest.approx(2400)  # positive: anticlockwise seen from above
    (side,) = plan.boundary(box, "top", beside="right")
    assert side.length == pytest.approx(40)
    np.testing.assert_allclose(side.points[:, 0], 30)
    with pytest.raises(InputError, match="'top' does not border on 'bottom'"):
        plan.boundary(box, "top", beside="bottom")
    with pytest.raises(InputError, match="'face' has no border"):
        plan.boundary(shapes.ball(), "face")
    assert len(plan.boundary(shapes.cylinder(), "face", beside="")) == 2


def test_an_exact_border_lies_on_the_exact_edge(bodies: dict[str, Nominal]) -> None:
    cylinder = bodies["cylinder"]
    axis, origin = np.array([0.2, 0.3, 1.0]) / np.linalg.norm([0.2, 0.3, 1.0]), np.array([5.0, -3.0, 2.0])
    curved = max(cylinder.face_names, key=lambda name: cylinder.face_areas[cylinder.face_index(name)])
    rims = plan.boundary(cylinder, curved)
    assert sorted(float(np.mean((rim.points - origin) @ axis)) for rim in rims) == pytest.approx([0, 35], abs=1e-6)
    for rim in rims:
        assert rim.closed
        away = rim.points - origin
        np.testing.assert_allclose(np.linalg.norm(np.cross(away, axis), axis=1), 12.0, atol=1e-6)
        assert rim.length == pytest.approx(24 * np.pi, rel=1e-4)
    (ring,) = plan.iso(cylinder, curved, v=0.25)
    assert ring.closed
    height = (ring.points - origin) @ axis
    assert np.ptp(height) < 1e-9
    assert min(abs(height[0] - 8.75), abs(height[0] - 26.25)) < 1e-6
    (line,) = plan.iso(cylinder, curved, u=0.3)
    assert line.length == pytest.approx(35, abs=1e-6)
    assert np.linalg.norm(np.cross(line.points - line.points[0], axis), axis=1).max() < 1e-9


def test_a_parameter_line_is_cut_where_the_trim_cuts_it(foil: Nominal) -> None:
    lines = plan.iso(foil, "base_top", u=0.5)  # across the plate, with the foot of the blade in the way
    assert len(lines) == 2
    ends = np.array([point for line in lines for point in (line.points[0], line.points[-1])])
    assert edge_distance(foil, ends, np.full(4, foil.face_index("base_top"))).max() < 1e-6
    assert max(np.abs(foil.engine.feet(line.points).distance).max() for line in lines) < 1e-9
    with pytest.raises(InputError, match=r"fraction of the face's range; found 1.5"):
        plan.iso(foil, "base_top", u=1.5)
    with pytest.raises(InputError, match="either `u` or `v`"):
        plan.iso(foil, "base_top")
    with pytest.raises(InputError, match=r"'face' has no parameters: the model is made of facets.*Use sections"):
        plan.iso(shapes.ball(), "face", u=0.5)
    merged = foil.rename_faces({"tip": "skin"})
    with pytest.raises(InputError, match=r"several surfaces.*found '\d+ surfaces'.*one by one"):
        plan.iso(merged, "skin", u=0.5)


@pytest.mark.parametrize("margin", [0.5, 3.0, 9.0])
def test_the_offset_of_a_rectangle_is_the_smaller_rectangle(margin: float) -> None:
    box = shapes.box()
    (inner,) = plan.offset(box, "top", margin)
    assert inner.closed
    gap = np.minimum(30 - np.abs(inner.points[:, 0]), 20 - np.abs(inner.points[:, 1]))
    np.testing.assert_allclose(gap, margin, atol=1e-6)
    assert inner.length == pytest.approx(200 - 8 * margin, rel=0.01)
    assert inner.length <= 200 - 8 * margin + 1e-9
    (line,) = plan.offset(box, "top", margin, beside="right")
    np.testing.assert_allclose(line.points[:, 0], 30 - margin, atol=1e-6)


def test_offsets_keep_their_distance_round_holes_and_corners(foil: Nominal) -> None:
    edges = plan.boundary(foil, "base_top")
    edge = np.vstack([p for e in edges for p in (e.points, e.at(np.linspace(0, e.length, 1500))[0])])
    curves = plan.offset(foil, "base_top", 2.5)
    assert len(curves) == 4  # plate, foot of the blade, slot, bore
    for curve in curves:
        away = np.linalg.norm(curve.points[:, None] - edge[None], axis=2).min(axis=1)
        np.testing.assert_allclose(away, 2.5, atol=0.02)
    with pytest.raises(InputError, match="too narrow for a margin of 2 mm"):
        plan.offset(foil, "trailing_edge", 2.0)
    with pytest.raises(InputError, match="margin must be positive"):
        plan.offset(foil, "base_top", 0.0)


def test_closed_curves_can_start_anywhere() -> None:
    (rim,) = plan.boundary(shapes.box(), "top")
    turned = rim.started_near(np.array([30.0, 20.0, 10.0]))
    assert turned.points[0] == pytest.approx([30, 20, 10])
    assert turned.length == pytest.approx(rim.length)
    assert rim.reversed().points[0] == pytest.approx(rim.points[0])
    assert "closed, 200.000 mm, on top" in repr(rim)
