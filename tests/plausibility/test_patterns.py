"""What machine or probe does to all touches is not called a chip; a chip is not called that."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from probekit.columns import CONTACT, FOOT, FOOT_NORMAL
from probekit.fit import FREEDOMS
from probekit.plausibility.residuals import datum_residuals, on_residuals

U = 0.003
EIGHT = np.arange(8) * np.pi / 4
BORE = np.column_stack([np.cos(EIGHT), np.sin(EIGHT), 0 * EIGHT])


def datums(change, seed: int) -> pd.DataFrame:
    """Touches on a block of 200 x 120 x 40 mm and in two bores, off by `change` of feet and normals, and by noise."""
    grid = [(x, y) for x in (-90.0, 0.0, 90.0) for y in (-50.0, 50.0)]
    parts = [("top", [(x, y, 0) for x, y in grid], [(0, 0, 1)] * 6)]
    for name, side in (("right", 1.0), ("left", -1.0)):
        parts.append((name, [(100 * side, y, z) for y in (-40, 40) for z in (-10, -30)], [(side, 0, 0)] * 4))
    parts += [("front", [(x, -60, -20) for x in (-80, 0, 80)], [(0, -1, 0)] * 3)]
    for name, x in (("one", -50.0), ("two", 50.0)):
        parts += [(name, 10 * BORE + [x, 0, z], -BORE) for z in (-10, -30)]
    foot, normal = (np.vstack([one[k] for one in parts]).astype(float) for k in (1, 2))
    names = [name for name, at, _ in parts for _ in at]
    off = change(foot, normal) + np.random.default_rng(seed).normal(scale=U, size=len(foot))
    table = pd.DataFrame({"touch": np.arange(len(foot)), "feature": names, "face": "skin", "deviation": off})
    for columns, values in ((FOOT, foot), (FOOT_NORMAL, normal), (CONTACT, foot + off[:, None] * normal)):
        table[list(columns)] = values
    return table


def chip(_foot: np.ndarray, normal: np.ndarray) -> np.ndarray:
    return np.where(np.arange(len(normal)) == 9, 0.04, 0.0)


def scale(foot: np.ndarray, normal: np.ndarray) -> np.ndarray:
    return 2e-4 * foot[:, 0] * normal[:, 0]


def lobes(_foot: np.ndarray, normal: np.ndarray) -> np.ndarray:
    return 0.015 * np.cos(3 * np.arctan2(normal[:, 1], normal[:, 0])) * np.linalg.norm(normal[:, :2], axis=1)


def causes(change, runs: int) -> list[tuple[str, float]]:
    """Of each run the cause, and by what the scatter exceeds the uncertainty."""
    fit = SimpleNamespace(free=FREEDOMS, method="least_squares", weights=np.ones(99), pivot=np.zeros(3))
    part, found = SimpleNamespace(face_names=(), chord_errors=()), []
    for seed in range(runs):
        table = datums(change, seed)
        fit.used = np.arange(len(table))
        said = on_residuals(datum_residuals(table, fit, part, u=U))
        found += [(one.cause, one.excess) for one in said if one.name == "datum residuals"]
    return found


@pytest.mark.parametrize(
    ("change", "words"), [(scale, "a scale of the machine along x"), (lobes, "lobing of the probe")]
)
def test_an_error_of_all_touches_is_named(change, words):
    found = causes(change, 20)
    assert len(found) == 20
    assert sum(cause.startswith(words) for cause, _ in found) >= 16
    assert all(excess > 1.5 for cause, excess in found if cause.startswith(words)), "sizes and form are off as well"


def test_a_chip_is_called_a_chip():
    found = causes(chip, 20)
    assert len(found) == 20
    assert found.count(("a chip, dirt or a burr under a touch", 1.0)) >= 18
