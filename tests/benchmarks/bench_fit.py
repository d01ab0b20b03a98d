"""Fits of many touches, against scipy's general optimisers on the same deviations. Run by hand; read the ratios.

    python tests/benchmarks/bench_fit.py [--quick]

Least squares is set against `scipy.optimize.least_squares` (with the same exact Jacobian), minimax against
`scipy.optimize.minimize` (BFGS) on a smooth maximum, log-sum-exp, sharpened in steps. Both get the deviations of moved
touches from `probekit.deviation.projection.distance_function`, as the fits of probekit do.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares, minimize
from scipy.special import logsumexp, softmax

sys.path.insert(0, str(Path(__file__).parents[1]))

import shapes
from benchmarks.timing import timed

from probekit.deviation import project
from probekit.deviation.projection import distance_function
from probekit.fit import make_motion, rigid
from probekit.fit.motion import free_basis, jacobian, move
from probekit.fit.rigid import METHODS
from probekit.geometry import apply_motion

SET_UP = make_motion([0.2, -0.1, 0.15], [0.05, 0.08, -0.1])


def case(nominal, n: int, share: float = 0.0):
    """Touches with noise (and a share of gross errors) of a part that sits off."""
    rng = np.random.default_rng(n)
    points, normals = shapes.sample(nominal, n, rng)
    deviation = rng.normal(scale=0.005, size=(n, 1))
    deviation[: int(share * n)] += 0.2
    return project(apply_motion(SET_UP, points + normals * deviation), nominal)


class Moved:
    """Deviations and their Jacobian over six scaled parameters, each point computed once."""

    def __init__(self, table, nominal) -> None:
        self.points = table[["x", "y", "z"]].to_numpy()
        self.centre = self.points.mean(axis=0)
        self.basis = free_basis(np.ones(6, dtype=bool), 25.0)
        self.measure = distance_function(table, nominal)
        self.at, self.value = None, None

    def __call__(self, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if self.at is None or not np.array_equal(s, self.at):
            parameters = self.basis @ s
            moved = move(parameters, self.points, self.centre)
            deviation, gradient = self.measure(moved)
            self.at = s.copy()
            self.value = deviation, jacobian(parameters, moved, gradient, self.centre) @ self.basis
        return self.value


def smooth_maximum(function: Moved) -> float:
    """Least largest |deviation| by BFGS on log-sum-exp, the sharpness doubled from 1/(0.01 mm) to 1/(5 nm)."""
    s = np.zeros(6)
    for sharpness in 100.0 * 2.0 ** np.arange(12):

        def value(s: np.ndarray, k: float = sharpness) -> tuple[float, np.ndarray]:
            deviation, slope = function(s)
            both = k * np.concatenate([deviation, -deviation])
            weight = softmax(both)
            half = len(deviation)
            return logsumexp(both) / k, (weight[:half] - weight[half:]) @ slope

        s = minimize(value, s, jac=True, method="BFGS", options={"gtol": 1e-8}).x
    return float(np.abs(function(s)[0]).max())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer touches and facets, once each")
    quick = parser.parse_args().quick
    nominal = shapes.saddle(n=100 if quick else 316)
    repeat, many = (1, 1000) if quick else (3, 10_000)
    _ = nominal.engine.tree, nominal.engine.tables
    print(f"{len(nominal.facets)} facets, {many} touches, best of {repeat}")
    table = case(nominal, many, share=0.02)
    for method in METHODS:
        spent, found = timed(lambda m=method: rigid(table, nominal, method=m), repeat)
        print(f"  {method:14s} {1e3 * spent:8.0f} ms  {found.iterations:3d} steps  rms {1e3 * found.rms:.3f} um")
        if method == "least_squares":
            own, cost = spent, float(found.residuals @ found.residuals)
    function = Moved(table, nominal)
    tight = {"xtol": 1e-10, "ftol": 1e-10, "gtol": 1e-10}
    for name, jac in (("exact Jacobian", lambda s: function(s)[1]), ("by differences", "2-point")):
        spent, best = timed(lambda j=jac: least_squares(lambda s: function(s)[0], np.zeros(6), jac=j, **tight), repeat)
        print(
            f"  scipy least_squares, {name}: {1e3 * spent:8.0f} ms, {spent / own:.1f} times ours; "
            f"sum of squares {2 * best.cost / cost - 1:+.1e} of ours"
        )
    for n in (200, 1000) if quick else (1000, 10_000):
        table = case(nominal, n)
        own, found = timed(lambda t=table: rigid(t, nominal, method="minimax"), repeat)
        spent, other = timed(lambda t=table: smooth_maximum(Moved(t, nominal)), 1)
        print(
            f"minimax, {n} touches: {1e3 * own:.0f} ms, {1e3 * found.objective:.4f} um (certificate "
            f"{1e3 * found.certificate:.1e} um); smooth maximum by BFGS: {1e3 * spent:.0f} ms, {spent / own:.0f} times "
            f"ours, {1e3 * (other - found.objective):+.4f} um"
        )


if __name__ == "__main__":
    main()
