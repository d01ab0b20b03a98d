"""What a datum frame leaves free, where some of it is limited."""

import numpy as np

from probekit.fit.datums.freedom import Freedom


def test_a_freedom_that_only_plays_leaves_nothing_without_limit():
    """A frame whose one motion is limited by a boundary: what is left of it is held."""
    rows, limits = np.array([[1.0, 0.0]]), np.array([0.1])
    playing = Freedom(("datum shift of B",), np.zeros((6, 0)), np.zeros(3), np.zeros((1, 0)), limits)
    assert playing.limited
    assert playing.without_play().motions.shape == (6, 0)
    moving = Freedom(("datum shift of B",), np.eye(6)[:, :2], np.zeros(3), rows, limits)
    assert moving.without_play().motions.shape == (6, 1)
