"""A part of our own for the gate: a saddle on a pad on a flange, its study, and touches of it.

All of it is invented. Lengths in mm. The flange is the plane z = 0; walls of pad and flange are upright.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import trimesh

import probekit as pk
from probekit.geometry import apply_motion

HALF, PAD = (50.0, 36.0), (30.0, 20.0)
RADIUS = 2.991

STUDY = """\
[part]
model = "pad.stl"
unit = "mm"
name = "Pad (invented)"

[part.faces]
top = [0, 0, 12]
flange = [40, 28, 0]
left = [-50, 0, -10]
right = [50, 0, -10]
front = [0, -36, -10]
back = [0, 36, -10]

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
effective_radius = 2.991

[[plan]]
how = "blue_noise"
faces = "top"
n = 30
margin = 4.0
feature = "top"

[[plan]]
how = "blue_noise"
faces = "flange"
n = 9
margin = 4.0
feature = "flange"
{walls}
[reach]
standoff = 3.0
overtravel = 1.0

[alignment]
features = ["flange", "left", "right", "front", "back"]

[[tolerance]]
kind = "profile"
name = "top"
features = ["top"]
width = 0.15

[uncertainty]
u = 0.003
"""
WALLS = "".join(
    f'\n[[plan]]\nhow = "blue_noise"\nfaces = "{name}"\nn = 4\nmargin = 4.0\nfeature = "{name}"\n'
    for name in ("left", "right", "front", "back")
)


def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The saddle."""
    return 12.0 + x**2 / 180.0 - y**2 / 110.0 + x * y / 300.0 + x**3 / 3e4


def mesh(*, higher: float = 0.0) -> trimesh.Trimesh:
    """The part; `higher` lifts the pad, as on another part of the family."""
    xs, ys = np.arange(-50.0, 50.1, 2.0), np.arange(-36.0, 36.1, 2.0)
    corners: list[np.ndarray] = []

    def quad(a: tuple, b: tuple, c: tuple, d: tuple) -> None:
        corners.extend([np.array([a, b, c]), np.array([a, c, d])])

    def on_pad(x: float, y: float) -> tuple[float, float, float]:
        return x, y, float(height(x, y)) + higher

    for x0, x1 in pairwise(xs):
        for y0, y1 in pairwise(ys):
            inside = abs((x0 + x1) / 2) < PAD[0] and abs((y0 + y1) / 2) < PAD[1]
            z = on_pad if inside else (lambda x, y: (x, y, 0.0))
            quad(z(x0, y0), z(x1, y0), z(x1, y1), z(x0, y1))
            quad((x0, y1, -20.0), (x1, y1, -20.0), (x1, y0, -20.0), (x0, y0, -20.0))
    for half, low, top in ((HALF, -20.0, lambda x, y: (x, y, 0.0)), (PAD, 0.0, on_pad)):
        for one, two in _around(*half):
            quad((*one, low), (*two, low), top(*two), top(*one))
    return trimesh.Trimesh(*_merged(np.array(corners)), process=False)


def _around(a: float, b: float) -> list[tuple[tuple, tuple]]:
    """Edges of the rectangle |x| = a, |y| = b, counter-clockwise, 2 mm each."""
    xs, ys = np.arange(-a, a + 0.1, 2.0), np.arange(-b, b + 0.1, 2.0)
    ring = [(x, -b) for x in xs[:-1]] + [(a, y) for y in ys[:-1]]
    ring += [(x, b) for x in xs[:0:-1]] + [(-a, y) for y in ys[:0:-1]]
    return list(zip(ring, ring[1:] + ring[:1], strict=True))


def _merged(corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    points, back = np.unique(corners.reshape(-1, 3).round(6), axis=0, return_inverse=True)
    return points, back.reshape(-1, 3)


def write(folder: Path) -> Path:
    """The study, its model and a good run of it, in a folder; the path of the study."""
    folder.mkdir(parents=True, exist_ok=True)
    mesh().export(folder / "pad.stl")
    path = folder / "study.toml"
    path.write_text(STUDY.format(walls=WALLS))
    study = pk.study.load(path)
    part = pk.study.model.nominal_of(study)
    targets = pk.study.planning.targets_of(study.settings["plan"], part, file=path, ball_radius=3.0)
    pk.touches.write(run(targets, seed=1), folder / "touches.csv")
    return path


def run(
    targets: pd.DataFrame,
    *,
    seed: int,
    noise: float = 0.002,
    shift: tuple = (0.11, -0.07, 0.05),
    turn: tuple = (0.02, 0.015, -0.05),
    top: float = 0.01,
    lobing: float = 0.0,
    drift: float = 0.0,
    radius: float = RADIUS,
) -> pd.DataFrame:
    """Touches of a part that sits shifted [mm] and turned [deg]: exact targets, moved, with noise along the normals.

    `lobing`: amplitude of a radius that varies three times round; `drift`: what Z gains over the run [mm].
    """
    rng = np.random.default_rng(seed)
    at, normal = targets[["x0", "y0", "z0"]].to_numpy(float).round(4), targets[["i", "j", "k"]].to_numpy(float)
    out = targets[["touch", "feature", *(name for name in targets if name.startswith("angle_"))]].copy()
    azimuth = np.arctan2(normal[:, 1], normal[:, 0])
    level = radius + rng.normal(0.0, noise, len(at)) + lobing * np.cos(3 * azimuth) * np.hypot(*normal.T[:2])
    level = level + np.where(out["feature"] == "top", top, 0.0)
    centre = at + level[:, None] * normal + np.linspace(0.0, drift, len(at))[:, None] * [0.0, 0.0, 1.0]
    out[["x0", "y0", "z0"]], out[["i", "j", "k"]] = at, normal
    out[["x", "y", "z"]] = apply_motion(pk.fit.make_motion(shift, turn), centre).round(4)
    out.attrs = {"unit": "mm", "recorded": "centre"}
    return out
