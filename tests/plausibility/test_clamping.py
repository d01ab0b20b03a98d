"""Two clampings in one file: found where a feature was touched in both, and never in what form or drift do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plausibility import pad
from plausibility.jobs import Job, on_pad

import probekit as pk
from probekit.plausibility.clamping import two_clampings

MEASURED = ["x", "y", "z"]
UP = np.array([0.02, -0.02, 0.04])  # 0.05 mm in all


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return on_pad(Path(tmp_path_factory.mktemp("pad")))


def aligned(job: Job, seed: int, change: np.ndarray):
    """A run with noise, lobing and warming, its touches moved by (n, 3); after the alignment."""
    touches = pad.run(job.touches, seed=seed, shift=(0.1, -0.05, 0.02), turn=(0, 0, 0.02), lobing=0.0015, drift=0.003)
    touches[MEASURED] = touches[MEASURED].to_numpy() + change
    found = pk.deviation.project(touches, job.part, stylus=job.stylus)
    alignment = pk.fit.rigid(found, job.part, features=job.features)
    return pk.deviation.project(alignment.apply(touches), job.part, stylus=job.stylus)


@pytest.mark.parametrize("seed", range(3))
def test_a_part_that_moved_on_the_way_is_named(job: Job, seed: int) -> None:
    n = len(job.touches)
    change = np.where(np.arange(n)[:, None] >= n // 3, UP, 0.0)
    (one,) = two_clampings(aligned(job, seed, change), u=job.u)
    assert (one.level, one.name) == ("look", "two clampings")
    assert one.doubts_place
    first = job.touches["touch"].iloc[n // 3]
    assert abs(int(one.touches[0]) - int(first)) <= 2
    backwards = aligned(job, seed, change).iloc[::-1]
    assert two_clampings(backwards, np.arange(n, 0, -1.0), u=job.u)[0].touches == one.touches  # by time, not by row


@pytest.mark.parametrize("seed", range(3))
def test_form_and_drift_are_no_second_clamping(job: Job, seed: int) -> None:
    at, normal = (job.touches[names].to_numpy() for names in (["x0", "y0", "z0"], ["i", "j", "k"]))
    wave = 0.012 * np.sin(2 * np.pi * at[:, 0] / 45.0 + seed) + 0.01 * np.sin(2 * np.pi * at[:, 1] / 30.0)
    drift = (1 - np.exp(-3 * np.linspace(0, 1, len(at))))[:, None] * [0.01, -0.008, 0.012]
    assert two_clampings(aligned(job, seed, wave[:, None] * normal + drift), u=job.u) == []
    assert two_clampings(aligned(job, seed, np.zeros((len(at), 3))), u=job.u) == []


@pytest.mark.parametrize("row", [27, 28])
@pytest.mark.parametrize(("reach", "deep"), [(9.0, 0.2), (10.0, 0.15)])
def test_a_gouge_leaves_the_place_of_the_part_alone(job: Job, row: int, reach: float, deep: float) -> None:
    at, normal = (job.touches[names].to_numpy() for names in (["x0", "y0", "z0"], ["i", "j", "k"]))
    top = (job.touches["feature"] == "top").to_numpy()
    away = np.linalg.norm(at - at[np.flatnonzero(top)[row]], axis=1)
    dent = deep * top * np.exp(-((away / reach) ** 2))
    (one,) = two_clampings(aligned(job, row % 3, -dent[:, None] * normal), u=job.u)
    assert one.level == "note"
    assert "or there is a hill or a dent" in one.sentence
