"""Grids, scans, rings, pairs: where the targets come to lie, in closed form."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapes
from thorough import some

from probekit import plan
from probekit.errors import InputError, ProbekitWarning
from probekit.fit.elements import element
from probekit.nominal import Nominal, load

FOIL = Path(__file__).parents[2] / "data" / "foil"
BOX = shapes.box()


@pytest.fixture(scope="module")
def foil() -> Nominal:
    pytest.importorskip("OCP")
    return load(FOIL / "foil.step")


def positions(targets: object) -> np.ndarray:
    return targets[["x0", "y0", "z0"]].to_numpy()


def test_a_grid_laid_on_goes_there_and_back() -> None:
    targets = plan.grid_along(BOX, [0, 0, -1], faces="top", n=(3, 2), rows=[1, 0, 0])
    p = positions(targets)
    np.testing.assert_allclose(p[:, 2], 10)
    np.testing.assert_allclose(p[:, 0], [-20, 0, 20, 20, 0, -20], atol=1e-9)
    assert sorted(np.unique(np.round(p[:, 1], 9))) == [-10, 10]
    even = positions(plan.grid_along(BOX, [0, 0, -1], spacing=5.0))
    assert len(even) == 12 * 8
    assert np.linalg.norm(np.diff(even, axis=0), axis=1) == pytest.approx(5.0)


def test_a_grid_says_what_it_left_out() -> None:
    targets = plan.grid_along(BOX, [0, 0, -1], faces="top", spacing=5.0, margin=4.0)
    assert len(targets) == 10 * 6
    assert targets.attrs["notes"] == "targets left out: 36 nearer than 4 mm to an edge of their face (36 on top)"
    ball = plan.grid_along(shapes.ball(radius=20.0), [0, 0, -1], n=(10, 10))
    # middles of the squares of side 4 that lie inside the circle of radius 20
    middles = np.arange(-18, 19, 4)
    inside = sum(x**2 + y**2 < 400 for x in middles for y in middles)
    assert len(ball) == inside
    assert ball.attrs["notes"] == f"{100 - inside} points of the grid hit no face"


def test_a_grid_in_parameters_is_even_by_length_and_stays_inside_the_trim(foil: Nominal) -> None:
    top = plan.grid_uv(foil, "base_top", spacing=5.0)
    assert "lie outside the trim of 'base_top'" in top.attrs["notes"]
    outside = int(top.attrs["notes"].split()[0])
    assert len(top) + outside == 28 * 18  # 140 x 90 mm
    assert outside * 25.0 == pytest.approx(140 * 90 - foil.face_areas[foil.face_index("base_top")], rel=0.1)
    bore = plan.grid_uv(foil, "bore", n=(6, 4))
    assert len(bore) == 24
    np.testing.assert_allclose(np.hypot(bore["x0"] + 45, bore["y0"] - 26), 10, atol=1e-9)
    assert sorted(set(np.round(bore["z0"], 6))) == [-17.5, -12.5, -7.5, -2.5]
    # the parameters of the skin crowd at its leading edge, the grid does not
    skin = positions(plan.grid_uv(foil, "skin", n=(40, 3))).reshape(3, 40, 3)
    skin = np.stack([skin[0], skin[1, ::-1], skin[2]])  # the grid goes there and back
    gap = np.linalg.norm(np.diff(skin, axis=1), axis=2).mean(axis=0)
    assert gap.std() / gap.mean() < 0.1
    with pytest.raises(InputError, match="model is made of facets"):
        plan.grid_uv(BOX, "top", spacing=5)


def test_a_scan_goes_section_after_section_there_and_back(foil: Nominal) -> None:
    targets = plan.scan(BOX, [0, 1, 0], faces="top", step=10.0, spacing=12.0)
    p = positions(targets)
    rows = np.split(p, np.flatnonzero(np.abs(np.diff(p[:, 1])) > 1) + 1)
    assert [round(row[0, 1]) for row in rows] == [-15, -5, 5, 15]
    signs = [np.sign(row[-1, 0] - row[0, 0]) for row in rows]
    assert all(a == -b for a, b in pairwise(signs))
    assert np.abs(np.diff(p[:, 0])).max() == pytest.approx(12.0)
    skin = plan.scan(foil, [0, 0, 1], faces="skin", lines=8, spacing=6.0, margin=1.5)
    assert "targets left out" in skin.attrs["notes"]
    # eight levels share out the height of 100 mm; between its points a curve is a cubic, not quite in the plane
    level = np.round((skin["z0"] - 6.25) / 12.5)
    assert set(level) == set(range(8))
    np.testing.assert_allclose(skin["z0"], 6.25 + 12.5 * level, atol=2e-3)


def test_a_scan_over_a_gap_warns_of_the_sections_that_miss() -> None:
    with pytest.warns(ProbekitWarning, match="5 of 7 sections miss the faces"):
        targets = plan.scan(BOX, [1, 0.3, 0], faces=["left", "right"], lines=7, spacing=10.0)
    # each of the two sections is an upright line of 20 mm
    assert targets["face"].tolist() == ["left"] * 3 + ["right"] * 3


def test_rings_in_a_bore_lie_on_it_and_are_staggered(foil: Nominal) -> None:
    targets = plan.rings(foil, "bore", depths=3, n=4, inset=2.0)
    p = positions(targets)
    np.testing.assert_allclose(np.hypot(p[:, 0] + 45, p[:, 1] - 26), 10, atol=1e-9)
    np.testing.assert_allclose(p[:, 2], np.repeat([-2.0, -10, -18], 4), atol=1e-9)
    angle = np.degrees(np.arctan2(p[:, 1] - 26, p[:, 0] + 45)).reshape(3, 4)
    np.testing.assert_allclose((angle[1] - angle[0]) % 360, 45, atol=1e-6)
    np.testing.assert_allclose((angle[2] - angle[0] + 180) % 360, 180, atol=1e-6)
    # a bore is hollow: the outward normal points to its axis
    toward = np.einsum("ij,ij->i", targets[["i", "j"]].to_numpy(), p[:, :2] - [-45, 26])
    np.testing.assert_allclose(toward, -10, atol=1e-9)
    given = plan.rings(foil, "bore", depths=[1.0, 6.0], n=3, stagger=False, start_angle=30.0)
    assert sorted(set(np.round(given["z0"], 9))) == [-6, -1]
    first = positions(given)[0] - [-45, 26, 0]
    assert np.degrees(np.arctan2(first[1], first[0])) == pytest.approx(30)


def test_rings_leave_out_what_is_not_on_a_part_of_a_cylinder(foil: Nominal) -> None:
    end = plan.rings(foil, "slot_2", depths=2, n=16)
    assert 14 <= len(end) <= 18  # half a turn of two rings
    assert end.attrs["notes"] == f"{32 - len(end)} targets of the rings lie outside the trim of 'slot_2'"


def test_an_axis_with_few_digits_leaves_no_target_out(foil: Nominal) -> None:
    """Somebody writes an axis with so many digits; the targets are on the face all the same."""
    written = plan.Axis(np.array([-45.004, 26.003, 0.0]), np.array([0.0002, 0.0, 1.0]), 10.0)
    targets = plan.rings(foil, "bore", depths=3, n=6, axis=written)
    assert len(targets) == 18
    assert np.hypot(*(positions(targets)[:, :2] - [-45.0, 26.0]).T) == pytest.approx(10.0, abs=1e-9)
    half = plan.rings(foil, "slot_2", depths=2, n=16, axis=plan.Axis(np.array([45.001, 27.0, 0.0]), np.eye(3)[2], 5.0))
    assert 14 <= len(half) <= 18


def test_rings_on_facets_need_an_axis() -> None:
    tube = shapes.cylinder(radius=15.0, height=50.0)
    with pytest.raises(InputError, match=r"'face' has no axis: the model is made of facets\. Give axis=Axis"):
        plan.rings(tube, "face")
    axis = plan.Axis(np.zeros(3), np.array([0, 0, 2.0]), 15.0)
    targets = plan.rings(tube, "face", n=8, depths=[10.0], axis=axis)
    np.testing.assert_allclose(np.hypot(targets["x0"], targets["y0"]), 15, atol=0.01)
    np.testing.assert_allclose(targets["z0"], 40, atol=1e-6)
    with pytest.raises(InputError, match="no target of the rings lies on face 'face'"):
        plan.rings(tube, "face", axis=plan.Axis(np.array([40.0, 0, 0]), np.array([0, 0, 1.0]), 15.0))


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"n": 0}, "whole number of at least 1"),
        ({"depths": 0}, "number of rings must be at least 1"),
        ({"depths": []}, "at least one"),
        ({"depths": [np.nan]}, "must be finite numbers"),
        ({"depths": [60.0]}, r"beyond the face; found \[60.0\]; expected 0 to 50 mm"),
        ({"inset": 25.0}, "insets leave nothing"),
        ({"inset": -1.0}, "must not be negative"),
        ({"start_angle": np.inf}, "start angle must be finite"),
        ({"axis": plan.Axis(np.zeros(3), np.zeros(3), 15.0)}, "axis is not a direction"),
        ({"axis": plan.Axis(np.zeros(3), np.eye(3)[2], -1.0)}, "radius must be positive"),
    ],
)
def test_rings_that_make_no_sense_are_refused(options: dict, text: str) -> None:
    tube = shapes.cylinder(radius=15.0, height=50.0)
    with pytest.raises(InputError, match=text):
        plan.rings(tube, "face", **({"axis": plan.Axis(np.zeros(3), np.eye(3)[2], 15.0)} | options))


def test_pairs_in_a_slot_and_on_a_web_lie_opposite(foil: Nominal) -> None:
    slot = plan.pairs(foil, "slot_1", "slot_3", n=(3, 2), margin=1.0)
    web = plan.pairs(BOX, "left", "right", n=(2, 2))
    for targets, width, away in ((slot, 10.0, False), (web, 60.0, True)):
        p, normal = positions(targets).reshape(-1, 2, 3), targets[["i", "j", "k"]].to_numpy().reshape(-1, 2, 3)
        across = p[:, 1] - p[:, 0]
        assert np.linalg.norm(across, axis=1) == pytest.approx(width)
        np.testing.assert_allclose(normal[:, 0], -normal[:, 1], atol=1e-12)
        np.testing.assert_allclose(across, (-width if away else width) * normal[:, 0], atol=1e-9)
        assert targets["pair"].tolist() == list(np.repeat(np.arange(1, len(p) + 1), 2))
        plan.targets.table.check(targets)
    assert len(slot) == 12
    with pytest.raises(InputError, match="no point of face 'left' has face 'top' opposite"):
        plan.pairs(BOX, "left", "top")


def test_patterns_on_planes() -> None:
    targets = plan.plane(BOX, "front", n=(4, 2), margin=1.0)
    assert len(targets) == 8
    np.testing.assert_allclose(targets["y0"], -20)
    np.testing.assert_allclose(targets["j"], -1)
    assert set(targets["feature"]) == {"front"}
    with pytest.raises(InputError, match="closes on itself"):
        plan.plane(shapes.ball(), "face", n=(2, 2))


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: plan.grid_along(BOX, [0, 0, -1]), "either `n` or `spacing`"),
        (lambda: plan.grid_along(BOX, [0, 0, -1], n=(0, 3)), "two whole numbers of at least 1"),
        (lambda: plan.grid_along(BOX, [0, 0, -1], n=(3,)), "two whole numbers of at least 1"),
        (lambda: plan.grid_along(BOX, [0, 0, -1], spacing=np.nan), "spacing must be positive"),
        (lambda: plan.grid_along(BOX, [0, 0, -1], spacing=1e-3), "too many targets"),
        (lambda: plan.grid_along(BOX, [0, 0, 0], spacing=1), "not a direction"),
        (
            lambda: plan.grid_along(BOX, [0, 0, -1], spacing=1, rows=[0, 0, 1]),
            "rows across the grid's is not a direction",
        ),
        (lambda: plan.grid_along(BOX, [1, 0, 0], spacing=1, faces="top"), "runs along the face"),
        (lambda: plan.grid_along(BOX, [0, 0, 1], spacing=1, faces="top"), "no point of the grid lies on the face"),
        (lambda: plan.grid_along(BOX, [0, 0, -1], n=(2, 2), margin=50), "no point of the grid lies on the face"),
        (lambda: plan.scan(BOX, [0, 0, 1], spacing=1), "either `lines` or `step`"),
        (lambda: plan.scan(BOX, [0, 0, 1], lines=2, spacing=0), "`spacing` must be positive"),
        (lambda: plan.scan(BOX, [0, 0, 1], lines=np.nan, spacing=1), "`lines` must be positive"),
        (lambda: plan.scan(BOX, [0, 0, 1], step=-1, spacing=1), "`step` must be positive"),
        (lambda: plan.scan(BOX, [0, 0, 1], lines=3, spacing=1, faces="lid"), "no face with that name"),
        (lambda: plan.scan(BOX, [0, 0, 1], lines=3, spacing=1, faces="top"), "no section meets the faces"),
    ],
)
def test_grids_that_make_no_sense_are_refused(make: object, text: str) -> None:
    with pytest.raises(InputError, match=text):
        make()


def test_an_axis_needs_a_cylinder(foil: Nominal) -> None:
    axis = plan.targets.patterns.axis_of(foil, "bore")
    assert axis.radius == pytest.approx(10)
    assert axis.direction == pytest.approx([0, 0, 1])
    with pytest.raises(InputError, match="'tip' is not a cylinder; found 'plane'"):
        plan.targets.patterns.axis_of(foil, "tip")


@pytest.mark.parametrize(
    ("options", "said"),
    some(
        [
            ({}, False),
            ({"n": 4}, False),
            ({"n": 4, "stagger": False}, True),
            ({"n": 3}, True),
            ({"n": 3, "depths": 3}, False),
        ]
    ),
)
def test_rings_that_touch_the_corners_of_a_prism_say_so(options, said):
    """The default never does: its touches lie on one cylinder only, and on no two opposed places of a ring."""
    axis = plan.Axis(np.zeros(3), np.array([0.0, 0.0, 1.0]), 15.0)
    targets = plan.rings(shapes.cylinder(), "face", axis=axis, **options)
    assert any("corners of a prism" in note for note in [str(targets.attrs["notes"])]) == said
    if not options:
        assert len(targets) == 10
        places, outward = targets[["x0", "y0", "z0"]].to_numpy(), targets[["i", "j", "k"]].to_numpy()
        off = np.random.default_rng(0).normal(scale=0.003, size=(10, 1))
        fitted = element(places + off * outward, "cylinder", material="inside")
        assert abs(fitted.parameters["direction"][2]) > 0.999
        assert not fitted.ambiguous
