"""Datum frames against closed forms, brute force and the elements; statements about standards are from memory.

ASME Y14.5-2018 clause 7 and Y14.5.1-2019: precedence takes degrees of freedom in turn; planes by external constrained
least squares; features of size by their mating envelopes. ISO 5459:2024: planes by external minimax.
"""

import json
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize, minimize_scalar, root
from thorough import some

from probekit import InputError, ProbekitWarning, deviation, touches
from probekit.demo import demo_folder
from probekit.fit import FREEDOMS, Datum, DatumTarget, datum_frame, element, make_motion, rigid
from probekit.geometry import apply_motion, invert_motion, motion_parameters

X, Y, Z = np.eye(3)
NEAR = make_motion([0.3, -0.2, 0.15], [0.2, -0.3, 0.4])
FAR = make_motion([500.0, -300.0, 120.0], [30.0, 100.0, -60.0])


def table(**features):
    """Touches table from feature=(targets, normals, errors along the normal): contact points."""
    rows = []
    for name, (at, normals, error) in features.items():
        at = np.atleast_2d(np.asarray(at, dtype=float))
        normals = np.broadcast_to(np.asarray(normals, dtype=float), at.shape)
        moved = at + np.reshape(np.broadcast_to(error, len(at)), (-1, 1)) * normals
        block = pd.DataFrame(np.hstack([at, normals, moved]), columns=["x0", "y0", "z0", "i", "j", "k", "x", "y", "z"])
        block.insert(0, "feature", name)
        rows.append(block)
    out = pd.concat(rows, ignore_index=True)
    out.insert(0, "touch", np.arange(1, len(out) + 1))
    out.attrs["recorded"] = "contact"
    return out


def shifted(touched, motion):
    """As a part that lies off by the inverse of `motion` shows them: `motion` brings back."""
    out = touched.copy()
    out[["x", "y", "z"]] = apply_motion(invert_motion(motion), touched[["x", "y", "z"]].to_numpy())
    return out


def plane(normal, offset, places, error=0.0):
    """Touches on a plane n . x = offset, at places (n, 2) along two directions across the normal."""
    across = np.array([v for v in np.eye(3) if abs(v @ normal) < 0.5])
    return np.asarray(places, dtype=float) @ across + offset * np.asarray(normal), normal, error


def round_(point, radius, heights, angles, *, material="outside", error=0.0, axis=2):
    angles, heights = np.radians(np.asarray(angles, dtype=float)), np.asarray(heights, dtype=float)
    out = np.column_stack([np.cos(angles), np.sin(angles), np.zeros(len(angles))])
    at = out * radius + np.column_stack([np.zeros((len(angles), 2)), heights])
    order = np.roll([0, 1, 2], axis + 1)
    at, out = at[:, order], out[:, order]
    return at + point, -out if material == "outside" else out, error


GRID = [[-30, -20], [30, -20], [0, 20], [-25, 15], [28, 12]]
BLOCK = {
    "bottom": plane(-Z, 10.0, GRID),
    "left": plane(-X, 30.0, [[-15, 5], [15, 6], [0, -6]]),
    "front": plane(-Y, 20.0, [[-20, 4], [20, -4]]),
    "bore": round_((10.0, 5.0, 0.0), 6.0, [-5, -5, -5, 5, 5, 5], [0, 120, 240, 60, 180, 300]),
    "slot": (
        [[-20, 8, -4], [-5, 8, 4], [-20, 14, 4], [-5, 14, -4]],
        [[0, 1, 0], [0, 1, 0], [0, -1, 0], [0, -1, 0]],
        0.0,
    ),
    "ball": (25 * X + 8 * np.array([X, Y, -Y, Z, -Z, (X + Y) / np.sqrt(2)]), [X, Y, -Y, Z, -Z, (X + Y) / 2**0.5], 0.0),
}
PLANE_A, PLANE_B, PLANE_C = Datum("A", "plane", "bottom"), Datum("B", "plane", "left"), Datum("C", "plane", "front")
BORE, SLOT, BALL = Datum("H", "cylinder", "bore"), Datum("S", "width", "slot"), Datum("K", "sphere", "ball")


def takes(frame):
    return [
        " ".join(name for name in FREEDOMS if row[name] == "taken") for row in frame.table.to_dict(orient="records")
    ]


# --- degrees of freedom and known motions ---------------------------------------------------------------------


@pytest.mark.parametrize("motion", some([NEAR, FAR]), ids=["near", "far"])
@pytest.mark.parametrize(
    ("datums", "expected"),
    [
        ((PLANE_A, PLANE_B, PLANE_C), ["tz rx ry", "tx rz", "ty"]),
        ((PLANE_B, PLANE_A, PLANE_C), ["tx ry rz", "tz rx", "ty"]),
        ((PLANE_A, BORE, SLOT), ["tz rx ry", "tx ty", "rz"]),
        ((BORE, PLANE_A, SLOT), ["tx ty rx ry", "tz", "rz"]),
        ((BORE, SLOT, PLANE_A), ["tx ty rx ry", "rz", "tz"]),
        ((SLOT, PLANE_A, PLANE_B), ["ty rx rz", "tz ry", "tx"]),
        ((BALL, PLANE_A, SLOT), ["tx ty tz", "rx ry", "rz"]),
        ((PLANE_A, BALL, BORE), ["tz rx ry", "tx ty", "rz"]),
    ],
    ids=lambda d: "|".join(x.letter for x in d) if isinstance(d, tuple) else "",
)
def test_full_frames_take_six_and_give_the_motion(datums, expected, motion):
    """Which datum takes what: ASME Y14.5-2018 clause 7, figures of invariant degrees of freedom (from memory)."""
    frame = datum_frame(shifted(table(**BLOCK), motion), datums)
    assert takes(frame) == expected
    assert frame.free == ()
    assert frame.left.shape == (6, 0)
    assert frame.motion == pytest.approx(motion, abs=1e-9)
    assert np.abs(frame.alignment.residuals).max() < 1e-9


