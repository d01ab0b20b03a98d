"""Rigid fits against scipy.optimize.least_squares, fed with the same deviations of moved touches."""

from collections.abc import Callable

import numpy as np
import pytest
import shapes
from scipy.optimize import OptimizeResult, least_squares
from scipy.spatial.transform import Rotation

from probekit.deviation import project
from probekit.deviation.projection import distance_function
from probekit.fit import FREEDOMS, make_motion, rigid
from probekit.fit.alignment import Alignment
from probekit.fit.robust import HUBER, TUKEY, influence, scale_of, weights_of
from probekit.geometry import apply_motion

PIVOT = np.array([7.0, -3.0, 2.0])


def touched(shape: str, n: int = 60, seed: int = 0, noise: float = 0.02):
    nominal = getattr(shapes, shape)()
    take = shapes.sample_box if shape == "box" else shapes.sample
    rng = np.random.default_rng(seed)
    points, normals = take(nominal, n, rng)
    points = points + normals * rng.normal(scale=noise, size=(n, 1))
    return nominal, project(apply_motion(make_motion([0.2, -0.1, 0.3], [0.2, 0.3, -0.1]), points), nominal)


def by_scipy(nominal, table, free: list[int], **options) -> tuple[OptimizeResult, Callable]:
    """Parameters in mm and degrees about `PIVOT`, those not in `free` at zero."""
    measure = distance_function(table, nominal)
    points = table[["x", "y", "z"]].to_numpy()

    def residuals(values: np.ndarray) -> np.ndarray:
        p = np.zeros(6)
        p[free] = values
        rotation = Rotation.from_rotvec(p[3:], degrees=True)
        return measure(rotation.apply(points - PIVOT) + PIVOT + p[:3])[0]

    tight = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "jac": "3-point", "x_scale": "jac", "max_nfev": 500}
    return least_squares(residuals, np.zeros(len(free)), **tight, **options), residuals


def parameters(found: Alignment) -> np.ndarray:
    return np.concatenate([found.translation, found.rotation_deg])


@pytest.mark.parametrize(
    ("shape", "held", "close"),
    [
        ("box", (), 1e-7),
        ("box", ("rz",), 1e-7),
        ("box", ("tx", "ry"), 1e-7),
        ("saddle", (), 2e-5),  # kinked between facets: either method may stop within the chord error of a minimum
        ("bumpy_ball", (), 2e-5),
    ],
)
def test_least_squares(shape, held, close):
    nominal, table = touched(shape)
    free = [k for k, name in enumerate(FREEDOMS) if name not in held]
    best, _ = by_scipy(nominal, table, free)
    found = rigid(table, nominal, free=np.array(FREEDOMS)[free], pivot=PIVOT)
    assert parameters(found)[free] == pytest.approx(best.x, abs=close * 20)  # degrees: up to 20 per mm here
    assert found.residuals @ found.residuals <= 2 * best.cost * (1 + 1e-6)
    assert found.residuals == pytest.approx(best.fun, abs=close)
    stated = 2 * best.cost / (60 - len(free)) * np.linalg.inv(best.jac.T @ best.jac)
    scale = np.sqrt(np.diag(stated))
    assert found.uncertainty[free] == pytest.approx(scale, rel=1e-5 if shape == "box" else 0.05)
    correlation = found.covariance[np.ix_(free, free)] / np.outer(scale, scale)
    assert correlation == pytest.approx(stated / np.outer(scale, scale), abs=1e-4 if shape == "box" else 0.1)


