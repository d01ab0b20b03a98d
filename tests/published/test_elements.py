"""Least-squares elements against sources outside probekit.

- Values at 50 digits by mpmath, by another road (`make_elements_50_digits.py` beside this file, which says how). No
  published reference data set with its results was at hand.
- The circle and the ellipse of Gander, Golub and Strebel 1994.
- The library scikit-spatial.
"""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest

from probekit.errors import ProbekitWarning
from probekit.fit import element
from probekit.fit.elements.model import Element

CASES = json.loads(Path(__file__).with_name("elements_50_digits.json").read_text(encoding="utf-8"))
#: The requirement for touches of a part of some 10 to 100 mm [mm].
TOLERANCE = 1e-8


def fitted(case: dict) -> Element:
    points = np.array(case["points"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ProbekitWarning)  # short arcs: what is asked here
        return element(points, case["kind"], ball=case["ball"], material=case["material"])


def away(found: Element, name: str, expected: np.ndarray, extent: float) -> float:
    """How far a parameter is from its reference [mm], angles and directions at the end of the touches' extent."""
    value = found.parameters[name]
    if name in ("direction", "normal"):
        return float(min(np.linalg.norm(value - expected), np.linalg.norm(value + expected))) * extent
    if name == "angle":
        return abs((value - expected + 90) % 180 - 90) * np.pi / 180 * extent
    if name == "half_angle":
        return abs(value - expected) * np.pi / 180 * extent
    return float(np.abs(value - expected).max())


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c['kind']}-{c['case']}")
def test_parameters_meet_the_high_precision_reference(case):
    found = fitted(case)
    points = np.array(case["points"])
    extent = np.linalg.norm(points - points.mean(axis=0), axis=1).max()
    expected = {k: np.array(v, dtype=float) for k, v in case["parameters"].items()}
    squares = expected.pop("sum_of_squares")
    if case["case"] == "steep":
        # the apex lies 29 m away: along the axis it is known no better than the angle, magnified by (29 m / extent)^2
        off = found.parameters["apex"] - expected.pop("apex")
        direction = found.parameters["direction"]
        assert np.linalg.norm(off - (off @ direction) * direction) < 1e-6
        assert abs(off @ direction) < 1e-4
    largest = max(1.0, extent / 100)
    assert {name: away(found, name, value, extent) for name, value in expected.items()} == pytest.approx(
        dict.fromkeys(expected, 0.0), abs=TOLERANCE * largest
    )
    residual = found.residuals
    if case["kind"] == "circle":  # a circle in space also has distances along its axis
        along = (points - found.parameters["centre"]) @ found.parameters["direction"]
        residual = np.append(residual, along)
    assert residual @ residual == pytest.approx(squares, rel=1e-8, abs=len(points) * (1e-10 * largest) ** 2)


def test_every_kind_that_iterates_is_among_the_references():
    assert {c["kind"] for c in CASES} == {
        *("line2", "line", "plane", "circle2", "circle", "sphere", "cylinder", "cone", "torus"),
        *("ellipse2", "slot2", "width"),
    }


def test_published_circle():
    """W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558-578: their circle, points and result from memory.

    What is remembered is right to 4e-8; the digits beyond, and the sum of squares, are from mpmath's findroot on the
    normal equations of those points at 50 digits.
    """
    points = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
    found = element(points, "circle2")
    assert found.parameters["centre"] == pytest.approx([4.73978242, 2.98353273], abs=4e-8)
    assert found.parameters["radius"] == pytest.approx(4.71422601, abs=4e-8)
    assert found.parameters["centre"] == pytest.approx([4.7397824109060740344, 2.9835326992924751602], abs=1e-13)
    assert found.parameters["radius"] == pytest.approx(4.714226037792109746, abs=1e-13)
    assert found.residuals @ found.residuals == pytest.approx(1.2275990781836559, rel=1e-14)


def test_published_ellipse():
    """The same paper, section on geometric fits: eight points, and the ellipse to four decimals; all from memory."""
    points = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)]
    found = element(points, "ellipse2")
    assert found.parameters["centre"] == pytest.approx([2.6996, 3.8160], abs=5e-5)
    assert found.parameters["semi_axes"] == pytest.approx([6.5187, 3.0319], abs=5e-5)
    assert np.radians(found.parameters["angle"]) == pytest.approx(0.3596, abs=5e-5)
    assert np.linalg.norm(found.residuals) == pytest.approx(1.1719, abs=5e-5)


@pytest.mark.parametrize("kind", ["circle2", "sphere", "line", "plane"])
def test_same_as_scikit_spatial(kind):
    """A. J. Hynes, scikit-spatial: line and plane by singular values; its circle and sphere are algebraic fits.

    So circle and sphere agree where the touches lie on one; there a geometric and an algebraic fit are the same.
    """
    objects = pytest.importorskip("skspatial.objects")
    rng = np.random.default_rng(8)
    if kind in ("line", "plane"):
        points = rng.normal(size=(30, 3)) * [20, 8, 0.1] @ np.linalg.qr(rng.normal(size=(3, 3)))[0] + 50
        theirs = {"line": objects.Line, "plane": objects.Plane}[kind].best_fit(points)
        found = element(points, kind)
        direction = np.asarray(theirs.direction if kind == "line" else theirs.normal)
        assert abs(found.parameters["direction"] @ direction) == pytest.approx(1.0, abs=1e-12)
        assert found.parameters["point"] == pytest.approx(np.asarray(theirs.point), abs=1e-10)
        assert found.residuals == pytest.approx([theirs.distance_point(p) for p in points] if kind == "line" else [
            s * theirs.distance_point_signed(p) for s in [np.sign(found.parameters["direction"] @ direction)]
            for p in points], abs=1e-10)  # fmt: skip
        return
    d = 2 if kind == "circle2" else 3
    unit = rng.normal(size=(30, d))
    points = 12.5 * unit / np.linalg.norm(unit, axis=1)[:, None] + 40
    theirs = (objects.Circle if d == 2 else objects.Sphere).best_fit(points)
    found = element(points, kind)
    assert found.parameters["centre"] == pytest.approx(np.asarray(theirs.point), abs=1e-10)
    assert found.parameters["radius"] == pytest.approx(theirs.radius, abs=1e-10)
