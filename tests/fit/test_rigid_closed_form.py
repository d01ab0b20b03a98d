"""Rigid fits where the answer is known in closed form: motions put in, a sphere, a plane, textbook covariance."""

import functools

import numpy as np
import pytest
import shapes
from scipy import stats
from thorough import some

from probekit.deviation import project
from probekit.fit import FREEDOMS, make_motion, rigid
from probekit.fit.rigid import METHODS
from probekit.geometry import apply_motion, invert_motion


def off(nominal, motion, n=60, seed=0):
    """Touches on the nominal as a part that sits off by the inverse of `motion` shows them: `motion` brings back."""
    take = shapes.sample_box if nominal.face_names == shapes.BOX_FACES else shapes.sample
    points, _ = take(nominal, n, np.random.default_rng(seed))
    return apply_motion(invert_motion(motion), points)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("shape", ["box", "bumpy_ball", "saddle"])
def test_motion_put_in_is_found_back(shape, method):
    nominal = getattr(shapes, shape)()
    motion = make_motion([0.15, -0.2, 0.1], [0.12, -0.05, 0.2])
    points = off(nominal, motion)
    found = rigid(points, nominal, method=method)
    # the facets make the surface kinked: what is left is a part of the chord error on the curved ones
    close = 1e-6 if shape == "box" else 2e-4
    assert np.abs(apply_motion(found.motion, points) - apply_motion(motion, points)).max() < close
    assert np.abs(found.residuals).max() < close
    assert found.rms == pytest.approx(np.sqrt(np.mean(found.residuals**2)), rel=1e-12)
    assert found.method == method
    assert found.free == FREEDOMS
    assert found.inverse @ found.motion == pytest.approx(np.eye(4), abs=1e-12)


def test_far_from_the_origin():
    """Two metres off the origin the motion is as sharp as at it."""
    nominal = shapes.box(centre=(2000.0, -1500.0, 800.0))
    motion = make_motion([0.15, -0.2, 0.1], [0.12, -0.05, 0.2], pivot=(2000, -1500, 800))
    points = off(nominal, motion)
    found = rigid(points, nominal)
    assert np.abs(apply_motion(found.motion, points) - apply_motion(motion, points)).max() < 1e-9
    near = rigid(points - [2000, -1500, 800], shapes.box())
    assert found.uncertainty[3:] == pytest.approx(near.uncertainty[3:], abs=1e-12)
    about_centre = rigid(points, nominal, pivot=(2000, -1500, 800))
    assert about_centre.translation == pytest.approx(near.translation, abs=1e-9)
    assert about_centre.rotation_deg == pytest.approx(near.rotation_deg, abs=1e-9)