def test_deviations_along_the_targets():
    """along="target" measures n . (R x + t - x0): no closest point is sought, the reference is wholly independent."""
    nominal, table = touched("bumpy_ball")
    on, normals = shapes.sample(nominal, 60, np.random.default_rng(0))
    touches = table[["touch", "feature", "x", "y", "z"]].copy()
    touches[["x0", "y0", "z0"]], touches[["i", "j", "k"]] = on, normals
    touches.attrs = {}
    found = rigid(project(touches, nominal, stylus=0.0, along="target"), nominal, pivot=PIVOT)
    points = touches[["x", "y", "z"]].to_numpy()

    def residuals(p: np.ndarray) -> np.ndarray:
        moved = Rotation.from_rotvec(p[3:], degrees=True).apply(points - PIVOT) + PIVOT + p[:3]
        return np.sum((moved - on) * normals, axis=1)

    best = least_squares(residuals, np.zeros(6), xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    assert parameters(found) == pytest.approx(best.x, abs=1e-6)
    assert found.residuals == pytest.approx(best.fun, abs=1e-7)
    stated = 2 * best.cost / 54 * np.linalg.inv(best.jac.T @ best.jac)
    assert found.uncertainty == pytest.approx(np.sqrt(np.diag(stated)), rel=1e-4)


def spoilt_box(share: float, n: int = 80):
    """Touches of a box, a `share` of them off outwards by 0.2 to 0.8 mm."""
    nominal, table = touched("box", n=n, seed=1)
    rng = np.random.default_rng(2)
    bad = np.sort(rng.choice(n, int(share * n), replace=False))
    normals = table[["nx", "ny", "nz"]].to_numpy()[bad]
    points = table[["x", "y", "z"]].to_numpy(copy=True)
    points[bad] += normals * rng.uniform(0.2, 0.8, size=(len(bad), 1))
    return nominal, project(points, nominal), bad


def test_huber():
    """scipy's loss is rho(z) = z up to 1, then 2 sqrt(z) - 1, of z = (residual / f_scale)^2: Huber's, halved."""
    nominal, table, _ = spoilt_box(0.1)
    found = rigid(table, nominal, method="huber", pivot=PIVOT)
    down = found.weights < 0.9
    scales = found.weights[down] * np.abs(found.residuals[down]) / 1.345
    assert scales == pytest.approx(scales[0], rel=1e-4)
    best, _ = by_scipy(nominal, table, list(range(6)), loss="huber", f_scale=1.345 * scales.mean())
    assert parameters(found) == pytest.approx(best.x, abs=2e-6)
    assert found.residuals == pytest.approx(best.fun, abs=1e-6)
    # the scale is 1.4826 times the median absolute residual, of which six are taken by the fit
    expected = 1.4826 * np.median(np.sort(np.abs(found.residuals))[6:])
    assert scales.mean() == pytest.approx(expected, rel=1e-4)


def test_tukey():
    """Stationary for the biweight sum by its own definition (Beaton and Tukey, Technometrics 16 (1974), memory)."""
    nominal, table, bad = spoilt_box(0.1)
    found = rigid(table, nominal, method="tukey", pivot=PIVOT)
    inside = (found.weights > 0.01) & (found.weights < 0.99)
    cut = np.abs(found.residuals[inside]) / np.sqrt(1 - np.sqrt(found.weights[inside]))  # where the weight is zero
    assert cut == pytest.approx(cut[0], rel=1e-4)
    assert (found.weights[np.abs(found.residuals) > cut.max() * 1.0001] == 0).all()
    assert (found.weights[bad] < 0.01).all()

    def biweight(z: np.ndarray) -> np.ndarray:
        t = np.maximum(1 - z, 0)  # scipy wants rho, rho', rho'' of z = (residual / f_scale)^2
        return np.array([(1 - t**3) / 3, t**2, np.where(z < 1, -2 * t, 0)])

    measure = distance_function(table, nominal)
    points = apply_motion(found.motion, table[["x", "y", "z"]].to_numpy())

    def residuals(p: np.ndarray) -> np.ndarray:
        return measure(Rotation.from_rotvec(p[3:], degrees=True).apply(points) + p[:3])[0]

    best = least_squares(residuals, np.zeros(6), loss=biweight, f_scale=cut.mean(), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert best.x == pytest.approx(0, abs=2e-6)


@pytest.mark.parametrize("shape", ["box", "bumpy_ball", "saddle"])
def test_tukey_stands_a_fifth_of_gross_errors(shape):
    nominal = getattr(shapes, shape)()
    rng = np.random.default_rng(3)
    points, normals = (shapes.sample_box if shape == "box" else shapes.sample)(nominal, 100, rng)
    points = points + normals * rng.normal(scale=0.005, size=(100, 1))
    bad = rng.choice(100, 20, replace=False)
    good = np.setdiff1d(np.arange(100), bad)
    spoilt = points.copy()
    spoilt[bad] += normals[bad] * rng.uniform(1.0, 3.0, size=(20, 1))  # all on one side
    clean = rigid(points[good], nominal)

    def error(found: Alignment) -> float:
        return float(np.abs(apply_motion(found.motion, points) - apply_motion(clean.motion, points)).max())

    scatter = np.linalg.norm(clean.uncertainty[:3]) * 2
    tukey = rigid(spoilt, nominal, method="tukey")
    assert error(tukey) < scatter
    assert (tukey.weights[bad] == 0).all()
    assert (tukey.weights[good] > 0.2).sum() > 70
    assert error(rigid(spoilt, nominal)) > 10 * scatter
    assert tukey.uncertainty == pytest.approx(clean.uncertainty, rel=0.5)


def test_huber_holds_most_of_it():
    nominal, table, bad = spoilt_box(0.1)
    good = np.setdiff1d(np.arange(80), bad)
    measured = table[["x", "y", "z"]].to_numpy()
    clean = apply_motion(rigid(measured[good], nominal).motion, measured)
    error = {
        m: np.abs(apply_motion(rigid(table, nominal, method=m).motion, measured) - clean).max()
        for m in ("least_squares", "huber", "tukey")
    }
    assert error["tukey"] < error["huber"] < error["least_squares"] / 5


def test_weights_and_constants():
    """Huber 1.345 and Tukey 4.685 for 95 % efficiency on normal data (Holland and Welsch 1977, from memory)."""
    assert (HUBER, TUKEY) == (1.345, 4.685)
    z = np.array([-9.0, -2.69, -1.0, 0.0, 1.345, 2.69, 4.685, 5.0])
    assert weights_of(z, "huber") == pytest.approx([1.345 / 9, 0.5, 1, 1, 1, 0.5, 1.345 / 4.685, 0.269])
    assert weights_of(z, "tukey")[[0, 3, 6, 7]].tolist() == [0, 1, 0, 0]
    assert weights_of(np.array([4.685 / 2]), "tukey")[0] == pytest.approx(0.5625)  # (1 - 1/4)^2


@pytest.mark.parametrize("method", ["huber", "tukey"])
def test_efficiency_of_the_constants(method):
    """E[psi']^2 / E[psi^2] on normal data, by numeric integration, is 0.95."""
    z = np.linspace(-12, 12, 200001)
    density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    psi, slope = influence(z, method)
    efficiency = np.trapezoid(slope * density, z) ** 2 / np.trapezoid(psi**2 * density, z)
    assert efficiency == pytest.approx(0.95, abs=5e-4)
    inner = slice(1, -1)
    by_differences = np.gradient(psi, z)[inner]
    smooth = np.abs(np.abs(z[inner]) - (HUBER if method == "huber" else TUKEY)) > 1e-3
    assert np.abs(slope[inner] - by_differences)[smooth].max() < 1e-5


def test_scale_of_normal_data():
    values = np.random.default_rng(4).normal(scale=0.02, size=20001)
    assert scale_of(values) == pytest.approx(0.02, rel=0.02)
    assert scale_of(np.array([0.0, 0.0, 0.0, 1.0, 2.0]), freedoms=3) == pytest.approx(1.4826 * 1.5)
