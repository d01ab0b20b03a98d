"""Two sheets of one face, as the two sides of a tube: the nearer one counts, however coarse the facets are."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from hard_shapes import HARD

from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.step import read_step

#: Of `hard_shapes.elliptic_ring`: middle of the section, its semi-axes, the direction of the long one in (r, z).
MIDDLE, LONG, SHORT, ALONG = 30.0, 12.0, 5.0, np.array([1.0, 0.5]) / np.hypot(1.0, 0.5)


def to_ellipse(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Distance (n,) of points from an ellipse: every stationary point between 720 samples, by Newton's method."""
    t = 2 * np.pi * np.arange(720) / 720
    away = (x[:, None] - LONG * np.cos(t)) ** 2 + (y[:, None] - SHORT * np.sin(t)) ** 2
    row, at = np.nonzero((away <= np.roll(away, 1, axis=1)) & (away <= np.roll(away, -1, axis=1)))
    s = t[at]
    for _ in range(60):
        dx, dy = LONG * np.cos(s) - x[row], SHORT * np.sin(s) - y[row]
        slope = -dx * LONG * np.sin(s) + dy * SHORT * np.cos(s)
        along = (LONG * np.sin(s)) ** 2 + (SHORT * np.cos(s)) ** 2
        bend = along - dx * LONG * np.cos(s) - dy * SHORT * np.sin(s)
        s = s - np.clip(slope / np.where(bend > 0, bend, along), -0.01, 0.01)
    out = np.full(len(x), np.inf)
    np.minimum.at(out, row, np.hypot(x[row] - LONG * np.cos(s), y[row] - SHORT * np.sin(s)))
    return out


@pytest.mark.parametrize("deflection", [0.2, 0.05])
def test_the_nearer_side_of_a_tube(deflection: float, tmp_path) -> None:
    path = es.write(HARD["elliptic ring"](), tmp_path / "ring.step")
    engine, rng = ExactEngine(read_step(path, deflection=deflection, body="*")), np.random.default_rng(3)
    n = 2000
    # beside the middle of the section, from where both sides are about as far
    x, y = rng.uniform(-LONG, LONG, n), rng.normal(size=n) * 10.0 ** rng.uniform(-5, 0.3, n)
    r, z = MIDDLE + x * ALONG[0] - y * ALONG[1], x * ALONG[1] + y * ALONG[0]
    turn = rng.uniform(0, 2 * np.pi, n)
    found = engine.feet(np.column_stack([r * np.cos(turn), r * np.sin(turn), z]))
    outside = np.where((x / LONG) ** 2 + (y / SHORT) ** 2 < 1, -1.0, 1.0)
    np.testing.assert_allclose(found.distance, outside * to_ellipse(x, y), rtol=0, atol=1e-9)


def test_a_search_gone_astray_on_a_hyperbola_says_nothing(tmp_path) -> None:
    """Its parameter is that of cosh and sinh, which overflow (warnings are errors in these tests)."""
    engine = ExactEngine(read_step(es.write(HARD["hyperbolic ridge"](), tmp_path / "ridge.step"), deflection=0.2))
    rng = np.random.default_rng(5)
    points = rng.uniform(-200.0, 200.0, (3000, 3))
    found = engine.feet(points)
    assert np.isfinite(found.distance).all()
