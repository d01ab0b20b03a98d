"""What proves a zone or an envelope: anybody can add it up, and it fails where there is a better one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes
from scipy import optimize
from tolerance.touched import around
from tolerance.touched import table as touched

from probekit.deviation import project
from probekit.fit import rigid
from probekit.report.proofs import proof_data
from probekit.report.tables import tables
from probekit.tolerance import circularity, cylindricity, flatness, position, profile, size
from probekit.tolerance.proving import proof_of, proof_of_alignment, proof_of_envelope, proofs_of
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
    # the plane leans by 2e-4: the normal distance changes with its slope by that part of 0.01 mm besides x and y
    np.testing.assert_allclose(added_up(proof, table), 0.0, atol=1e-5)
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


def out_of_round(*, bore: bool, seed: int = 5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    found = around(10.0 + rng.normal(scale=0.02, size=12), n=12, heights=(0.0, 9.0, 20.0), bore=bore)
    at = found[["cx", "cy", "cz"]].to_numpy() + rng.normal(scale=0.004, size=(36, 3)) * [1, 1, 0]
    for prefix in ("", "c"):
        found[[f"{prefix}{axis}" for axis in "xyz"]] = at
    return found


def axis_by_search(points: np.ndarray, *, inscribed: bool) -> float:
    """Diameter of the best cylinder by scipy's SLSQP over axis and radius, from several starts, without slopes."""
    sign = -1.0 if inscribed else 1.0

    def reach(v):
        along = np.array([v[2] / 10.0, v[3] / 10.0, 1.0]) / np.sqrt(1 + (v[2] ** 2 + v[3] ** 2) / 100.0)
        off = points - [v[0], v[1], 10.0]
        return np.linalg.norm(off - np.outer(off @ along, along), axis=1)

    best, rng = np.inf, np.random.default_rng(0)
    for start in np.vstack([np.zeros(4), 0.02 * rng.normal(size=(6, 4))]):
        found = optimize.minimize(
            lambda v: sign * v[4],
            [*start, reach(start).min() if inscribed else reach(start).max()],
            method="SLSQP",
            constraints={"type": "ineq", "fun": lambda v: sign * (v[4] - reach(v))},
            options={"ftol": 1e-14, "maxiter": 500},
        )
        if sign * (found.x[4] - reach(found.x)).min() > -1e-9:
            best = min(best, found.fun)
    return 2.0 * abs(best)


@pytest.mark.parametrize("bore", [True, False])
def test_a_mating_envelope_is_held_by_unit_normals_that_cancel(bore):
    """Of the axis found: sum w n = 0 and sum w h n = 0, by hand from the contact points; the size by another search."""
    found = out_of_round(bore=bore)
    judged = size(found, (19.8, 20.2))
    ((one, proof),) = proofs_of(judged)
    assert one.size == pytest.approx(judged.details["mating envelope"])
    assert one.size == pytest.approx(axis_by_search(one.points, inscribed=bore), abs=2e-6)
    along, at = (np.asarray(one.element.parameters[name]) for name in ("direction", "point"))
    off = found.set_index("touch").loc[list(proof.touches), ["cx", "cy", "cz"]].to_numpy() - at
    height = off @ along
    flat = off - np.outer(height, along)
    reach = np.linalg.norm(flat, axis=1)
    np.testing.assert_allclose(reach, one.size / 2, atol=1e-6)
    weighed = np.array(proof.multiplier)[:, None] * flat / reach[:, None]
    np.testing.assert_allclose(weighed.sum(axis=0), 0.0, atol=1e-6)
    np.testing.assert_allclose((height[:, None] * weighed).sum(axis=0), 0.0, atol=2e-5)
    assert sum(proof.multiplier) == pytest.approx(1.0)
    assert min(proof.multiplier) > 0
    assert set(proof.side) == {-1 if bore else 1}
    assert proof.among == "small motions", "of a cylinder a proof is local"


@pytest.mark.parametrize("seed", range(4))
def test_cylindricity_is_held_by_the_normals_of_the_cylinder_itself(seed):
    """With those of the nominal axis nothing cancelled. The axis by scipy, from the touches that hold."""
    found = out_of_round(bore=True, seed=seed)
    judged = cylindricity(found, 0.1)
    proof = proof_of(judged, found)
    assert proof is not None
    assert proof.left < 1e-8
    at = found[["cx", "cy", "cz"]].to_numpy()

    def reach(v):
        along = np.array([v[2] / 10.0, v[3] / 10.0, 1.0]) / np.sqrt(1 + (v[2] ** 2 + v[3] ** 2) / 100.0)
        off = at - [v[0], v[1], 10.0]
        return np.linalg.norm(off - np.outer(off @ along, along), axis=1)

    held = found["touch"].isin(proof.touches).to_numpy()
    half, side = 0.5 * judged.actual, np.array(proof.side)
    order = [int(np.flatnonzero(found["touch"] == one)[0]) for one in proof.touches]

    def equal(v):  # all touches in contact stand at the limit of their side: five unknowns, five or six equations
        return reach(v)[order] - v[4] + side * half

    v = optimize.least_squares(equal, [0, 0, 0, 0, 10.0], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    assert np.abs(equal(v)).max() < 1e-8
    assert np.abs(reach(v) - v[4])[~held].max() < half + 1e-8
    slopes = optimize.approx_fprime(v, lambda v: reach(v)[order] - v[4], 1e-6)
    np.testing.assert_allclose((np.array(proof.multiplier) * side) @ slopes, 0.0, atol=1e-5)


def test_circularity_of_an_arc_is_held_about_its_own_centre():
    """About the middle of the touches, which lies far from the centre, other weights cancel and prove nothing."""
    rng, angle = np.random.default_rng(1), np.linspace(0, 2, 16)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(16)])
    at = out * (10.0 + rng.normal(scale=0.01, size=(16, 1)))
    arc = touched(at, out, foot=10.0 * out)
    judged = circularity(arc, 0.1)
    proof = proof_of(judged, arc)
    order = [int(np.flatnonzero(arc["touch"] == one)[0]) for one in proof.touches]

    def width(v):
        return np.ptp(np.linalg.norm(at[:, :2] - v, axis=1))

    centre = optimize.minimize(width, [0, 0], method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-13}).x
    assert width(centre) == pytest.approx(judged.actual, abs=1e-8)
    radial = (at[order, :2] - centre) / np.linalg.norm(at[order, :2] - centre, axis=1)[:, None]
    weighed = np.array(proof.multiplier) * np.array(proof.side)
    np.testing.assert_allclose(weighed @ np.column_stack([radial, np.ones(len(order))]), 0.0, atol=1e-5)


