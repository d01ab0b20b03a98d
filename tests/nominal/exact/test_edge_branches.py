"""Nearest points of edges that have several: over a hollow, between the turns of a spiral, beside a hairpin.

Against scipy's own B-splines: dense samples, and golden sections about each one that is nearer than its neighbours.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline, make_interp_spline
from scipy.spatial import cKDTree
from thorough import count

from probekit.nominal.exact.borders import Borders
from probekit.nominal.exact.edge_table import EdgeTable, on_polylines
from probekit.nominal.exact.edges import Edge

_SAMPLES = 4001


def through(points: np.ndarray) -> Edge:
    curve = make_interp_spline(np.linspace(0, 1, len(points)), points, k=3)
    return Edge(curve.c.copy(), None, curve.t.copy(), 3)


def bezier(poles: np.ndarray, weights: np.ndarray | None = None) -> Edge:
    degree = len(poles) - 1
    return Edge(np.asarray(poles, dtype=float), weights, np.repeat([0.0, 1.0], degree + 1), degree)


TURN = np.linspace(0, 15, 40)
ALONG = np.linspace(0, 60, 25)
EDGES = {
    "hollow": bezier([(-20, 0, 0), (-18, -45, 0), (18, -38, 2), (20, 1, 0)]),
    "parabola": bezier([(-30, 30, 0), (0, -30, 0), (30, 30, 0)]),
    "arc": bezier([(-10, 0, 0), (0, -17, 0), (10, 0, 0)], np.array([1.0, 0.4, 1.0])),
    "waves": through(np.column_stack([ALONG, 5 * np.sin(ALONG / 3), 0.05 * ALONG])),
    "spiral": through(np.column_stack([(3 + TURN) * np.cos(TURN), (3 + TURN) * np.sin(TURN), 0.3 * TURN])),
    "hairpin": through(
        np.array([(0, 0, 0), (20, 0.3, 0), (40, 0, 0), (42, 1, 0), (40, 2, 0), (20, 1.7, 0), (0, 2, 0)])
    ),
    "degree 7": bezier(np.cumsum(np.random.default_rng(3).normal(scale=10, size=(8, 3)), axis=0)),
}


def curve_of(edge: Edge) -> BSpline:
    """The edge in homogeneous coordinates, as scipy has it."""
    weights = np.ones(len(edge.poles)) if edge.weights is None else edge.weights
    return BSpline(edge.knots, np.column_stack([edge.poles * weights[:, None], weights]), edge.degree)


def points_of(curve: BSpline, t: np.ndarray) -> np.ndarray:
    values = curve(t)
    return values[:, :3] / values[:, 3:]


def where_it_jumps(line: np.ndarray, rng: np.random.Generator, n: int) -> np.ndarray:
    """Points near which two places of a polyline are equally far, some of them above these."""
    i = rng.integers(1, len(line) - 1, n)
    along, inward = line[i + 1] - line[i - 1], line[i - 1] + line[i + 1] - 2.0 * line[i]
    inward -= ((inward * along).sum(axis=1) / (along * along).sum(axis=1))[:, None] * along
    inward /= np.maximum(np.linalg.norm(inward, axis=1), 1e-300)[:, None]
    low, high, tree = np.zeros(n), np.full(n, 40.0), cKDTree(line)
    for _ in range(40):
        middle = 0.5 * (low + high)
        own = tree.query(line[i] + middle[:, None] * inward)[0] > middle * (1.0 - 1e-7) - 1e-12
        low, high = np.where(own, middle, low), np.where(own, high, middle)
    out = line[i] + low[:, None] * inward + rng.normal(size=(n, 3)) * 10.0 ** rng.uniform(-5, -0.5, n)[:, None]
    return out + rng.choice([0.0, 1.0], n)[:, None] * np.array([0.0, 0.0, 4.0])


def distances(curve: BSpline, t: np.ndarray, line: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Distance (n,) of points (n, 3) by brute force."""
    away = np.pad(np.linalg.norm(line - points[:, None], axis=2), ((0, 0), (1, 1)), constant_values=np.inf)
    row, k = np.nonzero((away[:, 1:-1] <= away[:, :-2]) & (away[:, 1:-1] <= away[:, 2:]))
    low, high = t[np.maximum(k - 1, 0)], t[np.minimum(k + 1, len(t) - 1)]
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    far = lambda at: np.linalg.norm(points_of(curve, at) - points[row], axis=1)  # noqa: E731
    for _ in range(45):
        a, b = high - golden * (high - low), low + golden * (high - low)
        left = far(a) < far(b)
        low, high = np.where(left, low, a), np.where(left, b, high)
    out = away.min(axis=1)
    np.minimum.at(out, row, far(0.5 * (low + high)))
    return out


@pytest.mark.parametrize("name", EDGES)
def test_no_branch_is_missed(name):
    edge, rng = EDGES[name], np.random.default_rng(5)
    curve, t = curve_of(edge), np.linspace(*edge.ends, _SAMPLES)
    line = points_of(curve, t)
    around = rng.uniform(line.min(axis=0) - 3, line.max(axis=0) + 3, (count(40, 200), 3))
    points = np.vstack([where_it_jumps(line, rng, count(120, 600)), around])
    found = Borders([edge], [0], [[(0, 1.0)]]).nearest(points, np.zeros(len(points), dtype=np.int64))
    np.testing.assert_allclose(found.distance, distances(curve, t, line, points), rtol=0, atol=1e-8)
    np.testing.assert_allclose(np.linalg.norm(points - found.foot, axis=1), found.distance, rtol=0, atol=1e-12)


def test_nearest_segments_are_those_of_brute_force(monkeypatch):
    """Of all edges together, for touches on, near and far from them; also where few are looked at together."""
    monkeypatch.setattr("probekit.nominal.exact.edge_table._LOOKS", 500)
    straight = Edge(np.array([(0.0, 0, 0), (9, 2, 1)]), None, np.array([0.0, 0, 1, 1]), 1)
    table, rng = EdgeTable.of([*EDGES.values(), straight]), np.random.default_rng(6)
    which = rng.integers(len(EDGES) + 1, size=400)
    on = table.line[rng.integers(table.first_sample[which], table.last_sample[which] + 1)]
    points = on + rng.choice([0.0, 1e-3, 1.0, 100.0], 400)[:, None] * rng.normal(size=(400, 3))
    squared, sample = on_polylines(table, points, which)
    assert ((table.first_sample[which] <= sample) & (sample < table.last_sample[which])).all()
    start, along = table.line[:-1], np.diff(table.line, axis=0)
    for k in np.unique(which):
        some, rows = slice(table.first_sample[k], table.last_sample[k]), which == k
        away = points[rows, None] - start[some]
        part = np.clip((away * along[some]).sum(axis=2) / (along[some] ** 2).sum(axis=1), 0.0, 1.0)
        expected = ((away - part[..., None] * along[some]) ** 2).sum(axis=2)
        np.testing.assert_allclose(squared[rows], expected.min(axis=1), rtol=1e-12, atol=1e-20)
        own = expected[np.arange(rows.sum()), sample[rows] - table.first_sample[k]]
        np.testing.assert_allclose(own, expected.min(axis=1), rtol=1e-12, atol=1e-20)
    assert len(on_polylines(table, np.zeros((0, 3)), np.zeros(0, dtype=int))[0]) == 0
