"""What noise alone gives, by the linearised problem and by the whole way: projection, alignment and evaluation anew."""

from __future__ import annotations

import numpy as np
import pytest

import probekit as pk
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

U, TRIALS = 0.003, 20


@pytest.fixture(scope="module")
def perfect(demo):
    """The demo's touches as they would be on a perfect part, and how they are projected."""
    feet = demo.deviations.dropna(subset="deviation")
    table = feet[["touch", "feature", "face"]].reset_index(drop=True)
    table[["x", "y", "z"]] = feet[["foot_x", "foot_y", "foot_z"]].to_numpy()
    normals = feet[["nx", "ny", "nz"]].to_numpy()
    return table, normals, pk.deviation.Projection(demo.part, stylus=0.0)


def whole_way(table, how):
    """Largest profile of the skin and of the base, after an alignment on the datum touches, from positions alone."""
    deviations = how.project(table)
    alignment = pk.fit.rigid(deviations, how, features=["base_top", "bore", "slot"], u=U)
    aligned = how.project(alignment.apply(table))
    skin = pk.tolerance.profile(aligned, 0.2, features=["skin"], name="skin")
    base = pk.tolerance.profile(aligned, 0.05, features=["base_top"], name="base")
    return alignment, aligned, (skin, base)


def test_noise_alone_is_that_of_the_whole_way(perfect):
    """Mean of 20 runs on curved exact surfaces, against 10 000 linear trials: within four standard errors."""
    table, normals, how = perfect
    alignment, aligned, judged = whole_way(table, how)
    scatter = Scatter.independent(np.full(len(table), U))
    verdict = pk.verdict.classify(aligned, *judged, u=U, alignment=alignment)
    linear = [bounds(one, scatter).noise_alone for one in verdict.evaluations]
    rng, seen = np.random.default_rng(7), []
    for _ in range(TRIALS):
        noisy = table.copy()
        noisy[["x", "y", "z"]] += normals * rng.normal(0.0, U, (len(table), 1))
        seen.append([one.actual for one in whole_way(noisy, how)[2]])
    mean, error = np.mean(seen, axis=0), np.std(seen, axis=0, ddof=1) / np.sqrt(TRIALS)
    assert (np.abs(mean - linear) < 4 * error).all(), (mean, linear, error)
    assert (error < 0.1 * mean).all(), "enough trials to tell"
