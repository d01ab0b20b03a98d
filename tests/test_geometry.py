"""Directions across another, frames and rigid motions, against their definitions and SciPy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from probekit.geometry import across, apply_motion, frame_motion, invert_motion, is_rigid, make_motion, rigid_motion

DIRECTIONS = np.vstack([np.eye(3), -np.eye(3), [[1, 1, 1], [3, -2, 0]], np.random.default_rng(3).normal(size=(20, 3))])


def test_across_is_square_of_unit_length_and_right_handed() -> None:
    unit = DIRECTIONS / np.linalg.norm(DIRECTIONS, axis=1)[:, None]
    frames = np.concatenate([across(DIRECTIONS), unit[:, None]], axis=1)
    assert np.abs(frames @ frames.transpose(0, 2, 1) - np.eye(3)).max() < 1e-14
    assert np.linalg.det(frames) == pytest.approx(1.0)
    for one, frame in zip(DIRECTIONS, frames, strict=True):  # alone or many at once: the same
        assert np.array_equal(across(one), frame[:2])


def test_a_frame_sees_its_origin_at_zero_and_its_axes_along_its_own() -> None:
    x, _, z = axes = Rotation.from_rotvec([0.3, -1.1, 0.8]).as_matrix()
    origin = np.array([5.0, -2.0, 11.0])
    motion = frame_motion(x, z, origin)
    assert apply_motion(motion, np.vstack([origin, origin + axes])) == pytest.approx(
        np.vstack([np.zeros(3), np.eye(3)]), abs=1e-14
    )
    assert invert_motion(motion)[:3, 3] == pytest.approx(origin)


def test_rigid_motions_are_told_from_others() -> None:
    motion = make_motion((1.0, 2.0, 3.0), (10.0, -20.0, 130.0), pivot=(7.0, 8.0, 9.0))
    turn = Rotation.from_rotvec([10.0, -20.0, 130.0], degrees=True)
    assert is_rigid(motion)
    assert apply_motion(motion, [[7.0, 8.0, 9.0]])[0] == pytest.approx([8.0, 10.0, 12.0])
    assert motion == pytest.approx(rigid_motion(turn.as_matrix(), motion[:3, 3]))
    stretched, mirrored, far, lower = (motion.copy() for _ in range(4))
    stretched[0] *= 1.001
    mirrored[:3, 0] *= -1.0
    far[0, 3], lower[3, 0] = np.nan, 1e-3
    assert not any(map(is_rigid, (stretched, mirrored, far, lower, motion[:3], np.eye(3))))
