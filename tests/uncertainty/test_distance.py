"""What touches share reaches sizes and distances: closed forms of a slot and of the distance of two planes."""

import numpy as np
import pytest
from tolerance.touched import table

from probekit.tolerance import size
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter
from probekit.verdict import judge, proved

OWN, RADIUS, SCALE, WIDE = 0.001, 0.002, 1e-5, 200.0


@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_a_distance_of_two_planes(outward):
    """A radius error enters twice, one of the scale by the distance; own parts average over the touches."""
    y, z = (one.ravel() for one in np.meshgrid([-10.0, 0.0, 10.0], [-5.0, 5.0]))
    sides = [np.column_stack([np.full(6, s * WIDE / 2), y, z]) for s in (-1, 1)]
    points = np.vstack(sides)
    normals = np.column_stack([outward * np.sign(points[:, 0]), np.zeros(12), np.zeros(12)])
    found = table(points, normals)
    along = (points * normals).sum(axis=1)
    scatter = Scatter(np.full(12, OWN), np.column_stack([np.full(12, RADIUS), SCALE * along]), ("radius", "scale"))
    one = size(found, (WIDE - 0.1, WIDE + 0.1), of="width", method="least_squares")
    # the actual value counts both ways from the middle of the limits: twice the deviation of the size
    expected = 2 * np.sqrt(2 * OWN**2 / 6 + (2 * RADIUS) ** 2 + (SCALE * WIDE) ** 2)
    assert bounds(one, scatter).u == pytest.approx(expected, rel=1e-3)
    # exactly in the middle of its limits, as rounded results are: no less uncertain, so a narrow zone proves nothing
    narrow = size(found, (WIDE - 0.001, WIDE + 0.001), of="width", method="least_squares")
    assert narrow.actual == pytest.approx(0.0, abs=1e-9)
    assert judge(narrow, proved(), scatter) == "undecided"
