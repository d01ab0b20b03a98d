"""Minimax placement: against a linear program of our own making, other optimisers, and the conditions of optimality."""

import numpy as np
import pytest
import shapes
from scipy.optimize import linprog, minimize, nnls
from scipy.spatial.transform import Rotation
from thorough import some

from probekit import FitError
from probekit.deviation import project
from probekit.deviation.projection import distance_function
from probekit.errors import ProbekitWarning
from probekit.fit import FREEDOMS, make_motion, rigid
from probekit.fit.minimax import minimax_motion
from probekit.fit.motion import free_basis
from probekit.fit.slp import Linear, linear_step
from probekit.geometry import apply_motion

SHAPES = ["box", "saddle", "bumpy_ball"]


def touched(shape, n=60, seed=0):
    nominal = getattr(shapes, shape)()
    rng = np.random.default_rng(seed)
    points, normals = (shapes.sample_box if shape == "box" else shapes.sample)(nominal, n, rng)
    points = points + normals * rng.uniform(-0.02, 0.02, size=(n, 1))
    return nominal, project(apply_motion(make_motion([0.1, -0.2, 0.05], [0.1, 0.05, -0.08]), points), nominal)


def chebyshev(xy: np.ndarray, z: np.ndarray, weights: np.ndarray | float = 1.0) -> float:
    """Least largest weighted |z - a - b x - c y|, as a linear program in a, b, c and the bound."""
    design = np.column_stack([np.ones(len(z)), xy]) * np.reshape(weights * np.ones(len(z)), (-1, 1))
    right, bound = weights * z, -np.ones((len(z), 1))
    best = linprog(
        [0, 0, 0, 1],
        A_ub=np.vstack([np.hstack([design, bound]), np.hstack([-design, bound])]),
        b_ub=np.concatenate([right, -right]),
        bounds=[(None, None)] * 3 + [(0, None)],
    )
    return float(best.fun)


@pytest.mark.parametrize("n", [4, 5, 40, 400])
def test_plane_by_linear_programming(n):
    rng = np.random.default_rng(n)
    xy = rng.uniform(-25, 25, size=(n, 2))
    z = 0.1 + 1e-3 * xy[:, 0] + rng.normal(scale=0.01, size=n)
    found = rigid(np.column_stack([xy, z]), shapes.plane_patch(), free=("tz", "rx", "ry"), method="minimax")
    assert found.objective == pytest.approx(chebyshev(xy, z), abs=1e-6)  # settled to that
    assert found.objective == pytest.approx(np.abs(found.residuals).max(), rel=1e-12)
    assert 0 <= found.certificate < 1e-6
    # a Chebyshev plane touches its zone in at least four points, on both sides
    ruling = np.abs(found.residuals) > found.objective - 2e-6
    assert ruling.sum() >= 4
    assert set(np.sign(found.residuals[ruling])) == {-1, 1}
    assert np.isfinite(found.uncertainty[2:5]).all()
    assert (found.uncertainty[2:5] > 0).all()
    assert (found.uncertainty[[0, 1, 5]] == 0).all()


