"""Closed B-spline faces with many poles round their seam: the CAD kernel makes too many facets of them, or hangs."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
import OCP.collections as kernel_arrays
from hard_shapes import at
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections
from OCP.GeomAPI import GeomAPI_Interpolate

from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.step import read_step
from probekit.nominal.topology import open_edges


def lobed(points, lobes, heights, turn):
    """A loft through lobed rings, each turned against the one below."""
    angle = 2 * np.pi * np.arange(points) / points
    radius = 15 + 3 * np.cos(lobes * angle)
    loft = BRepOffsetAPI_ThruSections(True, False, 1e-6)
    for k, z in enumerate(heights):
        ring = kernel_arrays.HArray1_gp_Pnt(1, points)
        for i, (r, a) in enumerate(zip(radius, angle + k * turn, strict=True)):
            ring.SetValue(i + 1, at((r * np.cos(a), r * np.sin(a), z)))
        through = GeomAPI_Interpolate(ring, True, 1e-7)
        through.Perform()
        loft.AddWire(BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(through.Curve()).Edge()).Wire())
    loft.Build()
    return loft.Shape()


def test_a_lobed_loft_is_divided_before_it_is_meshed(tmp_path):
    """As a whole its side has 73 000 facets at this deflection; with more lobes the kernel came to no end."""
    path = es.write(lobed(96, 9, (0.0, 8.0, 16.0), 0.5), tmp_path / "lobed.step")
    brep = read_step(path, deflection=0.02)
    assert len(brep.faces) == 3
    assert len(brep.facets) < 50_000
    assert open_edges(brep.facets, len(brep.vertices)) == 0
    engine, rng = ExactEngine(brep), np.random.default_rng(2)
    # beside the lines where the side was divided, a quarter turn from each other, and elsewhere
    turn = np.append(np.arange(4) * 0.5 * np.pi, rng.uniform(0, 2 * np.pi, 8))
    points = np.column_stack([17 * np.cos(turn), 17 * np.sin(turn), rng.uniform(1, 15, len(turn))])
    points += rng.normal(scale=0.1, size=points.shape)
    found = engine.feet(points)
    shape = es.read(path)
    np.testing.assert_allclose(np.abs(found.distance), es.kernel_distances(points, shape)[0], rtol=0, atol=1e-9)
    clear = np.abs(found.distance) > 1e-3
    assert ((found.distance < 0) == es.kernel_inside(points, shape))[clear].all()
