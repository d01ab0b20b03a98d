"""How sure a datum frame says it is: how often +-2 u holds its true place, and how wide u is, by kind of frame.

    python tests/benchmarks/bench_frames.py [--quick] [--runs 120]

Each run draws the form of each feature and the scatter of each touch (3 um). The truth is the frame of the same touches
without scatter. One line per kind of frame and form: coverage of the parameters that the datums take, the least of them
and over all of them, of the height 200 mm away, and the stated u against the root mean square error (1 is exact, 2 is
twice too wide). A mark where +-2 u holds less than 93 %, with allowance for 2 standard errors of the count.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from tolerance.touched import table

from probekit.fit import Datum, datum_frame

U = 0.003
X, Y, Z = np.eye(3)


def grid(nx: int, ny: int, at: tuple[float, float, float], along: np.ndarray, across: np.ndarray, normal: np.ndarray):
    a, b = np.meshgrid(np.linspace(-1, 1, nx), np.linspace(-1, 1, ny), indexing="ij")
    points = np.asarray(at) + a.reshape(-1, 1) * along + b.reshape(-1, 1) * across
    return points, np.tile(normal, (len(points), 1))


def ring(n: int, at: tuple[float, float, float], radius: float, side: float):
    """Two rings, the second staggered; side -1 for a bore."""
    angle = np.arange(2 * n) * 2 * np.pi / n + np.repeat([0.0, np.pi / n], n)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(2 * n)])
    return radius * unit + np.asarray(at) + np.repeat([-5.0, 5.0], n)[:, None] * Z, side * unit


def ball(n: int, at: tuple[float, float, float], radius: float, lowest: float = -0.4):
    """From its pole down to `lowest` radii beside its centre."""
    turn = np.arange(n) * np.pi * (3 - np.sqrt(5))
    up = np.linspace(lowest, 1.0, n)
    unit = np.column_stack([np.sqrt(1 - up**2) * np.cos(turn), np.sqrt(1 - up**2) * np.sin(turn), up])
    return radius * unit + np.asarray(at), unit


def arc(n: int, radius: float, degrees: float):
    """Two rows of touches over an arc of a boss."""
    angle = np.tile(np.radians(np.linspace(-degrees / 2, degrees / 2, n)), 2)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(2 * n)])
    return radius * unit + np.repeat([-5.0, 5.0], n)[:, None] * Z, unit


def slot(n: int, at: tuple[float, float, float], half: float):
    one = grid(n, 2, (at[0], at[1] + half, at[2]), 15 * X, 4 * Z, -Y)
    other = grid(n, 2, (at[0], at[1] - half, at[2]), 15 * X, 4 * Z, Y)
    return np.vstack([one[0], other[0]]), np.vstack([one[1], other[1]])


BOTTOM = grid(3, 3, (0, 0, -10), 20 * X, 20 * Y, -Z)
WIDE = grid(5, 5, (0, 0, -10), 20 * X, 20 * Y, -Z)
LEFT = grid(3, 2, (-25, 0, 0), 18 * Y, 6 * Z, -X)
FRONT = grid(3, 2, (0, -25, 0), 18 * X, 6 * Z, -Y)
A, C_WIDTH = Datum("A", "plane", "a"), Datum("C", "width", "c")
BORE, OTHER = Datum("B", "cylinder", "b"), Datum("C", "cylinder", "c")


def by(simulator: str, *datums: Datum) -> tuple[Datum, ...]:
    from dataclasses import replace

    return tuple(replace(one, simulator=simulator) for one in datums)


KINDS = {
    "least squares A|B|C, two bores": (
        by("least_squares", A, BORE, OTHER),
        {"a": BOTTOM, "b": ring(5, (-15, 0, 0), 6, -1), "c": ring(5, (15, 0, 0), 6, -1)},
    ),
    "tangent plane, 3 x 3": ((A,), {"a": BOTTOM}),
    "tangent plane, 5 x 5": ((A,), {"a": WIDE}),
    "tangent minimax plane, 3 x 3": (by("tangent_minimax", A), {"a": BOTTOM}),
    "minimax plane, 3 x 3": (by("minimax", A), {"a": BOTTOM}),
    "three tangent planes": ((A, Datum("B", "plane", "b"), Datum("C", "plane", "c")), dict(a=BOTTOM, b=LEFT, c=FRONT)),
    "plane, bores 2 x 5": (
        (A, BORE, OTHER),
        {"a": BOTTOM, "b": ring(5, (-15, 0, 0), 6, -1), "c": ring(5, (15, 0, 0), 6, -1)},
    ),
    "plane, bore 2 x 4, slot": (
        (A, BORE, C_WIDTH),
        {"a": BOTTOM, "b": ring(4, (-15, 0, 0), 6, -1), "c": slot(3, (15, 0, 0), 4)},
    ),
    "plane, bore 2 x 12": ((A, BORE), {"a": BOTTOM, "b": ring(12, (0, 0, 0), 10, -1)}),
    "boss 2 x 5 first, plane": (
        (Datum("A", "cylinder", "b"), Datum("B", "plane", "a")),
        {"a": BOTTOM, "b": ring(5, (0, 0, 0), 10, 1)},
    ),
    "plane, bore of least material 2 x 5": (
        (A, Datum("B", "cylinder", "b", boundary=("LMB", 12.1))),
        {"a": BOTTOM, "b": ring(5, (-15, 0, 0), 6, -1)},
    ),
    "ball, plane": (
        (Datum("A", "sphere", "s"), Datum("B", "plane", "a")),
        {"a": BOTTOM, "s": ball(12, (0, 0, 10), 12)},
    ),
    "half a ball, plane": (
        (Datum("A", "sphere", "s"), Datum("B", "plane", "a")),
        {"a": BOTTOM, "s": ball(12, (0, 0, 10), 12, 0.0)},
    ),
    "boss over 150 degrees, plane": ((A, BORE), {"a": BOTTOM, "b": arc(8, 10, 150)}),
    "plane, two bores as one at MMB": (
        (A, Datum("B", ("cylinder", "cylinder"), ("b", "c"), boundary=("MMB", 11.9))),
        {"a": BOTTOM, "b": ring(5, (-15, 0, 0), 6, -1), "c": ring(5, (15, 0, 0), 6, -1)},
    ),
}


def made(features: dict, off: dict[str, np.ndarray]) -> pd.DataFrame:
    parts = [
        table(at + off[name][:, None] * normal, normal, deviation=off[name], foot=at, feature=name)
        for name, (at, normal) in features.items()
    ]
    out = pd.concat(parts, ignore_index=True)
    out["touch"] = np.arange(len(out))
    return out


def read(frame) -> np.ndarray:
    """Parameters, and the height 200 mm away in x."""
    far = frame.apply(np.array([[200.0, 0.0, 0.0]]))[0, 2]
    return np.array([*frame.translation, *frame.rotation_deg, far])


def u_far(frame) -> float:
    alignment = frame.alignment
    row = np.zeros(6)
    row[2], row[4] = 1.0, -200.0 * np.pi / 180.0
    return float(np.sqrt(row @ alignment.covariance @ row))


def measured(name: str, form: float, runs: int, u: float | None) -> tuple[np.ndarray, np.ndarray]:
    datums, features = KINDS[name]
    errors, stated = [], []
    for seed in range(runs):
        rng = np.random.default_rng(1000 + seed)
        true = {k: form * rng.uniform(-0.5, 0.5, len(at)) for k, (at, _) in features.items()}
        noisy = {k: d + rng.normal(scale=U, size=len(d)) for k, d in true.items()}
        ideal = datum_frame(made(features, true), datums, u=u, pivot=(0.0, 0.0, 0.0))
        frame = datum_frame(made(features, noisy), datums, u=u, pivot=(0.0, 0.0, 0.0))
        errors.append(read(frame) - read(ideal))
        stated.append([*frame.uncertainty, u_far(frame)])
    return np.array(errors), np.array(stated)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the runs, two forms")
    parser.add_argument("--runs", type=int, default=120)
    parser.add_argument("--kind", default="", help="only those with this in their name")
    given = parser.parse_args()
    runs = max(given.runs // 10, 10) if given.quick else given.runs
    start = time.perf_counter()
    warnings.simplefilter("ignore")
    for name in KINDS:
        if given.kind not in name:
            continue
        for form in (0.0, 0.02) if given.quick else (0.0, 0.006, 0.02):
            begun = time.process_time()
            errors, stated = measured(name, form, runs, U)
            spent = (time.process_time() - begun) / (2 * runs)
            taken = stated.max(axis=0) > 1e-9
            covers = (np.abs(errors) <= 2 * stated)[:, taken]
            root = np.sqrt(np.mean(errors**2, axis=0))[taken]
            wide = np.sqrt(np.mean(stated**2, axis=0))[taken] / root
            least = 0.93 - 2 * np.sqrt(0.93 * 0.07 / runs)
            mark = "   too sure" if covers.mean(axis=0).min() < least else ""
            far = covers[:, -1].mean() if taken[-1] else np.nan
            print(
                f"{name:<36} form {1e3 * form:4.0f} um  covers {covers.mean(axis=0).min():.2f} least, "
                f"{covers.mean():.3f} all, {far:.2f} far   u/rms {wide.min():.2f} to {wide.max():.2f}, mean "
                f"{wide.mean():.2f}   {1e3 * spent:.0f} ms a frame{mark}",
                flush=True,
            )
    print(f"{time.perf_counter() - start:.0f} s in all")


if __name__ == "__main__":
    main()
