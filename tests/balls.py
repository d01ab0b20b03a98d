"""A part of three balls, a probe, three machines, and the clearance in closed form: for routes and programs."""

import numpy as np
import pandas as pd

from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.plan.probe import Probe
from probekit.plan.route.route import order
from probekit.program.writing.compose import moves_of

PROBE = Probe(4.0, 2.0, 30.0, body=((30.0, 20.0), (80.0, 40.0)))
TABLE = Kinematics((RotaryAxis("A", "table", (0, 0, -40.0), (-120, 120)), RotaryAxis("C", "table")))
HEAD = Kinematics((RotaryAxis("B", "head", limits=(-100, 100)),), gauge=70.0)
BALLS = np.array([[0, 0, 0, 20], [34, 5, -8, 9], [-30, -12, -12, 6.0]])  # x, y, z, radius [mm]


def clear_of_balls(start, end, axis, balls=BALLS, steps=48):
    """Distance of the probe to balls: its turned outline in slices, its way in steps."""
    u = np.linspace(0, 1, steps)[:, None, None]
    ball_centre = start + u * (end - start)
    least = np.full(len(start), np.inf)
    for piece in PROBE.outline():
        for v in np.linspace(0, 1, 25):
            height = piece.start[2] + v * (piece.end[2] - piece.start[2])
            width = max(piece.grown, piece.start_radius + v * (piece.end_radius - piece.start_radius))
            for x, y, z, radius in balls:
                # a disc of the outline lies inside the sphere with its radius
                gap = np.linalg.norm(ball_centre + height * axis - [x, y, z], axis=2) - width - radius
                least = np.minimum(least, gap.min(axis=0))
    return least


def clear_everywhere(start, _end, _axis):
    return np.full(len(start), 9.0)


def surface_of_balls(n=400):
    """Points around the balls whose hull holds them."""
    k = np.arange(n) + 0.5
    z, turn = 1 - 2 * k / n, np.pi * (1 + 5**0.5) * k
    unit = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    return np.vstack([ball[:3] + 1.05 * ball[3] * unit for ball in BALLS])


class Standing:
    """Obstacles told by a function: clearance of moves (start, end, axis), and points (m, 3) around them."""

    def __init__(self, clear, points=None):
        self.clear, self.points = clear, surface_of_balls() if points is None else points

    def clear_of(self, _probe, _margin):
        """The function, whatever the probe and the margin are."""
        return self.clear


def targets_on_balls(n, rng, kinematics, poses):
    """Targets on the balls, touched in the pose whose tool axis leans least from the normal."""
    normal = rng.normal(size=(n, 3))
    normal[:, 2] = np.abs(normal[:, 2]) + 0.2
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    ball = BALLS[rng.integers(0, 3, n)]
    axes = np.array([kinematics.tool_axis(pose) for pose in poses])
    table = pd.DataFrame({"touch": np.arange(1, n + 1), "feature": "balls", "face": "ball"})
    table[["x0", "y0", "z0"]] = ball[:, :3] + ball[:, 3:] * normal
    table[["i", "j", "k"]] = normal
    table["direction"] = (normal @ axes.T).argmax(axis=1)
    table[["ti", "tj", "tk"]] = axes[table["direction"]]
    start = table[["x0", "y0", "z0"]].to_numpy() + 6.0 * normal
    table["reachable"] = clear_of_balls(start, start, axes[table["direction"]]) >= 1.0
    table["reason"] = np.where(table["reachable"], "", "the body touches")
    table["standoff"], table["overtravel"] = 4.0, 3.0
    table.attrs = {"part": "balls", "unit": "mm"}
    return table


CASES = [
    (Kinematics(), [()]),
    (TABLE, [(0, 0), (60, 0), (60, 90), (60, 180), (60, 270)]),
    (HEAD, [(0,), (55,), (-55,)]),
]


def route_on_balls(case, n, seed=0, **changes):
    """Kinematics and route of n targets; `changes` are columns to set."""
    kinematics, poses = case
    targets = targets_on_balls(n, np.random.default_rng(seed), kinematics, poses).assign(**changes)
    return kinematics, order(targets, PROBE, kinematics, poses, obstacles=Standing(clear_of_balls), margin=1.0)


def moves_on_balls(case, n, seed=0, limits=None, **changes):
    """Kinematics, route and moves of n targets."""
    kinematics, route = route_on_balls(case, n, seed, **changes)
    return kinematics, route, moves_of(route, PROBE, kinematics, tool=9, offset=19, limits=limits)