def test_weights_by_linear_programming():
    rng = np.random.default_rng(1)
    xy, z, weights = rng.uniform(-25, 25, (30, 2)), rng.normal(scale=0.01, size=30), rng.uniform(0.2, 4, 30)
    found = rigid(
        np.column_stack([xy, z]), shapes.plane_patch(), free=("tz", "rx", "ry"), method="minimax", weights=weights
    )
    assert found.objective == pytest.approx(chebyshev(xy, z, np.sqrt(weights)), abs=1e-6)
    assert np.max(np.sqrt(weights) * np.abs(found.residuals)) == pytest.approx(found.objective, rel=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("seed", [0, 1])
def test_no_other_optimiser_does_better(shape, seed):
    nominal, table = touched(shape, seed=seed)
    found = rigid(table, nominal, method="minimax")
    points = apply_motion(found.motion, table[["x", "y", "z"]].to_numpy())
    measure = distance_function(table, nominal)

    def largest(p: np.ndarray) -> float:
        return float(np.abs(measure(Rotation.from_rotvec(p[3:] / 25).apply(points) + p[:3])[0]).max())

    assert largest(np.zeros(6)) == pytest.approx(found.objective, abs=1e-9)
    rng = np.random.default_rng(7)
    for size in (1e-4, 3e-3, 0.1):
        start = size * rng.normal(size=6)
        other = minimize(largest, start, method="Nelder-Mead", options={"maxiter": 900, "xatol": 1e-9, "fatol": 1e-10})
        assert other.fun > found.objective - 1e-6
    assert min(largest(2e-4 * d) for d in rng.normal(size=(300, 6))) > found.objective


@pytest.mark.parametrize("shape", SHAPES)
def test_conditions_of_optimality(shape):
    """Zero lies in the convex hull of the signed gradients of the ruling touches (Fletcher 1987, ch. 14, memory)."""
    nominal, table = touched(shape)
    found = rigid(table, nominal, method="minimax")
    points = apply_motion(found.motion, table[["x", "y", "z"]].to_numpy())

    def out_of_hull(at: np.ndarray) -> float:
        deviation, normal = distance_function(table, nominal)(at)
        rule = np.abs(deviation) > np.abs(deviation).max() - 5e-6
        arm = at - points.mean(axis=0)
        gradient = np.sign(deviation)[:, None] * np.hstack([normal, np.cross(arm, normal) / 25])
        matrix = np.vstack([gradient[rule].T, 1e3 * np.ones(rule.sum())])  # the weights sum to one
        return float(nnls(matrix, np.append(np.zeros(6), 1e3))[1])

    assert out_of_hull(points) < 1e-3
    assert out_of_hull(apply_motion(make_motion([2e-3, -1e-3, 1e-3], [2e-3, 0, 2e-3]), points)) > 0.1


@pytest.mark.parametrize("shape", SHAPES)
def test_certificate_tells_a_good_place_from_a_bad_one(shape):
    """`gap` bounds from above what is to be gained: tiny at the answer, no smaller than the true gain elsewhere."""
    nominal, table = touched(shape)
    found = rigid(table, nominal, method="minimax")
    assert found.certificate < 1e-6
    points = apply_motion(found.motion, table[["x", "y", "z"]].to_numpy())
    basis = free_basis(np.ones(6, dtype=bool), 25.0)
    for size in (0.003, 0.03):
        start = basis @ (size * np.array([1, -1, 1, 1, 1, -1]))
        there = minimax_motion(
            points, distance_function(table, nominal), basis, pivot=np.zeros(3), start=start, settled=np.inf
        )
        assert there.iterations == 1
        assert there.gap > 0.9 * (there.largest - found.objective) > 0.1 * size


def test_what_brings_nothing_is_not_moved():
    """A plane may slide and turn in itself: the placement leaves that as it is."""
    rng = np.random.default_rng(2)
    points = np.column_stack([rng.uniform(-20, 20, (50, 2)), rng.normal(scale=0.01, size=50)])
    nominal = shapes.plane_patch()
    found = minimax_motion(
        points,
        distance_function(project(points, nominal), nominal),
        free_basis(np.ones(6, dtype=bool), 15.0),
        pivot=np.zeros(3),
    )
    assert np.abs(found.parameters[[0, 1, 5]]).max() < 1e-6
    assert found.largest == pytest.approx(chebyshev(points[:, :2], points[:, 2]), abs=1e-6)


def test_no_step_is_made_for_nothing():
    """The largest residual cannot be helped: all steps are as good, and the shortest is none."""
    rng = np.random.default_rng(4)
    residual, slope = rng.uniform(-1, 1, 12), rng.normal(size=(12, 6))
    residual[0], slope[0] = 1.0, 0.0
    found = linear_step(Linear(np.append(residual, -residual), np.vstack([slope, -slope]), 1.0), 0.5)
    assert found.step == pytest.approx(np.zeros(6), abs=1e-12)
    assert found.promised == pytest.approx(0.0, abs=1e-12)


def test_middle_moves_the_zone():
    """A ball 0.3 mm larger than nominal sits in the middle of a zone from 0.2 to 0.4 mm."""
    nominal = shapes.ball()
    direction = np.random.default_rng(3).normal(size=(80, 3))
    points = 20.3 * direction / np.linalg.norm(direction, axis=1, keepdims=True) + [0.05, -0.02, 0.04]
    found = minimax_motion(
        points,
        distance_function(project(points, nominal), nominal),
        free_basis(np.array([True] * 3 + [False] * 3), 1.0),
        pivot=np.zeros(3),
        middle=0.3,
    )
    assert found.largest < 0.006  # chord error of the facets
    assert found.parameters[:3] == pytest.approx([-0.05, 0.02, -0.04], abs=0.003)


def test_too_few_steps_raise():
    nominal, table = touched("box")
    with pytest.raises(FitError, match=r"minimax fit did not converge in 1 steps .* raise max_iterations"):
        rigid(table, nominal, method="minimax", max_iterations=1)


@pytest.mark.parametrize(("n", "held"), some([(12, ()), (30, ()), (30, ("tx", "rz")), (60, ("ty",))]))
def test_covariance_by_drawing(n, held):
    """Stated uncertainty against the scatter of 60 fits to fresh touches of 3 um, each solved by itself."""
    nominal = shapes.box()
    on, normals = shapes.sample_box(nominal, n, np.random.default_rng(0))
    free = [name for name in FREEDOMS if name not in held]
    found, stated = [], []
    for seed in range(60):
        off = np.random.default_rng(seed).normal(scale=0.003, size=(n, 1))
        one = rigid(project(on + off * normals, nominal), nominal, method="minimax", free=free, u=0.003)
        found.append([*one.translation, *one.rotation_deg])
        stated.append(one.uncertainty)
    fitted = [name in free for name in FREEDOMS]
    assert (np.array(stated)[:, np.logical_not(fitted)] == 0).all()
    ratio = np.mean(stated, axis=0)[fitted] / np.std(found, axis=0)[fitted]
    assert ratio.min() > 0.8  # sd of a standard deviation of 60: 9 %; u is never less than the scatter shows
    assert ratio.max() < 1.7


def test_covariance_where_a_motion_is_held():
    """A plane fixes three; what is held at zero has no uncertainty, what is fixed has."""
    rng = np.random.default_rng(0)
    points = np.column_stack([rng.uniform(-25, 25, (20, 2)), rng.normal(scale=0.003, size=20)])
    with pytest.warns(ProbekitWarning, match="held at zero"):
        found = rigid(points, shapes.plane_patch(), method="minimax", undetermined="hold")
    assert found.covariance.shape == (6, 6)
    assert np.isfinite(found.covariance).all()
    assert found.uncertainty[[0, 1, 5]] == pytest.approx(np.zeros(3), abs=1e-6)
    assert (found.uncertainty[[2, 3, 4]] > 1e-4).all()