@pytest.mark.parametrize(
    ("datums", "free", "pivot"),
    [
        ((PLANE_A,), ("tx", "ty", "rz"), (0, 0, 0)),
        ((BORE,), ("tz", "rz"), (10, 5, 0)),
        ((BALL,), ("rx", "ry", "rz"), (25, 0, 0)),
        ((PLANE_A, PLANE_B), ("ty",), (0, 0, 0)),
        ((PLANE_A, BORE), ("rz",), (10, 5, 0)),
        ((SLOT,), ("tx", "tz", "ry"), (0, 0, 0)),
    ],
    ids=lambda d: "|".join(x.letter for x in d) if isinstance(d, tuple) and isinstance(d[0], Datum) else "",
)
def test_what_is_left_stays_at_zero(datums, free, pivot):
    """Parameters that no datum took are zero about a pivot at which to move them leaves the datums in place."""
    frame = datum_frame(shifted(table(**BLOCK), NEAR), datums, u=0.001)
    assert frame.free == free
    values = dict(zip(FREEDOMS, np.concatenate(motion_parameters(frame.motion, pivot=frame.pivot)), strict=True))
    assert [values[name] for name in free] == pytest.approx([0.0] * len(free), abs=1e-9)
    held = [k for k in range(3) if FREEDOMS[k] not in free]  # along a slide left open the pivot may lie anywhere
    assert frame.pivot[held] == pytest.approx(np.array(pivot, dtype=float)[held], abs=1e-6)
    assert np.abs(frame.alignment.residuals).max() < 1e-9
    assert (frame.uncertainty[[FREEDOMS.index(f) for f in free]] < 1e-12).all()


def test_moving_what_is_left_moves_no_datum():
    frame = datum_frame(shifted(table(**BLOCK), NEAR), (PLANE_A, BORE))
    touched = shifted(table(**BLOCK), NEAR)
    moved = apply_motion(make_motion(rotation=[0, 0, 7.0], pivot=frame.pivot) @ frame.motion, touched[["x", "y", "z"]])
    bottom, bore = moved[(touched.feature == "bottom").to_numpy()], moved[(touched.feature == "bore").to_numpy()]
    assert bottom[:, 2] == pytest.approx([-10.0] * 5, abs=1e-9)
    assert np.linalg.norm(bore[:, :2] - [10, 5], axis=1) == pytest.approx([6.0] * 6, abs=1e-9)


def test_cone_takes_five():
    angle, half = np.radians([0, 72, 144, 216, 288, 40]), np.radians(15)
    height = np.array([20.0, 30, 25, 35, 22, 33])
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(6)])
    at = ring * (height * np.tan(half))[:, None] + height[:, None] * Z
    normals = ring * np.cos(half) - np.sin(half) * Z
    touched = shifted(table(cone=(at, normals, 0.0)), NEAR)
    frame = datum_frame(touched, [Datum("A", "cone", "cone")])
    assert takes(frame) == ["tx ty tz rx ry"]
    assert frame.simulators[0].parameters["half_angle"] == pytest.approx(15.0, abs=1e-9)
    apex = frame.simulators[0].parameters["apex"]
    assert apex == pytest.approx(apply_motion(invert_motion(NEAR), np.zeros((1, 3)))[0], abs=1e-9)


def test_oblique_datum_is_named_by_direction():
    normal = np.array([0.6, 0.8, 0.0])
    across = np.array([[-0.8, 0.6, 0], [0, 0, 1.0]])
    at = np.array([[0, 0], [20, 3], [-10, 9]]) @ across + 12 * normal
    touched = shifted(table(**BLOCK, ramp=(at, normal, 0.0)), NEAR)
    frame = datum_frame(touched, (PLANE_A, Datum("B", "plane", "ramp")))
    assert frame.table["takes"].tolist() == [
        "tz, rx, ry",
        "slide along (0.600, 0.800, 0.000), turn about (0.000, 0.000, 1.000)",
    ]
    assert frame.table.loc[1, ["tx", "ty", "rz"]].tolist() == ["partly", "partly", "taken"]
    assert frame.left[:, 0] == pytest.approx(np.sign(frame.left[0, 0]) * np.array([0.8, -0.6, 0, 0, 0, 0]), abs=1e-9)
    assert any("not along the axes" in note for note in frame.notes)
    turned = make_motion(rotation=[0, 0, -np.degrees(np.arctan2(0.8, 0.6))])
    named = datum_frame(touched, (PLANE_A, Datum("B", "plane", "ramp")), nominal_frame=turned)
    assert takes(named) == ["tz rx ry", "tx rz"]


def test_lock_leaves_nothing_to_take_there():
    frame = datum_frame(shifted(table(**BLOCK), make_motion([0.2, -0.3, 0.1])), (BORE,), free=("tx", "ty", "tz"))
    assert takes(frame) == ["tx ty"]
    assert frame.translation == pytest.approx([0.2, -0.3, 0.0], abs=1e-10)
    assert frame.motion[:3, :3] == pytest.approx(np.eye(3), abs=1e-15)


def test_lock_of_shifts_leaves_turns_about_the_pivot():
    pivot = (12.0, -7.0, 3.0)
    motion = make_motion(rotation=[0, 0, 0.5], pivot=pivot)
    frame = datum_frame(shifted(table(**BLOCK), motion), (PLANE_C,), free=("rz",), pivot=pivot)
    assert takes(frame) == ["rz"]
    assert frame.motion == pytest.approx(motion, abs=1e-10)


def test_orientation_only():
    """ISO 5459 "><": the plane gives direction, the bore place along it is free for the next (from memory)."""
    only = Datum("A", "plane", "bottom", orientation_only=True)
    frame = datum_frame(shifted(table(**BLOCK), NEAR), (only, BALL, SLOT))
    assert takes(frame) == ["rx ry", "tx ty tz", "rz"]
    assert frame.motion == pytest.approx(NEAR, abs=1e-9)


