"""Geometric elements against what a user would write with scipy's general optimisers. Run by hand; read the ratios.

    python tests/benchmarks/bench_elements.py [--quick]

Least squares is set against `scipy.optimize.least_squares` with its numeric Jacobian on the plain formula of the
distance, begun at the truth disturbed by a few per cent; minimum zone against `scipy.optimize.minimize` (Nelder and
Mead) on the largest distance, begun at the least-squares element. What each reaches is given beside the time: the root
mean square distance, and the width of the zone. (The general optimiser is given a start near the truth and a formula
that is safe there; probekit finds its own start and also gives residuals, covariance and a proof.)
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares, minimize

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.timing import timed
from fit.elements.made import surface

from probekit.fit import element


def axis_distance(points: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Distance from an axis through (x0, x1, 0) along (x2, x3, 1)."""
    direction = np.array([x[2], x[3], 1.0])
    direction /= np.linalg.norm(direction)
    return np.linalg.norm(np.cross(points - [x[0], x[1], 0.0], direction), axis=1)


def cone(points: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Apex (x0, x1, x2), direction (x3, x4, 1), half angle x5."""
    direction = np.array([x[3], x[4], 1.0])
    direction /= np.linalg.norm(direction)
    v = points - x[:3]
    along = v @ direction
    return np.linalg.norm(v - along[:, None] * direction, axis=1) * np.cos(x[5]) - along * np.sin(x[5])


def torus(points: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Centre (x0, x1, x2), direction (x3, x4, 1), radii x5, x6."""
    direction = np.array([x[3], x[4], 1.0])
    direction /= np.linalg.norm(direction)
    v = points - x[:3]
    along = v @ direction
    rho = np.linalg.norm(v - along[:, None] * direction, axis=1)
    return np.hypot(rho - x[5], along) - x[6]


#: kind: (distance of points by parameters, true parameters)
PLAIN: dict[str, tuple[Callable[[np.ndarray, np.ndarray], np.ndarray], list[float]]] = {
    "plane": (lambda p, x: (p @ [x[0], x[1], 1.0] - x[2]) / np.linalg.norm([x[0], x[1], 1.0]), [0, 0, 0]),
    "circle2": (lambda p, x: np.hypot(p[:, 0] - x[0], p[:, 1] - x[1]) - x[2], [0, 0, 10]),
    "sphere": (lambda p, x: np.linalg.norm(p - x[:3], axis=1) - x[3], [0, 0, 0, 10]),
    "cylinder": (lambda p, x: axis_distance(p, x) - x[4], [0, 0, 0, 0, 10]),
    "cone": (cone, [0, 0, 0, 0, 0, 0.35]),
    "torus": (torus, [0, 0, 0, 0, 0, 30, 8]),
}


def compare(kind: str, n: int, repeat: int) -> None:
    """Print one line for least squares and one for minimum zone."""
    rng = np.random.default_rng(n)
    points, normals = surface(kind, n, rng)
    points = points + normals * rng.normal(scale=0.01, size=(n, 1))
    points = points[:, :2] if kind.endswith("2") else points
    formula, truth = PLAIN[kind]
    start = np.array(truth, dtype=float)
    start = start + 0.03 * np.maximum(np.abs(start), 1.0) * rng.uniform(-1, 1, len(start))

    ours, fit = timed(lambda: element(points, kind), repeat)
    theirs, general = timed(lambda: least_squares(lambda x: formula(points, x), start, method="lm"), repeat)
    rms = [float(np.sqrt(np.mean(r**2))) for r in (fit.residuals, general.fun)]
    row("least squares", kind, n, ours, theirs, *rms)

    ours, fit = timed(lambda: element(points, kind, method="minimum_zone"), repeat)
    budget = {"maxiter": 20000, "maxfev": 20000, "xatol": 1e-9, "fatol": 1e-9}

    def zone(x: np.ndarray) -> float:
        return 2 * float(np.abs(formula(points, x)).max())

    theirs, searched = timed(lambda: minimize(zone, general.x, method="Nelder-Mead", options=budget), 1)
    row("minimum zone", kind, n, ours, theirs, fit.form, float(searched.fun))


def row(method: str, kind: str, n: int, ours: float, theirs: float, reached: float, reached_by: float) -> None:
    """Print one comparison; lengths in um."""
    print(
        f"{method:14} {kind:9} {n:6d}  {1e3 * ours:9.1f}  {1e3 * theirs:9.1f}  {theirs / ours:7.2f}  "
        f"{1e3 * reached:11.6f}  {1e3 * reached_by:11.6f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few touches, one run each")
    quick = parser.parse_args().quick
    print("method         kind       touches  probekit ms  scipy ms   ratio   probekit um     scipy um")
    warnings.simplefilter("ignore")
    for kind in PLAIN:
        for n in (50,) if quick else (50, 1000):
            compare(kind, n, 1 if quick else 5)


if __name__ == "__main__":
    main()
