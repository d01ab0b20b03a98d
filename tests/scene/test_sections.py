"""Planned sections: which touches belong to a curve, where on it they lie, and the zone along it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from probekit import plan
from probekit.errors import InputError
from probekit.plan.targets.curves import Curve
from probekit.scene.round_steps import round_down
from probekit.scene.sections import beside, face_limits, plane_of, with_sections
from probekit.study.model import Study
from probekit.study.sectioning import sectioned, sections_of


def asking(*sections: dict, folder: Path) -> Study:
    return Study(folder / "study.toml", {"section": list(sections)}, "0" * 64)


def ring(radius: float = 20.0) -> Curve:
    turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    circle = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(2000)])
    return Curve(circle, True, ("wall",) * 2000, "ring")


def table(feet: np.ndarray, normals: np.ndarray | None = None, face: str = "wall") -> pd.DataFrame:
    found = pd.DataFrame(feet, columns=["foot_x", "foot_y", "foot_z"])
    found[["nx", "ny", "nz"]] = feet * [1, 1, 0] if normals is None else normals
    return found.assign(deviation=0.01, face=face)


def test_stations_on_a_circle_are_radius_times_angle():
    """Closed form: the arc length of the foot at an angle is R times it, whatever its distance from the plane."""
    rng = np.random.default_rng(5)
    angle, away = rng.uniform(0.01, 6.27, 40), rng.uniform(-0.9, 0.9, 40)
    feet = np.column_stack([20 * np.cos(angle), 20 * np.sin(angle), away])
    rows, stations = beside(table(feet), ring(), 1.0)
    assert np.array_equal(rows, np.argsort(angle)), "all of them, in the order of the curve"
    assert np.abs(stations - 20 * np.sort(angle)).max() < 1e-3
    rows, _ = beside(table(feet), ring(), 0.5)
    assert set(rows) == set(np.flatnonzero(np.hypot(away, 0.0) <= 0.5 + 1e-6))
    with pytest.raises(InputError, match="above zero"):
        beside(table(feet), ring(), 0.0)


def test_a_thin_wall_keeps_its_sides_apart():
    """A wall 0.6 mm thick, touched on one side 0.5 mm beside the plane: the other side is as near in space."""
    x = np.linspace(0, 10, 101)
    there, back = (np.column_stack([x, np.full(101, y), np.zeros(101)]) for y in (0.3, -0.3))
    curve = Curve(np.vstack([there, back[::-1]]), True, ("wall",) * 202, "wall")
    outward = np.where(np.arange(202)[:, None] < 101, [0, 1, 0], [0, -1, 0])
    foot = np.array([[4.0, -0.3, 0.5]])
    _, stations = beside(table(foot, np.array([[0.0, -1.0, 0.0]])), curve, 1.0, outward)
    assert stations == pytest.approx([10 + 0.6 + 6.0])
    rows, _ = beside(table(foot, np.array([[0.0, -1.0, 0.0]]), face="lid"), curve, 1.0, outward)
    assert not len(rows), "a touch on another face is none of it"
    front = Curve(there, False, ("wall",) * 100, "front")
    rows, _ = beside(table(foot, np.array([[0.0, -1.0, 0.0]])), front, 1.0, outward[:100])
    assert not len(rows), "nor is one behind it"
    assert len(beside(table(foot), front, 1.0)[0]), "which it cannot tell without the normals"


def test_curves_without_touches_are_counted_and_zones_go_by_face(nominal, built):
    scene = with_sections(built, nominal, plan.section(nominal, (50, 0, 0), (1, 0, 0)), 4.0, "across")
    one = scene.sections[0]
    assert not one.exact
    assert one.chord_error > 0
    limits = {"skin": (-0.05, 0.05), "wall": (-0.08, 0.02)}
    found = face_limits(scene.touches)
    assert set(found) == set(limits)
    assert all(found[face] == pytest.approx(limits[face]) for face in limits)
    assert [zone.lower for zone in one.zones] == [pytest.approx(limits[f][0]) for f in dict.fromkeys(one.curve.faces)]
    assert one.zones[0].start == 0
    assert one.zones[-1].end == pytest.approx(one.curve.length)
    mixed = scene.touches.assign(lower=scene.touches["lower"].where(scene.touches["touch"] != 1, -0.04))
    assert "skin" not in face_limits(mixed), "touches of one face by different limits have no common zone"
    curves = [ring(), *plan.section(nominal, (50, 0, 0), (1, 0, 0))]
    away = Curve(curves[0].points + np.array([500, 0, 0]), True, ("skin",) * 2000, "away")
    one = with_sections(built, nominal, [away, curves[1]], 4.0, "x").sections[0]
    assert one.untouched == 1
    assert len(one.rows)


def test_planes_and_round_numbers():
    axes, names = plane_of(ring().points)
    assert names == ("x", "y")
    assert axes.tolist() == [[1, 0, 0], [0, 1, 0]]
    assert plane_of(ring().points + np.outer(np.sin(np.arange(2000)), [0, 0, 1])) is None
    assert [round_down(one) for one in (0.99, 1, 4.9, 5, 73)] == [0.5, 1, 2, 5, 50]


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ({"point": [0, 0, 900], "normal": [0, 0, 1]}, "the plane misses the faces"),
        ({"point": [0, 0, 0], "normal": [0, 0, 0]}, "is not a direction"),
        ({"point": [0, 0, 0], "nromal": [0, 0, 1]}, "section has no such key"),
        ({"how": "rings"}, "does not say how the curve is made"),
        ({"point": [0, 0, 0]}, "a key is missing"),
    ],
)
def test_what_a_study_may_not_ask_is_named(nominal, tmp_path, wanted, said):
    with pytest.raises(InputError, match=said) as told:
        sections_of(asking({"how": "boundary", "face": "skin"}, wanted, folder=tmp_path), nominal)
    assert "section 2" in str(told.value)
    assert "study.toml" in str(told.value)


def test_a_study_names_sections_by_how(nominal, built, tmp_path):
    wanted = [
        {"how": "boundary", "face": "skin", "name": "rim", "within": 3},
        {"point": [50, 0, 0], "normal": [1, 0, 0]},
    ]
    scene = sectioned(built, sections_of(asking(*wanted, folder=tmp_path), nominal), nominal)
    assert [one.name for one in scene.sections] == ["rim", "section 2"]
    rim = scene.sections[0]
    assert rim.within == 3
    assert set(rim.curve.faces) != {"wall"}
    with pytest.raises(InputError, match="too many sections"):
        sections_of(asking(*wanted * 26, folder=tmp_path), nominal)
