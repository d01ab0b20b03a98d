"""The targets table: joined, cut, moved, checked; single picks by coordinates and by ray."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import plan
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import Nominal, load


@pytest.fixture(scope="module")
def box() -> Nominal:
    return shapes.box()  # 60 x 40 x 20 about the origin


def positions(targets: pd.DataFrame) -> np.ndarray:
    return targets[["x0", "y0", "z0"]].to_numpy()


def normals(targets: pd.DataFrame) -> np.ndarray:
    return targets[["i", "j", "k"]].to_numpy()


def test_a_pick_goes_to_the_nearest_point_with_the_normal_of_its_face(box: Nominal) -> None:
    targets = plan.pick(box, [[3.0, 4.0, 10.4], [-30.2, 1.0, 2.0]], feature="hand")
    np.testing.assert_allclose(positions(targets), [[3, 4, 10], [-30, 1, 2]], atol=1e-12)
    np.testing.assert_allclose(normals(targets), [[0, 0, 1], [-1, 0, 0]], atol=1e-12)
    assert targets["face"].tolist() == ["top", "left"]
    assert targets["touch"].tolist() == [1, 2]
    assert set(targets["feature"]) == {"hand"}
    assert targets.attrs == {"part": "part", "unit": "mm", "notes": ""}
    assert list(targets.columns[:9]) == ["touch", "feature", "x0", "y0", "z0", "i", "j", "k", "face"]


def test_a_pick_beside_the_part_has_the_normal_of_the_face_not_the_way_to_it(box: Nominal) -> None:
    target = plan.pick(box, [30.3, 0.0, 10.3], faces="top")
    np.testing.assert_allclose(positions(target), [[30, 0, 10]], atol=1e-12)
    np.testing.assert_allclose(normals(target), [[0, 0, 1]], atol=1e-12)


def test_a_pick_far_off_is_refused_or_warned_of(box: Nominal) -> None:
    with pytest.raises(InputError, match=r"1 of 2 points lie further than 1 mm.*point 2 .* is 5 mm off.*the frame"):
        plan.pick(box, [[0, 0, 10], [0, 0, 15]])
    with pytest.warns(ProbekitWarning, match="5 mm off"):
        kept = plan.pick(box, [[0, 0, 10], [0, 0, 15]], far="warn")
    assert len(kept) == 2
    assert len(plan.pick(box, [0, 0, 15], limit=5.1)) == 1


@pytest.mark.parametrize(
    ("points", "text"),
    [
        ([[0, 0, np.nan]], "points must be finite; found .row 0"),
        ([[0, 0, np.inf]], "points must be finite"),
        ([[0, 0]], r"wrong shape; found \(1, 2\)"),
        ([["a", 0, 0]], "are not numbers"),
    ],
)
def test_points_that_are_none_are_refused(box: Nominal, points: list, text: str) -> None:
    with pytest.raises(InputError, match=text):
        plan.pick(box, points)


def test_an_unknown_face_names_those_there_are(box: Nominal) -> None:
    with pytest.raises(InputError, match=r"no face with that name; found 'lid'; expected one of left, right"):
        plan.pick(box, [0, 0, 10], faces="lid")
    with pytest.raises(InputError, match="no face was named"):
        plan.pick(box, [0, 0, 10], faces=[])
    with pytest.raises(InputError, match="limit must be positive"):
        plan.pick(box, [0, 0, 10], limit=0.0)
    with pytest.raises(InputError, match='"error" or "warn"'):
        plan.pick(box, [0, 0, 10], far="ignore")


def test_a_ray_takes_the_first_face_it_enters(box: Nominal) -> None:
    targets = plan.pick_ray(box, [[1, 2, 100], [-100, 3, 4]], [[0, 0, -2], [1, 0, 0]])
    np.testing.assert_allclose(positions(targets), [[1, 2, 10], [-30, 3, 4]], atol=1e-9)
    assert targets["face"].tolist() == ["top", "left"]
    # from inside it only leaves; seen alone, the face behind is hit
    with pytest.raises(InputError, match=r"1 of 1 rays do not hit the model from outside; found .ray 1 from \[0.0"):
        plan.pick_ray(box, [0, 0, 0], [0, 0, 1])
    with pytest.raises(InputError, match=r"1 of 2 rays.*found .ray 2 from \[500"):
        plan.pick_ray(box, [[1, 2, 100], [500, 0, 100]], [0, 0, -1])
    with pytest.raises(InputError, match=r"ray has no direction; found .ray 1"):
        plan.pick_ray(box, [0, 0, 100], [0, 0, 0])


def test_a_ray_through_two_bodies_stops_at_the_first() -> None:
    near, far = shapes.box(centre=(0.0, 0.0, 50.0)), shapes.box()
    both = Nominal(
        np.vstack([far.vertices, near.vertices]),
        np.vstack([far.facets, near.facets + len(far.vertices)]),
        np.concatenate([far.facet_face, near.facet_face + 6]),
        (*far.face_names, *(f"near_{name}" for name in near.face_names)),
    )
    target = plan.pick_ray(both, [1, 2, 100], [0, 0, -1])
    assert target["face"].tolist() == ["near_top"]
    assert target["z0"].tolist() == pytest.approx([60.0])
    assert plan.pick_ray(both, [1, 2, 100], [0, 0, -1], faces="top")["z0"].tolist() == pytest.approx([10.0])


def test_a_pick_beside_an_exact_face_has_that_faces_normal() -> None:
    pytest.importorskip("OCP")
    foil = load(Path(__file__).parents[2] / "data" / "foil" / "foil.step")
    target = plan.pick(foil, [[70.3, 5.0, 0.3], [-35.2, 26.0, 0.4]], faces=["base_top", "bore"])
    np.testing.assert_allclose(positions(target), [[70, 5, 0], [-35, 26, 0]], atol=1e-9)
    np.testing.assert_allclose(normals(target)[0], [0, 0, 1], atol=1e-9)
    assert target["face"][0] == "base_top"
    # on an edge the target has the normal of one of its faces, never one between them
    assert np.abs(normals(target)[1]).max() == pytest.approx(1.0)


def test_a_ray_meets_the_exact_sphere_where_the_formula_says(tmp_path: object) -> None:
    pytest.importorskip("OCP")
    import exact_shapes as es

    sphere = load(es.write(es.sphere(), tmp_path / "sphere.step"))
    centre, radius = np.array([5.0, -3.0, 2.0]), 20.0
    rng = np.random.default_rng(1)
    aim = centre + rng.uniform(-9, 9, (200, 3))
    way = rng.normal(size=(200, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    start = aim - 80 * way
    b = np.einsum("ij,ij->i", start - centre, way)
    along = -b - np.sqrt(b**2 - (np.linalg.norm(start - centre, axis=1) ** 2 - radius**2))
    targets = plan.pick_ray(sphere, start, way)
    np.testing.assert_allclose(positions(targets), start + along[:, None] * way, atol=1e-9)
    np.testing.assert_allclose(normals(targets), (positions(targets) - centre) / radius, atol=1e-9)
    np.testing.assert_allclose(targets[["curvature_1", "curvature_2"]], -1 / radius, atol=1e-9)


def test_curvature_of_facets_comes_near_to_that_of_the_shape() -> None:
    ball = plan.blue_noise(shapes.ball(radius=20.0), 200, np.random.default_rng(1))
    np.testing.assert_allclose(ball[["curvature_1", "curvature_2"]], -1 / 20, rtol=0.07)
    tube = plan.blue_noise(shapes.cylinder(radius=15.0), 200, np.random.default_rng(1), margin=3.0)
    np.testing.assert_allclose(tube["curvature_1"], 0.0, atol=1e-3)
    np.testing.assert_allclose(tube["curvature_2"], -1 / 15, rtol=0.03)


def test_tables_are_joined_in_order_and_keep_their_columns_and_notes(box: Nominal) -> None:
    one = plan.drop(plan.pick(box, [[0, 0, 10], [1, 0, 10]], feature="a"), [1], why="too close")
    two = plan.pick(box, [[0, 0, -10]], feature="b").assign(critical=True)
    both = plan.join(one, two)
    assert both["touch"].tolist() == [1, 2]
    assert both["feature"].tolist() == ["a", "b"]
    assert both["critical"].tolist()[1] is True
    assert both.attrs["notes"] == "1 targets dropped: too close"
    assert plan.targets.table.check(both) is both
    with pytest.raises(InputError, match="no targets to join"):
        plan.join()
    two.attrs["part"] = "another"
    with pytest.raises(InputError, match=r"different parts; found .part, another"):
        plan.join(one, two)


def test_targets_are_dropped_and_moved_by_number(box: Nominal) -> None:
    three = plan.pick(box, [[0, 0, 10], [1, 0, 10], [2, 0, 10]])
    assert plan.drop(three, [2])["touch"].tolist() == [1, 3]
    assert plan.targets.table.renumber(plan.drop(three, [2]))["touch"].tolist() == [1, 2]
    assert len(three) == 3
    moved = plan.move(three, box, {3: (5.0, 6.0, 90.0)})
    np.testing.assert_allclose(positions(moved), [[0, 0, 10], [1, 0, 10], [5, 6, 10]], atol=1e-12)
    assert plan.move(three, box, {}).equals(three)
    with pytest.raises(InputError, match="no target with that number; found 7"):
        plan.drop(three, [7])
    with pytest.raises(InputError, match="no target with that number"):
        plan.move(three, box, {7: (0, 0, 0)})


def test_a_table_out_of_order_is_refused(box: Nominal) -> None:
    good = plan.pick(box, [[0, 0, 10], [1, 0, 10]])
    with pytest.raises(InputError, match=r"lacks columns; found .x0, face"):
        plan.targets.table.check(good.drop(columns=["x0", "face"]))
    with pytest.raises(InputError, match="column 'y0': target 2 has no finite number; found 'nan'"):
        plan.targets.table.check(good.assign(y0=[0.0, np.nan]))
    with pytest.raises(InputError, match=r"normal of target 1 is not a unit vector; found .length 2"):
        plan.targets.table.check(good.assign(k=[2.0, 1.0]))
    with pytest.raises(InputError, match="same number"):
        plan.targets.table.check(good.assign(touch=[1, 1]))