# --- order of precedence --------------------------------------------------------------------------------------


def test_order_of_precedence_in_closed_form():
    """Side B leans by s from square to A. A|B: no turn, B rests on its outermost touch. B|A: a turn by atan(s)."""
    s = 0.01
    high = np.array([-6.0, 6.0, -6.0, 6.0])
    left = plane(-X, 30.0, np.column_stack([[-15, 15, 12, -12], high]), -s * (high + 10))
    touched = table(bottom=plane(-Z, 10.0, [[-30, -20], [-30, 20], [30, -20], [30, 20]]), left=left)
    first = datum_frame(touched, (PLANE_A, PLANE_B))
    assert first.rotation_deg == pytest.approx([0, 0, 0], abs=1e-9)
    assert first.translation == pytest.approx([-s * 4, 0, 0], abs=1e-9)  # outermost: z = -6, 4 above the bottom
    assert first.table["contact"].tolist() == [(1, 2, 3, 4), (5, 7)]
    second = datum_frame(touched, (PLANE_B, PLANE_A))
    a = np.arctan(s)
    assert second.rotation_deg == pytest.approx([0, -np.degrees(a), 0], abs=1e-9)
    # the measured B is x = -30 + s (z + 10); turned upright it stands at x = cos(a) (-30 + 10 s)
    assert second.translation[0] == pytest.approx(-30 - np.cos(a) * (-30 + 10 * s), abs=1e-9)
    # A, square to it, rests on the edge that is lowest after the turn, x = -30
    assert second.translation[2] == pytest.approx(-10 + 30 * np.sin(a) + 10 * np.cos(a), abs=1e-9)
    assert second.table["contact"].tolist() == [(5, 6, 7, 8), (1, 2)]


def test_three_two_one():
    """Six touches: the six equations n_i . (R x_i + t) = offset_i, against scipy's root finder."""
    six = {
        "bottom": plane(-Z, 10.0, GRID[:3], [0.01, -0.02, 0.015]),
        "left": plane(-X, 30.0, [[-15, 5], [15, -3]], [0.02, -0.01]),
        "front": plane(-Y, 20.0, [[7, 4]], 0.03),
    }
    touched = shifted(table(**six), NEAR)
    frame = datum_frame(touched, (PLANE_A, PLANE_B, PLANE_C), u=0.001)
    normals = touched[["i", "j", "k"]].to_numpy()
    offset = np.einsum("ij,ij->i", normals, touched[["x0", "y0", "z0"]].to_numpy())
    points = touched[["x", "y", "z"]].to_numpy()

    def equations(p):
        return np.einsum("ij,ij->i", normals, apply_motion(make_motion(p[:3], p[3:]), points)) - offset

    solved = root(equations, np.zeros(6), tol=1e-13)
    assert solved.success
    assert np.concatenate([frame.translation, frame.rotation_deg]) == pytest.approx(solved.x, abs=1e-9)
    assert np.abs(frame.alignment.residuals).max() < 1e-11
    slope = np.linalg.inv(
        np.array([(equations(solved.x + h) - equations(solved.x - h)) / 2e-5 for h in 1e-5 * np.eye(6)]).T
    )
    assert frame.uncertainty == pytest.approx(0.001 * np.sqrt((slope**2).sum(axis=1)), rel=1e-4)


# --- simulators -------------------------------------------------------------------------------------------------


def test_tangent_plane_rests_on_three_bumps_about_the_centroid():
    """A leaning plate with three equal bumps at 120 degrees: by symmetry the plane through the bumps is the best."""
    angle = np.radians(np.arange(0, 360, 30))
    places = 25.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    error = np.where(np.arange(12) % 4 == 0, 0.05, 0.0)
    touched = shifted(table(top=plane(Z, 5.0, places, error)), make_motion(rotation=[0.5, -0.3, 0]))
    frame = datum_frame(touched, [Datum("A", "plane", "top")])
    assert frame.table.loc[0, "contact"] == (1, 5, 9)
    assert frame.rotation_deg == pytest.approx([0.5, -0.3, 0], abs=1e-9)
    assert frame.translation[2] == pytest.approx(-0.05, abs=1e-9)
    assert frame.simulators[0].method == "tangent"


