"""What proves a minimum zone: anybody can add it up, and it fails where the zone is not the narrowest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes

from probekit.deviation import project
from probekit.fit import rigid
from probekit.report.tables import tables
from probekit.tolerance import flatness, profile
from probekit.tolerance.proving import proof_of
from probekit.verdict import classify


@pytest.fixture(scope="module")
def table():
    rng = np.random.default_rng(4)
    xy = rng.uniform(-25, 25, (30, 2))
    z = 0.01 * np.sin(xy[:, 0] / 9) + 2e-4 * xy[:, 1] + rng.normal(scale=0.003, size=30)
    made = project(np.column_stack([xy, z]), shapes.plane_patch())
    return made.assign(touch=np.arange(101, 131), feature="top")


def added_up(proof, table) -> np.ndarray:
    """Multiplier, side, and slope by hand: a plane rises by one, x and y under the three free motions."""
    rows = table.set_index("touch").loc[list(proof.touches)]
    by_hand = np.column_stack([np.ones(len(rows)), rows["x"], rows["y"]])
    return (np.array(proof.multiplier) * np.array(proof.side)) @ by_hand


def test_flatness_is_held_by_its_touches(table):
    proof = proof_of(flatness(table, 0.05, features=["top"]), table)
    assert sum(proof.multiplier) == pytest.approx(1.0)
    assert min(proof.multiplier) > 0
    assert len(proof.touches) == 4, "three freedoms and the width"
    assert set(proof.side) == {-1, 1}
    np.testing.assert_allclose(added_up(proof, table), 0.0, atol=1e-7)
    assert proof.left < 1e-8
    assert proof.spread < 1e-9


def test_a_zone_that_is_not_the_narrowest_has_no_proof(table):
    wide = flatness(table, 0.05, features=["top"], method="least_squares")
    assert proof_of(wide, table) is None
    best = flatness(table, 0.05, features=["top"])
    tilted = best.deviations + 1e-4 * table["x"].to_numpy()
    tilted -= 0.5 * (tilted.max() + tilted.min())
    assert proof_of(replace(best, deviations=tilted), table) is None


def test_results_carry_the_proof(table):
    judged = classify(table.assign(u=0.001), flatness(table, 0.05, features=["top"]), profile(table, 0.05))
    told = {one["kind"]: one for one in tables(judged)["evaluations"]}
    assert told["flatness"]["proof"]["among"] == "small motions"
    assert len(told["flatness"]["proof"]["touches"]) == 4
    assert "proof" not in told["profile of a surface"], "a zone that is held is not placed"


def test_minimax_placement_is_right_to_the_last_digits(table):
    """Against the plane through the contacting touches, solved exactly: four touches, four unknowns."""
    found = rigid(table, shapes.plane_patch(), free=("tz", "rx", "ry"), method="minimax")
    assert found.certificate < 1e-12
    assert sum(found.multipliers) == pytest.approx(1.0)
    held = np.abs(found.residuals[[list(found.used).index(row) for row in found.ruling]])
    assert np.ptp(held) < 1e-12
    assert held.max() == pytest.approx(found.objective, abs=1e-12)
    assert len(found.ruling) == 4


@pytest.mark.parametrize("shape", ["saddle", "bumpy_ball"])
def test_minimax_placement_on_curved_faces_reaches_rounding(shape):
    part, rng = getattr(shapes, shape)(), np.random.default_rng(0)
    points, normals = shapes.sample(part, 60, rng)
    found = rigid(project(points + normals * rng.uniform(-0.02, 0.02, (60, 1)), part), part, method="minimax")
    assert found.certificate < 1e-10
    held = np.abs(found.residuals[list(found.ruling)])
    assert np.ptp(held) < 1e-10