def test_big_start_error():
    """Fifteen degrees and ten millimetres, with the face of each touch known."""
    nominal = shapes.box(centre=(100.0, 50.0, 20.0))
    points, normals = shapes.sample_box(nominal, 80, np.random.default_rng(3))
    face = [nominal.face_names[2 * a + (n[a] > 0)] for n in normals for a in [int(np.abs(n).argmax())]]
    motion = make_motion([6.0, -7.0, 4.0], [8.0, -9.0, 9.0])
    measured = apply_motion(invert_motion(motion), points)
    table = project(measured, nominal)
    table = table.assign(face=face)
    table.attrs = {}
    found = rigid(project(table[["touch", "feature", "x", "y", "z", "face"]], nominal, stylus=0.0), nominal)
    assert found.motion == pytest.approx(motion, abs=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_sphere_shift_is_that_of_its_points(method):
    """Points on the facets of a ball, shifted: turns of a ball mean nothing and are held."""
    nominal = shapes.ball(centre=(30.0, 20.0, 10.0))
    points, _ = shapes.sample(nominal, 50, np.random.default_rng(4), inner=0.5)
    found = rigid(points + np.array([0.11, -0.07, 0.05]), nominal, free=("tx", "ty", "tz"), method=method)
    assert found.translation == pytest.approx([-0.11, 0.07, -0.05], abs=2e-6)


def test_sphere_of_another_size():
    """A ball 0.05 mm larger, touched at opposite points: by symmetry its centre is the mean of the touches."""
    nominal = shapes.ball()
    direction = np.random.default_rng(5).normal(size=(100, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    points = 20.05 * np.vstack([direction, -direction]) + [0.02, 0.04, -0.03]
    found = rigid(points, nominal, free=("tx", "ty", "tz"))
    assert found.translation == pytest.approx(-points.mean(axis=0), abs=1e-4)
    # facets lie inside the sphere by up to c^2 / 2 r with c, their circumradius, 0.5 mm
    assert found.residuals == pytest.approx(np.full(200, 0.053), abs=0.0035)


class TestPlane:
    """z = a + b x + c y fitted by a plane: tz, rx and ry by ordinary least squares, covariance by the textbook."""

    nominal = shapes.plane_patch()
    rng = np.random.default_rng(6)
    xy = rng.uniform(-25, 25, size=(40, 2))
    z = 0.08 + 1e-3 * xy[:, 0] - 2e-3 * xy[:, 1] + rng.normal(scale=0.01, size=40)
    points = np.column_stack([xy, z])
    free = ("tz", "rx", "ry")
    # small turns: z' = z + tz + rx y - ry x
    design = np.column_stack([np.ones(40), xy[:, 1], -xy[:, 0]])

    def test_parameters_by_lstsq(self):
        found = rigid(self.points, self.nominal, free=self.free)
        tz, rx, ry = -np.linalg.lstsq(self.design, self.z, rcond=None)[0]
        assert found.translation == pytest.approx([0, 0, tz], abs=1e-6)
        assert np.radians(found.rotation_deg) == pytest.approx([rx, ry, 0], abs=1e-7)
        assert found.iterations < 10

    def test_residuals_by_principal_axes(self):
        """The exact orthogonal fit: distances along the smallest singular vector of the centred points."""
        found = rigid(self.points, self.nominal, free=self.free)
        centred = self.points - self.points.mean(axis=0)
        normal = np.linalg.svd(centred)[2][2]
        assert found.residuals == pytest.approx(centred @ normal * np.sign(normal[2]), abs=1e-9)

    def test_covariance_by_the_textbook(self):
        """s^2 (A^T A)^-1 with s^2 for n - 3 freedoms."""
        found = rigid(self.points, self.nominal, free=self.free)
        left = self.z - self.design @ np.linalg.lstsq(self.design, self.z, rcond=None)[0]
        expected = left @ left / 37 * np.linalg.inv(self.design.T @ self.design)
        unit = np.array([1, 180 / np.pi, 180 / np.pi])
        scale = np.sqrt(np.diag(expected)) * unit
        correlation = expected * np.outer(unit, unit) / np.outer(scale, scale)
        assert found.covariance[2:5, 2:5] / np.outer(scale, scale) == pytest.approx(correlation, abs=1e-4)
        assert not found.covariance[[0, 1, 5]].any()
        assert not found.covariance[:, [0, 1, 5]].any()
        assert found.uncertainty[2] == pytest.approx(np.sqrt(expected[0, 0]), rel=1e-4)

    def test_known_uncertainty_is_a_floor_of_the_scatter(self):
        inverse = np.linalg.inv(self.design.T @ self.design)
        floor = rigid(self.points, self.nominal, free=self.free, u=0.05)
        assert floor.covariance[2, 2] == pytest.approx(0.05**2 * inverse[0, 0], rel=1e-4)
        low = rigid(self.points, self.nominal, free=self.free, u=0.001)
        assert low.covariance == pytest.approx(rigid(self.points, self.nominal, free=self.free).covariance, rel=1e-9)

    def test_weighted_parameters_and_covariance(self):
        u = np.random.default_rng(7).uniform(0.005, 0.05, 40)
        found = rigid(self.points, self.nominal, free=self.free, u=u)
        a, b = self.design / u[:, None], self.z / u
        tz, rx, ry = -np.linalg.lstsq(a, b, rcond=None)[0]
        assert found.translation[2] == pytest.approx(tz, abs=1e-6)
        assert np.radians(found.rotation_deg[:2]) == pytest.approx([rx, ry], abs=1e-7)
        scatter = max(1.0, np.sum((b + a @ [tz, rx, ry]) ** 2) / 37)
        assert found.covariance[2, 2] == pytest.approx(scatter * np.linalg.inv(a.T @ a)[0, 0], rel=1e-4)
        assert found.weights.max() == 1.0
        assert found.weights == pytest.approx((u.min() / u) ** 2, rel=1e-12)

    def test_as_many_touches_as_freedoms(self):
        """Three touches fix a plane exactly; nothing is left to tell the scatter from, so it must be told."""
        three = self.points[[0, 1, 2]]
        found = rigid(three, self.nominal, free=self.free)
        assert np.abs(found.residuals).max() < 1e-9
        assert np.isnan(found.uncertainty[2:5]).all()
        assert (found.uncertainty[[0, 1, 5]] == 0).all()
        told = rigid(three, self.nominal, free=self.free, u=0.002)
        expected = 0.002**2 * np.linalg.inv(self.design[:3].T @ self.design[:3])
        assert told.covariance[2, 2] == pytest.approx(expected[0, 0], rel=1e-4)


@functools.cache
def monte_carlo(method, n_fits, sigma=0.01, n=36):
    nominal = shapes.box()
    rng = np.random.default_rng(8)
    points, normals = shapes.sample_box(nominal, n, rng)
    return [
        rigid(points + normals * rng.normal(scale=sigma, size=(n, 1)), nominal, method=method, pivot=(5, 0, 0))
        for _ in range(n_fits)
    ]


def test_covariance_by_monte_carlo():
    """The squared distance of the answer from the truth, in the stated covariance, over k: F with k and n - k."""
    fits = monte_carlo("least_squares", 300)
    found = np.array([np.concatenate([f.translation, f.rotation_deg]) for f in fits])
    squared = np.array([p @ np.linalg.solve(f.covariance, p) for p, f in zip(found, fits, strict=True)])
    assert stats.kstest(squared / 6, stats.f(6, 30).cdf).pvalue > 0.01
    # the sample covariance, whitened by the mean of the stated ones: each variance within 99.9 % of chi-square(299)
    root = np.linalg.cholesky(np.mean([f.covariance for f in fits], axis=0))
    white = np.linalg.solve(root, found.T)
    low, high = stats.chi2.ppf([0.0005, 0.9995], 299) / 299
    assert (np.var(white, axis=1, ddof=1) > low).all()
    assert (np.var(white, axis=1, ddof=1) < high).all()
    assert np.abs(np.corrcoef(white) - np.eye(6)).max() < 4 / np.sqrt(300)


@pytest.mark.parametrize(("method", "efficiency"), some([("huber", 0.95), ("tukey", 0.95)]))
def test_robust_covariance_by_monte_carlo(method, efficiency):
    """Stated variances of a robust fit on normal noise: as large as they come out, and 1/0.95 of least squares."""
    fits, plain = monte_carlo(method, 250), monte_carlo("least_squares", 300)
    found = np.array([np.concatenate([f.translation, f.rotation_deg]) for f in fits])
    stated = np.mean([f.uncertainty**2 for f in fits], axis=0)
    spread = np.mean(found**2, axis=0) / stated
    assert spread == pytest.approx(1.0, abs=4 * np.sqrt(2 / 250))
    ratio = stated / np.mean([f.uncertainty**2 for f in plain], axis=0)
    assert ratio == pytest.approx(1 / efficiency, abs=0.12)  # the tuning constants hold for many touches; here 36