@pytest.mark.parametrize("seed", range(4))
def test_tangent_plane_against_a_general_optimiser_and_the_element(seed):
    rng = np.random.default_rng(seed)
    touched = table(top=plane(Z, 0.0, rng.uniform(-30, 30, (15, 2)), rng.normal(scale=0.02, size=15)))
    frame = datum_frame(touched, [Datum("A", "plane", "top")])
    points = touched[["x", "y", "z"]].to_numpy()

    def above(p):
        return apply_motion(make_motion([0, 0, p[0]], [p[1], p[2], 0]), points)[:, 2]

    best = minimize(
        lambda p: 1e4 * np.sum(above(p) ** 2),
        [-0.1, 0, 0],
        method="SLSQP",
        constraints={"type": "ineq", "fun": lambda p: -above(p)},
        options={"ftol": 1e-14, "maxiter": 500},
    )
    residuals = frame.alignment.residuals
    assert residuals.max() < 1e-10
    assert residuals @ residuals == pytest.approx(best.fun / 1e4, rel=1e-4)  # SLSQP oversteps by up to 1e-7 mm
    apart = element(points, "plane", method="tangent", outward=Z)
    assert np.sort(apart.residuals) == pytest.approx(np.sort(residuals), abs=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_tangent_minimax_and_minimax_planes(seed):
    """Both are parallel to the minimum zone's plane: ISO 5459:2024 (from memory), zone from the element."""
    rng = np.random.default_rng(seed)
    touched = table(top=plane(Z, 0.0, rng.uniform(-30, 30, (15, 2)), rng.normal(scale=0.02, size=15)))
    zone = element(touched[["x", "y", "z"]].to_numpy(), "plane", method="minimum_zone", outward=Z)
    for simulator, high in (("tangent_minimax", 0.0), ("minimax", zone.form / 2)):
        frame = datum_frame(touched, [Datum("A", "plane", "top", simulator=simulator)])
        residuals = frame.alignment.residuals
        assert residuals.max() == pytest.approx(high, abs=1e-8)
        assert residuals.min() == pytest.approx(high - zone.form, abs=1e-8)


def test_least_squares_plane_and_its_covariance():
    """Level plane, symmetric touches: mean height, u of the height is u / sqrt(n), of a slope u / sqrt(sum x^2)."""
    places = np.array([[-20, -10], [20, -10], [-20, 10], [20, 10]], dtype=float)
    touched = table(top=plane(Z, 0.0, places, [0.01, -0.02, 0.03, 0.0]))
    frame = datum_frame(touched, [Datum("A", "plane", "top", simulator="least_squares")], u=0.002)
    assert frame.translation[2] == pytest.approx(-0.005, abs=1e-6)
    expected = [0.001, np.degrees(0.002 / np.sqrt(400)), np.degrees(0.002 / np.sqrt(1600))]
    assert frame.uncertainty[[2, 3, 4]] == pytest.approx(expected, rel=1e-5)
    # of the errors 0.01, -0.02, 0.03, 0 a plane leaves (0.01 + 0.02 - 0.03 + 0) / 4 = 0: try one that leaves 0.01
    touched = table(top=plane(Z, 0.0, places, [0.02, -0.02, 0.00, 0.0]))
    free = datum_frame(touched, [Datum("A", "plane", "top", simulator="least_squares")])
    few = 12.706 / 1.960  # one degree of freedom: Student's 95 % point over that of the normal distribution
    assert free.uncertainty[2] == pytest.approx(few * np.sqrt(4 * 0.01**2 / 1) / 2, rel=1e-3)  # s / sqrt(n)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("material", ["inside", "outside"])
def test_secondary_bore_and_boss_are_circles_seen_along_the_primary(seed, material):
    """Brute force: the largest circle inside, the smallest about, the touches seen along the primary's normal."""
    rng = np.random.default_rng(seed)
    round_one = round_((8.0, -3.0, 0.0), 6.0, rng.uniform(-8, 8, 9), np.arange(9) * 40 + 5, material=material)
    round_one = (*round_one[:2], rng.normal(scale=0.03, size=9))
    touched = table(bottom=BLOCK["bottom"], hole=round_one)
    frame = datum_frame(touched, (PLANE_A, Datum("B", "cylinder", "hole")))
    flat = touched.loc[touched.feature == "hole", ["x", "y"]].to_numpy()
    sign = 1.0 if material == "inside" else -1.0

    def size(centre):
        return sign * (sign * np.linalg.norm(flat - centre, axis=1)).max()

    best = min(
        (
            minimize(lambda c: sign * size(c), start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
            for start in ([8, -3], [8.1, -2.9])
        ),
        key=lambda r: r.fun,
    )
    simulator = frame.simulators[1]
    assert 2 * sign * best.fun == pytest.approx(frame.table.loc[1, "size"], abs=1e-7)
    assert simulator.parameters["radius"] == pytest.approx(sign * best.fun, abs=1e-7)
    assert simulator.parameters["point"][:2] == pytest.approx(best.x, abs=1e-6)
    assert simulator.parameters["direction"] == pytest.approx([0, 0, 1], abs=1e-12)
    assert simulator.method == ("minimum_circumscribed" if material == "inside" else "maximum_inscribed")
    assert simulator.residuals.max() < 1e-10


@pytest.mark.parametrize("material", ["inside", "outside"])
def test_primary_cylinder_against_the_element(material):
    rng = np.random.default_rng(3)
    given = round_((0, 0, 0), 10.0, np.repeat([0, 15, 30], 8), np.tile(np.arange(8) * 45, 3) + 3, material=material)
    touched = table(bore=(*given[:2], rng.normal(scale=0.01, size=24)))
    frame = datum_frame(touched, [Datum("A", "cylinder", "bore")])
    method = "minimum_circumscribed" if material == "inside" else "maximum_inscribed"
    apart = element(touched[["x", "y", "z"]].to_numpy(), "cylinder", method=method, material=material)
    # where two touches rule, the place is that of least squares among those as large to first order
    assert frame.table.loc[0, "size"] == pytest.approx(2 * apart.parameters["radius"], abs=1e-4)


def test_least_squares_cylinder_against_the_element():
    rng = np.random.default_rng(4)
    given = round_((3, 2, 0), 10.0, np.repeat([0, 15, 30], 8), np.tile(np.arange(8) * 45, 3) + 3)
    touched = shifted(table(bore=(*given[:2], rng.normal(scale=0.01, size=24))), NEAR)
    frame = datum_frame(touched, [Datum("A", "cylinder", "bore", simulator="least_squares")])
    apart = element(touched[["x", "y", "z"]].to_numpy(), "cylinder", material="outside")
    found = frame.simulators[0]
    assert found.parameters["radius"] == pytest.approx(apart.parameters["radius"], abs=1e-8)
    assert abs(found.parameters["direction"] @ apart.parameters["direction"]) == pytest.approx(1, abs=1e-12)
    assert found.form == pytest.approx(apart.form, abs=1e-7)


def test_width_rests_between_its_nearest_touches():
    """Slot 6 wide with walls in by 0.02 and 0.04 at their nearest: width 5.94, middle 0.01 off."""
    at, normals, _ = BLOCK["slot"]
    touched = table(bottom=BLOCK["bottom"], slot=(at, normals, [0.02, 0.02, 0.04, 0.04]))
    frame = datum_frame(touched, (PLANE_A, SLOT))
    assert frame.table.loc[1, "size"] == pytest.approx(5.94, abs=1e-9)
    assert frame.translation[1] == pytest.approx(0.01, abs=1e-9)
    assert frame.simulators[1].parameters["width"] == pytest.approx(5.94, abs=1e-9)


def test_tertiary_keeps_its_basic_place():
    """A hole out of place as tertiary: it turns the part about the secondary bore until its axis points there."""
    off = 0.05
    second = round_((40.0, 5.0, 0.0), 4.0, [0] * 8, np.arange(8) * 45)
    touched = table(bottom=BLOCK["bottom"], bore=BLOCK["bore"], second=second)
    hole = touched.feature == "second"
    touched.loc[hole, "y"] += off
    touched.loc[hole, "x"] += 0.02
    frame = datum_frame(touched, (PLANE_A, BORE, Datum("C", "cylinder", "second")))
    assert takes(frame) == ["tz rx ry", "tx ty", "rz"]
    points = touched.loc[hole, ["x", "y", "z"]].to_numpy()

    def smallest(turn):
        moved = apply_motion(make_motion(rotation=[0, 0, turn], pivot=[10, 5, 0]), points)
        return -np.linalg.norm(moved[:, :2] - [40, 5], axis=1).min()

    best = minimize_scalar(smallest, bounds=(-0.2, 0.1), method="bounded", options={"xatol": 1e-12})
    # of all turns whose hole is as large to first order, the one that is even: the axis of the hole points there
    assert frame.rotation_deg[2] == pytest.approx(-np.degrees(np.arctan2(0.05, 30.02)), abs=5e-4)
    assert frame.table.loc[2, "size"] == pytest.approx(-2 * best.fun, abs=1e-4)
    assert best.x < -0.05  # towards y = 5, from 5.05
    shifted_to = apply_motion(frame.motion, np.array([[10.0, 5.0, 0.0]]))[0]
    assert shifted_to == pytest.approx([10, 5, 0], abs=1e-9)


# --- several features as one, targets, faces --------------------------------------------------------------------


def test_two_coaxial_bores_are_one_axis():
    first = round_((0, 0, 0), 8.0, [0, 1, 0, 1, 0, 1], np.arange(6) * 60, axis=0)
    second = round_((60.0, 0, 0), 5.0, [0, 1, 0, 1, 0, 1], np.arange(6) * 60, axis=0)
    motion = make_motion([0.0, 0.1, -0.2], [0.0, 0.1, -0.2])
    touched = shifted(table(first=first, second=second), motion)
    frame = datum_frame(touched, [Datum("A-B", "cylinder", ("first", "second"))])
    assert takes(frame) == ["ty tz ry rz"]
    assert [s.parameters["radius"] for s in frame.simulators] == pytest.approx([8.0, 5.0], abs=1e-9)
    assert frame.translation[1:] == pytest.approx(motion_parameters(motion, pivot=frame.pivot)[0][1:], abs=1e-6)
    assert np.abs(frame.alignment.residuals).max() < 1e-9
    alone = datum_frame(touched, [Datum("A", "cylinder", "first")])  # short, so its axis is badly known
    assert alone.table.loc[0, "takes"] == "ty, tz, ry, rz"


def test_simulators_of_a_multiple_feature_grow_together():
    """Two bores on one axis square to A: the sum of their sizes is largest, by a general optimiser."""
    rng = np.random.default_rng(6)
    first = (*round_((0, 0, 0), 8.0, [0] * 7, np.arange(7) * 51)[:2], rng.normal(scale=0.05, size=7))
    second = (*round_((0, 0, 20), 5.0, [0] * 7, np.arange(7) * 51 + 20)[:2], rng.normal(scale=0.01, size=7))
    touched = table(bottom=BLOCK["bottom"], first=first, second=second)
    frame = datum_frame(touched, (PLANE_A, Datum("B-C", "cylinder", ("first", "second"))))
    flat = [touched.loc[touched.feature == name, ["x", "y"]].to_numpy() for name in ("first", "second")]

    def less(centre):
        return -sum(np.linalg.norm(points - centre, axis=1).min() for points in flat)

    tight = {"xatol": 1e-10, "fatol": 1e-12, "maxiter": 2000}
    best = min(
        (minimize(less, p, method="Nelder-Mead", options=tight) for p in ([0, 0], [0.02, -0.02])), key=lambda r: r.fun
    )
    radii = [one.parameters["radius"] for one in frame.simulators[1:]]
    assert sum(radii) == pytest.approx(-best.fun, abs=1e-8)
    assert -frame.translation[:2] == pytest.approx(best.x, abs=1e-6)


def test_two_coplanar_planes_are_one_plane():
    """Pads at the same height, one 0.1 high: with three touches on one and one on the other the plane leans by that."""
    pads = table(one=plane(Z, 5.0, [[-30, -10], [-30, 10], [-20, 0]]), two=plane(Z, 5.0, [[30, -10], [30, 10]], 0.1))
    frame = datum_frame(pads, [Datum("A-B", "plane", ("one", "two"))])
    assert takes(frame) == ["tz rx ry"]
    lean = frame.rotation_deg[1]
    assert lean == pytest.approx(np.degrees(np.arctan(0.1 / 60)), abs=1e-4)
    assert frame.alignment.residuals.max() < 1e-10


def test_datum_targets_of_three_kinds():
    """Three points, a line, a point: 3-2-1 on targets; touches of one target share one vote."""
    touched = shifted(table(**BLOCK), NEAR)
    a = Datum("A", "targets", "bottom", targets=tuple(DatumTarget(f"A{k}", (*GRID[k], -10.0)) for k in range(3)))
    b = Datum("B", "targets", "left", targets=(DatumTarget("B1", (-30, -15, 5), to=(-30, 15, 6), radius=0.5),))
    c = Datum("C", "targets", "front", targets=(DatumTarget("C1", (20, -20, -4)),))
    frame = datum_frame(touched, (a, b, c))
    assert takes(frame) == ["tz rx ry", "tx rz", "ty"]
    assert frame.table["touches"].tolist() == [3, 2, 1]
    assert frame.motion == pytest.approx(NEAR, abs=1e-9)
    area = Datum(
        "A",
        "targets",
        "bottom",
        targets=(
            DatumTarget("A1", (30, -20, -10)),
            DatumTarget("A2", (-28, 0, -10), radius=21),
            DatumTarget("A3", (0, 20, -10)),
        ),
    )
    weights = datum_frame(touched, (area,)).alignment.weights
    assert sorted(weights.tolist()) == [0.5, 0.5, 1.0, 1.0]
    with pytest.raises(InputError, match="no touch is on datum target A9"):
        datum_frame(touched, [Datum("A", "targets", "bottom", targets=(DatumTarget("A9", (1, 1, -10)),))])


@pytest.fixture(scope="module")
def demo():
    from probekit.nominal import load

    part = load(
        demo_folder() / "foil" / "foil.3mf",
        faces={
            "skin": (-13.519, -3.169, 45.0),
            "base_top": (50.0, -30.0, 0.0),
            "bore": (-55.0, 26.0, -10.0),
            "slot": (30.0, 32.0, -10.0),
        },
    )
    measured = touches.read(demo_folder() / "foil" / "touches.csv")
    return part, measured, deviation.project(measured, part, stylus=2.991)


def test_freeform_datum_is_the_rigid_fit(demo):
    part, _, found = demo
    frame = datum_frame(found, [Datum("A", "face", "skin")], nominal=part)
    fitted = rigid(found, part, features=["skin"])
    assert takes(frame) == ["tx ty tz rx ry rz"]
    assert frame.alignment.rms == pytest.approx(fitted.rms, rel=1e-6)
    assert apply_motion(frame.motion, part.vertices) == pytest.approx(
        apply_motion(fitted.motion, part.vertices), abs=2e-3
    )
    assert frame.uncertainty == pytest.approx(fitted.uncertainty, rel=0.05)


def test_freeform_datum_after_others_takes_the_rest(demo):
    part, _, found = demo
    frame = datum_frame(
        found,
        [Datum("A", "plane", "base_top"), Datum("B", "cylinder", "bore"), Datum("C", "face", "skin")],
        nominal=part,
    )
    assert takes(frame) == ["tz rx ry", "tx ty", "rz"]
    outside = datum_frame(found, [Datum("A", "face", "skin", simulator="tangent")], nominal=part)
    assert outside.alignment.residuals.max() < 1e-9
    assert np.isfinite(outside.uncertainty).all()


@pytest.mark.parametrize("simulator", ["default", "least_squares"])
def test_demo_frame_finds_the_injected_motion(demo, simulator):
    """The motion of data/README.md, within three times the stated uncertainty, for both families of simulators."""
    _, measured, found = demo
    truth = json.loads((demo_folder() / "foil" / "truth.json").read_text())["motion_measured_to_nominal"]
    injected = np.array([*truth["translation"], *truth["rotation_vector_deg"]])
    datums = [
        Datum("A", "plane", "base_top", simulator=simulator),
        Datum("B", "cylinder", "bore", simulator=simulator),
        Datum("C", "width", "slot", simulator=simulator),
    ]
    frame = datum_frame(found, datums)
    assert takes(frame) == ["tz rx ry", "tx ty", "rz"]
    got = np.concatenate([frame.translation, frame.rotation_deg])
    assert (np.abs(got - injected) < 3 * frame.uncertainty).all()
    assert (frame.uncertainty < 0.003).all()
    again = datum_frame(measured, datums, ball=2.991)
    assert again.motion == pytest.approx(frame.motion, abs=1e-12)
    assert any("4 touches are not on its two parallel planes" in note for note in frame.notes)
    moved = deviation.project(frame.apply(measured), demo[0], stylus=2.991)
    assert np.abs(moved.loc[moved.feature != "skin", "deviation"]).max() < 0.012


# --- material boundary ------------------------------------------------------------------------------------------


def test_play_at_the_boundary_in_closed_form():
    """Bore 12 on a pin of 11.8: 0.1 of play all round. Tilts of a primary bore: corners at +-5 along the axis."""
    many = round_((10.0, 5.0, 0.0), 6.0, np.tile([-5.0, 5.0], 90), np.repeat(np.arange(90) * 4, 2))
    touched = table(bottom=BLOCK["bottom"], bore=many)
    pin = Datum("B", "cylinder", "bore", boundary=("MMB", 11.8))
    play = datum_frame(touched, (PLANE_A, pin)).mobility[0]
    assert play.clearance == pytest.approx(0.1, abs=1e-9)
    bounds = play.bounds.set_index("freedom")
    assert sorted(bounds.index) == ["tx", "ty"]
    assert bounds.loc[["tx", "ty"], ["low", "high"]].to_numpy() == pytest.approx(np.array([[-0.1, 0.1]] * 2), abs=2e-4)
    assert play.allows([0.07, 0.07, 0], [0, 0, 0])
    assert not play.allows([0.075, 0.075, 0], [0, 0, 0])
    first = datum_frame(touched, [pin, PLANE_A]).mobility[0]
    assert sorted(first.bounds["freedom"]) == ["rx", "ry", "tx", "ty"]
    assert first.bounds.set_index("freedom").loc["rx", "high"] == pytest.approx(np.degrees(0.1 / 5), rel=3e-3)
    assert first.pivot == pytest.approx([10, 5, 0], abs=1e-9)
    assert first.allows([0, 0, 0], [np.degrees(0.0199), 0, 0])  # about its own middle
    assert not first.allows([0, 0, 0], [np.degrees(0.0201), 0, 0])
    narrow = table(bottom=BLOCK["bottom"], bore=(*many[:2], 0.03))  # material left on all round
    assert datum_frame(narrow, (PLANE_A, pin)).mobility[0].bounds["high"].tolist() == pytest.approx(
        [0.07] * 2, abs=2e-4
    )
    tight = datum_frame(touched, (PLANE_A, Datum("B", "cylinder", "bore", boundary=("MMB", 12.1)))).mobility[0]
    assert tight.clearance == pytest.approx(-0.05, abs=1e-9)
    assert tight.bounds.empty
    assert "does not pass" in tight._repr_html_()


def test_play_of_a_boss_and_of_a_slot_that_clocks():
    boss = round_((0.0, 0.0, 0.0), 6.0, [0.0] * 72, np.arange(72) * 5, material="inside")
    touched = table(bottom=BLOCK["bottom"], boss=boss, slot=BLOCK["slot"])
    b = Datum("B", "cylinder", "boss")
    frame = datum_frame(touched, (PLANE_A, b, Datum("C", "width", "slot", boundary=("MMB", 5.8))))
    bounds = frame.mobility[0].bounds.set_index("freedom")
    # slot touched at x = -20 and -5; turning about the origin by a moves them by up to 20 a: 0.1 of play
    assert bounds.loc["rz", ["low", "high"]].tolist() == pytest.approx(
        [-np.degrees(0.1 / 20), np.degrees(0.1 / 20)], rel=1e-6
    )
    outer = datum_frame(touched, (PLANE_A, Datum("B", "cylinder", "boss", boundary=("MMB", 12.06)))).mobility[0]
    assert outer.clearance == pytest.approx(0.03, abs=1e-9)


# --- invariance, uncertainty --------------------------------------------------------------------------------------


@pytest.mark.parametrize("datums", [(PLANE_A, PLANE_B, PLANE_C), (PLANE_A, BORE, SLOT), (BORE, PLANE_A, SLOT)])
@pytest.mark.parametrize("ball", [0.0, 3.0])
def test_moving_the_part_moves_the_frame(datums, ball):
    rng = np.random.default_rng(8)
    noisy = {k: (at, n, rng.normal(scale=0.01, size=len(at)) + ball) for k, (at, n, _) in BLOCK.items()}
    touched = table(**noisy)
    touched.attrs["recorded"] = "centre"
    here = datum_frame(touched, datums, ball=ball, u=0.001)
    there = datum_frame(shifted(touched, FAR), datums, ball=ball, u=0.001)
    assert there.motion == pytest.approx(here.motion @ FAR, abs=1e-7)
    assert there.alignment.residuals == pytest.approx(here.alignment.residuals, abs=1e-8)
    assert there.table["contact"].tolist() == here.table["contact"].tolist()
    assert there.table["size"].to_numpy() == pytest.approx(here.table["size"].to_numpy(), abs=1e-8, nan_ok=True)


def test_ball_centres_and_contacts_agree():
    """Perfect shapes: centres lie a ball radius off along the normal, exactly."""
    contact = table(**BLOCK)
    centres = contact.copy()
    centres[["x", "y", "z"]] += 3.0 * contact[["i", "j", "k"]].to_numpy()
    centres.attrs["recorded"] = "centre"
    for datums in ((PLANE_A, BORE, SLOT), (BALL, PLANE_A, PLANE_B)):
        frame = datum_frame(shifted(centres, NEAR), datums, ball=3.0)
        assert frame.motion == pytest.approx(NEAR, abs=1e-9)
    with pytest.raises(InputError, match="ball centres"):
        datum_frame(centres, (PLANE_A,))
    with pytest.raises(InputError, match="contact points"):
        datum_frame(contact, (PLANE_A,), ball=3.0)


def by(simulator, *datums):
    return tuple(replace(one, simulator=simulator) for one in datums)


@pytest.mark.parametrize(
    ("datums", "motion"),
    [
        (by("least_squares", PLANE_A, BORE), FAR),
        (by("least_squares", PLANE_A, BORE, SLOT), NEAR),
    ],
)
def test_covariance_by_finite_differences(datums, motion):
    """By least squares the same; the others change hands with the scatter: `test_doubt` draws them."""
    rng = np.random.default_rng(5)
    touched = shifted(
        table(**{k: (at, n, rng.normal(scale=0.001, size=len(at))) for k, (at, n, _) in BLOCK.items()}), motion
    )  # no more than stated, for more would count
    u = 1e-3 * (1 + rng.uniform(size=len(touched)))
    frame = datum_frame(touched, datums, u=u, pivot=(1.0, 2.0, 3.0))
    slope = []
    normals = touched[["i", "j", "k"]].to_numpy() @ motion[:3, :3]
    for row in range(len(touched)):
        ends = []
        for h in (1e-5, -1e-5):
            moved = touched.copy()
            moved.loc[row, ["x", "y", "z"]] += h * normals[row]
            other = datum_frame(moved, datums, u=u, pivot=(1.0, 2.0, 3.0))
            ends.append(np.concatenate([other.translation, other.rotation_deg]))
        slope.append((ends[0] - ends[1]) / 2e-5)
    expected = (np.array(slope).T * u**2) @ np.array(slope)
    scale = np.sqrt(np.maximum(np.diag(expected), 1e-16))
    stated, expected = (one / np.outer(scale, scale) for one in (frame.covariance, expected))
    assert stated == pytest.approx(expected, abs=0.02)


# --- bare points, errors --------------------------------------------------------------------------------------------


def test_bare_points_with_nominal_parameters():
    given = table(bottom=BLOCK["bottom"], bore=BLOCK["bore"], slot=BLOCK["slot"], ball=BLOCK["ball"])
    bare = {
        name: apply_motion(invert_motion(NEAR), rows[["x", "y", "z"]].to_numpy())
        for name, rows in given.groupby("feature")
    }
    datums = (
        Datum("A", "plane", "bottom", nominal={"point": (0, 0, -10), "direction": -Z}),
        Datum(
            "B", "cylinder", "bore", material="outside", nominal={"point": (10, 5, 0), "direction": Z, "radius": 6.0}
        ),
        Datum("C", "width", "slot", material="outside", nominal={"point": (0, 11, 0), "direction": Y, "width": 6.0}),
    )
    frame = datum_frame(bare, datums)
    assert frame.motion == pytest.approx(NEAR, abs=1e-9)
    sphere = Datum("A", "sphere", "ball", material="inside", nominal={"point": (25, 0, 0), "radius": 8.0})
    assert takes(datum_frame(bare, (sphere,))) == ["tx ty tz"]
    with pytest.raises(InputError, match="where the material is"):
        datum_frame(bare, [Datum("A", "sphere", "ball", nominal={"point": (25, 0, 0), "radius": 8.0})])
    with pytest.raises(InputError, match="do not fit its kind"):
        datum_frame(bare, [Datum("A", "plane", "bottom", nominal={"point": (0, 0, -10)})])
    with pytest.raises(InputError, match="do not say where the nominal is"):
        datum_frame(bare, [PLANE_A])


ON_A_LINE = table(bottom=plane(-Z, 10.0, [[-30, -20], [0, 0], [30, 20]]), left=BLOCK["left"])


@pytest.mark.parametrize(
    ("touched", "datums", "message"),
    [
        (ON_A_LINE, (PLANE_A,), "do not fix what the datum should fix: its simulator could still turn about the axis"),
        (table(**BLOCK), (PLANE_A, Datum("B", "plane", "nothing")), "datum B: no touch is on that feature"),
        (
            table(**BLOCK, top=plane(Z, 10.0, GRID)),
            (PLANE_A, Datum("B", "plane", "top")),
            "datum B adds nothing.*could still",
        ),
        (table(**BLOCK), (PLANE_A, Datum("A", "plane", "left")), "the same letter"),
        (table(**BLOCK), (), "at least one datum"),
        (table(**BLOCK), (Datum("A", "plane", "bore"),), "no common normal"),
        (table(**BLOCK), (Datum("A", "cylinder", "ball"),), "not a cylinder"),
        (table(**BLOCK), (Datum("A", "width", "bottom"),), "two parallel planes"),
        (table(**BLOCK), (Datum("A", "cylinder", "bore", material="inside"),), "targets say the opposite"),
        (table(**BLOCK), (Datum("A", "face", "bore"),), "no nominal was given"),
        (
            table(bore=round_((0, 0, 0), 6.0, [0] * 4, [0, 90, 180, 270])),
            (Datum("A", "cylinder", "bore"),),
            "datum A has too few touches",
        ),
        (
            table(bore=round_((0, 0, 0), 6.0, [0] * 6, [0, 60, 120, 180, 240, 300])),
            (Datum("A", "cylinder", "bore"),),
            "could still turn.*farther apart",
        ),
    ],
)
def test_what_cannot_be_built(touched, datums, message):
    with pytest.raises(InputError, match=message):
        datum_frame(touched, datums)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"kind": "edge"}, "unknown kind of datum"),
        ({"kind": "plane", "simulator": "best"}, "unknown simulator"),
        ({"kind": "plane", "simulator": "mating"}, "only a feature of size has a mating envelope"),
        ({"kind": "cylinder", "simulator": "tangent"}, "for planes, cones and faces"),
        ({"kind": "cylinder", "boundary": "LMB"}, "unknown boundary"),
        ({"kind": "plane", "boundary": ("MMB", 3.0)}, "only features of size"),
        ({"kind": "cylinder", "boundary": ("MMB", 3.0, 4.0)}, "one material boundary for all"),
        ({"kind": "cylinder", "boundary": ("MMC", 3.0)}, "unknown boundary"),
        ({"kind": "cylinder", "translation": (0, 0, 0)}, "a translation is along a direction"),
        (
            {"kind": "cylinder", "translation": (1, 0, 0), "boundary": ("MMB", 3.0)},
            "free to translate is judged at RMB",
        ),
        ({"kind": ("plane", "plane"), "features": ("a",)}, "each feature needs one kind"),
        ({"kind": "plane", "targets": (DatumTarget("A1", (0, 0, 0)),)}, "datum targets need"),
    ],
)
def test_what_a_datum_cannot_be(options, message):
    with pytest.raises(InputError, match=message):
        Datum("A", **options)