def test_an_envelope_that_is_not_the_best_has_no_proof():
    ((one, _),) = proofs_of(size(out_of_round(bore=True), (19.8, 20.2)))
    shifted = one.element.parameters["point"] + np.array([1e-3, 0.0, 0.0])
    moved = replace(one, element=replace(one.element, parameters={**one.element.parameters, "point": shifted}))
    assert proof_of_envelope(moved) is None


def test_a_bore_between_two_touches_is_proved_to_first_order_alone():
    """Two touches across a bore cancel, and yet the circle grows as it slides: only second order tells."""
    ((one, _),) = proofs_of(size(out_of_round(bore=True), (19.8, 20.2)))
    across = np.array([[10.0, 0, 0], [-10.0, 0, 0], [0, 12.0, 5], [0, -12.0, 5]])
    between = replace(
        one,
        ids=(1, 2, 3, 4),
        points=across,
        element=replace(
            one.element, parameters={"point": np.zeros(3), "direction": np.array([0, 0, 1.0]), "radius": 10.0}
        ),
    )
    proof = proof_of_envelope(between)
    assert proof.among == "small motions, to first order"
    assert "makes it larger, to first order" in proof.sentence


def test_a_circumscribed_sphere_is_the_smallest_of_all():
    """The smallest ball of a cube's corners has the cube's diagonal; any four that span it hold it."""
    corners = np.array([[x, y, z] for x in (-3, 3) for y in (-3, 3) for z in (-3, 3)], dtype=float)
    ball = touched(corners, corners / np.sqrt(27.0), foot=corners)
    judged = size(ball, (10.2, 10.6), of="sphere", method="minimum_circumscribed")
    ((one, proof),) = proofs_of(judged)
    assert one.size == pytest.approx(np.sqrt(108.0))
    assert proof.among == "all"
    assert "none that holds the touches is smaller" in proof.sentence


def test_two_planes_are_held_across_and_against_tilt():
    rng = np.random.default_rng(3)
    side = np.repeat([-1.0, 1.0], 15)
    at = np.column_stack([rng.uniform(-20, 20, (30, 2)), side * (5 + rng.normal(scale=0.01, size=30))])
    web = touched(at, np.column_stack([np.zeros((30, 2)), side]), foot=at * [1, 1, 0] + np.outer(5 * side, [0, 0, 1]))
    ((_, proof),) = proofs_of(size(web, (9.9, 10.1), of="width"))
    rows = web.set_index("touch").loc[list(proof.touches)]
    by_hand = np.column_stack([np.ones(len(rows)), rows["cx"], rows["cy"]]) * np.sign(rows[["cz"]].to_numpy())
    np.testing.assert_allclose(
        np.array(proof.multiplier) @ by_hand, 0.0, atol=2e-2
    )  # the normal leans by a milliradian
    assert len(proof.touches) == 4


def test_position_and_results_carry_their_envelope():
    bore = out_of_round(bore=True)
    judged = classify(bore.assign(u=0.001), position(bore, 0.2), size(bore, (19.8, 20.2)))
    told = tables(judged)["evaluations"]
    for one in told:
        (held,) = one["envelopes"]
        assert held["of"] == "maximum inscribed cylinder"
        assert held["size"] == pytest.approx(told[1]["details"]["mating envelope"])
    assert len(proof_data(judged)) == 2


def test_a_placement_by_minimax_is_proved_from_the_table_where_it_was_placed(table):
    part = shapes.plane_patch()
    found = rigid(table, part, free=("tz", "rx", "ry"), method="minimax")
    raw = table[["x", "y", "z"]].to_numpy()
    placed = project(raw @ found.motion[:3, :3].T + found.motion[:3, 3], part).assign(touch=table["touch"].to_numpy())
    proof = proof_of_alignment(found, placed)
    assert len(proof.touches) == 4
    np.testing.assert_allclose(added_up(proof, placed), 0.0, atol=1e-6)
    assert set(proof.touches) == set(table["touch"].to_numpy()[list(found.ruling)])
