"""Properties of rigid fits that hold for any motion: moving part and touches together, order of rows, scale."""

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from probekit.fit import make_motion, rigid
from probekit.fit.rigid import METHODS
from probekit.geometry import apply_motion, invert_motion
from probekit.nominal import Nominal

quick = settings(max_examples=12)
lengths = st.floats(-500, 500).map(lambda v: round(v, 3))
angles = st.floats(-170, 170).map(lambda v: round(v, 2))
motions = st.builds(make_motion, st.tuples(lengths, lengths, lengths), st.tuples(angles, angles, angles))
seeds = st.integers(0, 10_000)


def touched(seed: int, n: int = 30) -> np.ndarray:
    rng = np.random.default_rng(seed)
    points, normals = shapes.sample_box(shapes.box(), n, rng)
    points = points + normals * rng.uniform(-0.03, 0.03, size=(n, 1))
    return apply_motion(make_motion(rng.uniform(-0.2, 0.2, 3), rng.uniform(-0.2, 0.2, 3)), points)


def changed(vertices: np.ndarray) -> Nominal:
    part = shapes.box()
    return Nominal(vertices, part.facets, part.facet_face, part.face_names)


@pytest.mark.parametrize("method", METHODS)
@quick
@given(motion=motions, seed=seeds)
def test_moving_part_and_touches_together(method, motion, seed):
    """Residuals stay, and the motion found is the same one seen from the moved frame: G M G^-1."""
    part, points = shapes.box(), touched(seed)
    here = rigid(points, part, method=method)
    there = rigid(apply_motion(motion, points), changed(apply_motion(motion, part.vertices)), method=method)
    close = 3e-6 if method == "minimax" else 1e-6  # settled to that
    if method == "minimax":
        assert there.objective == pytest.approx(here.objective, abs=1e-6)
        return  # the least largest deviation is unique, the placement that has it need not be
    assert there.residuals == pytest.approx(here.residuals, abs=close)
    expected = motion @ here.motion @ invert_motion(motion)
    moved = apply_motion(motion, points)
    assert np.abs(apply_motion(there.motion, moved) - apply_motion(expected, moved)).max() < close
    # the turns, as a vector, turn with the frame; so does their part of the covariance
    turn = motion[:3, :3]
    assert there.rotation_deg == pytest.approx(turn @ here.rotation_deg, abs=1e-5)
    assert there.covariance[3:, 3:] == pytest.approx(turn @ here.covariance[3:, 3:] @ turn.T, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("method", METHODS)
@quick
@given(seed=seeds, data=st.data())
def test_order_of_rows(method, seed, data):
    points = touched(seed)
    order = np.array(data.draw(st.permutations(range(len(points)))))
    one, other = (rigid(p, shapes.box(), method=method) for p in (points, points[order]))
    if method == "minimax":
        assert other.objective == pytest.approx(one.objective, abs=1e-6)
        return
    assert other.motion == pytest.approx(one.motion, abs=1e-7)
    assert other.residuals == pytest.approx(one.residuals[order], abs=1e-7)
    assert other.weights == pytest.approx(one.weights[order], abs=1e-5)


@pytest.mark.parametrize("method", METHODS)
@quick
@given(seed=seeds, scale=st.floats(0.2, 20))
def test_scale(method, seed, scale):
    """Part and touches `scale` times as large: lengths scale, angles and weights stay."""
    part, points = shapes.box(), touched(seed)
    one = rigid(points, part, method=method)
    other = rigid(scale * points, changed(scale * part.vertices), method=method)
    assert other.objective == pytest.approx(scale * one.objective, abs=2e-6 * max(scale, 1))
    if method == "minimax":
        return
    assert other.translation == pytest.approx(scale * one.translation, abs=1e-6 * max(scale, 1))
    assert other.rotation_deg == pytest.approx(one.rotation_deg, abs=1e-5)
    unit = np.array([scale] * 3 + [1] * 3)
    assert other.uncertainty == pytest.approx(unit * one.uncertainty, rel=1e-3)
    assert other.weights == pytest.approx(one.weights, abs=1e-4)
