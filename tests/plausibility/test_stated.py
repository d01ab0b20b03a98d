"""Limits of size against the size that the model has there, in closed form: cylinder, slot, web, ball."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from probekit.columns import FOOT, FOOT_NORMAL
from probekit.plausibility.stated import on_sizes


def table(foot: np.ndarray, normal: np.ndarray) -> pd.DataFrame:
    columns = dict(zip([*FOOT, *FOOT_NORMAL], np.column_stack([foot, normal]).T, strict=True))
    return pd.DataFrame({"feature": "it", "face": "face_1", **columns})


def cylinder(radius: float, arc: float = 2 * np.pi, sense: float = 1.0) -> pd.DataFrame:
    turn = np.linspace(0, arc, 7)[:-1]
    out = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    return table([30.0, -20.0, 5.0] + radius * out + np.outer(np.arange(6) % 3, [0, 0, 4.0]), sense * out)


def two_planes(width: float, sense: float) -> pd.DataFrame:
    side = np.repeat([1.0, -1.0], 3)
    foot = np.column_stack([50 + side * width / 2, np.arange(6.0), np.arange(6.0) % 2])
    return table(foot, np.outer(sense * side, [1.0, 0, 0]))


def ball(radius: float) -> pd.DataFrame:
    out = np.vstack([np.eye(3), -np.eye(3)])
    return table(7.0 + radius * out, out)


@pytest.mark.parametrize(
    ("at", "limits", "cause"),
    [
        (cylinder(4.0, sense=-1.0), (3.995, 4.01), "radii for diameters"),
        (cylinder(4.0), (15.9, 16.1), "diameters for radii"),
        (cylinder(12.7, arc=np.pi), (0.999, 1.001), "inches for mm"),
        (two_planes(8.0, -1.0), (9.98, 10.02), "another feature"),
        (two_planes(8.0, 1.0), (8.0, 8.03), None),
        (cylinder(4.0, sense=-1.0), (8.1, 8.115), None),  # a fit that the model does not show
        (ball(3.0), (5.9, 6.1), None),
        (ball(3.0), (2.9, 3.1), "radii for diameters"),
        (two_planes(8.0, 1.0).iloc[:3], (3.9, 4.1), None),  # one side has no size
    ],
)
def test_limits_of_a_size_that_the_model_does_not_have(at, limits, cause):
    found = on_sizes([("size", ("it",), limits)], at)
    assert [one.cause for one in found] == ([] if cause is None else [cause])
    assert [one.level for one in found] == ["look"] * len(found)


def test_an_allowance_and_other_features_are_left_alone():
    at = cylinder(4.0).assign(allowance=0.5)
    assert on_sizes([("size", ("it",), (8.99, 9.01))], at) == []
    assert on_sizes([("size", ("that",), (3.99, 4.01))], cylinder(4.0)) == []


def test_a_study_says_so(inspect):
    size = '\n[[tolerance]]\nkind = "size"\nname = "length"\nof = "width"\nfeatures = ["left", "right"]\n'
    _, said, told, _ = inspect(None, more=size + "limits = [49.9, 50.1]\n")
    assert told["part"] == "undecided", "nothing else is wrong"
    assert "tolerance 'length' asks for a size that the model does not have" in said
    assert "limits near 100.000 mm" in said
    assert "radii for diameters" in said