def test_a_datum_after_everything_is_taken_warns():
    touched = shifted(table(**BLOCK), NEAR)
    with pytest.warns(ProbekitWarning, match="datum S adds nothing"):
        frame = datum_frame(touched, (PLANE_A, PLANE_B, PLANE_C, SLOT))
    assert takes(frame) == ["tz rx ry", "tx rz", "ty", ""]
    assert frame.motion == pytest.approx(NEAR, abs=1e-9)
    assert np.isfinite(frame.uncertainty).all()


def test_missed_touches_are_counted():
    touched = table(**BLOCK)
    touched.loc[1, ["x", "y", "z"]] = np.nan
    frame = datum_frame(touched, (PLANE_A,))
    assert frame.notes == ("datum A: 1 missed touches are not included",)
    assert frame.table.loc[0, "touches"] == 4
    touched.loc[touched.feature == "left", "x"] = np.nan
    with pytest.raises(InputError, match="no touch of datum B triggered"):
        datum_frame(touched, (PLANE_A, PLANE_B))


def test_words_and_table():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        frame = datum_frame(shifted(table(**BLOCK), NEAR), (PLANE_A, BORE))
    assert frame.sentence.startswith(
        "datum frame A|H: A (plane bottom, tangent) took tz, rx, ry; H (cylinder bore, mating)"
    )
    assert (
        "left open and held at zero: turn about the axis (0.000, 0.000, 1.000) through (10.00, 5.00" in frame.sentence
    )
    assert "held at zero: rz" in frame.alignment.sentence
    assert frame.alignment.method == "datum frame A|H"
    assert frame.alignment.free == ("tx", "ty", "tz", "rx", "ry")
    assert "<table" in frame._repr_html_()
    assert frame.inverse @ frame.motion == pytest.approx(np.eye(4), abs=1e-12)
