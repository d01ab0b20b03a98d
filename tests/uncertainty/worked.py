"""A part of 200 mm, invented: datum plane A, bores B and C, a skin touched in two tilted poses; and gains."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from probekit.uncertainty import Budget, read

APART, RADIUS = 160.0, 10.0  # of the bores [mm]


def part() -> pd.DataFrame:
    """12 touches on A (z = 0), 8 in each bore (two depths, staggered), 120 on the skin, in the order of a program."""
    rows = []
    for x in (-90.0, -30.0, 30.0, 90.0):
        rows += [("A", x, y, 0.0, 0.0, 0.0, 1.0, 0, (0, 0, 0)) for y in (-40.0, 0.0, 40.0)]
    for name, centre in (("B", -APART / 2), ("C", APART / 2)):
        for k in range(8):
            turn = np.pi / 4 * k
            c, s = np.cos(turn), np.sin(turn)
            rows.append((name, centre + RADIUS * c, RADIUS * s, -5.0 - 10.0 * (k % 2), -c, -s, 0.0, 0, (0, 0, 0)))
    for side, tilt in ((-1.0, 30.0), (1.0, -30.0)):  # a saddle, bent both ways
        for x in np.linspace(-95, 95, 12):
            for y in side * np.linspace(5, 55, 5):
                slope = np.array([-0.9 * np.sin(x / 30.0), -1.4 * np.sin(y / 35.0)])
                n = np.array([-slope[0], -slope[1], 1.0]) / np.sqrt(1.0 + slope @ slope)
                height = 50.0 + 27.0 * np.cos(x / 30.0) + 49.0 * (np.cos(y / 35.0) - 1.0)
                rows.append(("skin", x, y, height, *n, tilt, (tilt, 0, 0)))
    table = pd.DataFrame(
        [(*row[:7], row[7], *row[8]) for row in rows],
        columns=["feature", "foot_x", "foot_y", "foot_z", "nx", "ny", "nz", "angle_a", "turn_x", "turn_y", "turn_z"],
    )
    return table.assign(touch=np.arange(1, len(table) + 1), deviation=0.0)


def budget_of(name: str) -> Budget:
    """Budget of one of the three shops: good, hot, worn."""
    return read(Path(__file__).parents[2] / "data" / "budgets" / f"{name}.toml")


def solved(columns: np.ndarray) -> np.ndarray:
    """Least-squares gain: parameters per deviation."""
    return np.linalg.pinv(columns)


def gains(table: pd.DataFrame) -> dict[str, np.ndarray]:
    """Gain of each result over all touches: `frame` (n, n) deviations in A|B|C, `mean`, `diameter`, `distance`."""
    x = table[["foot_x", "foot_y", "foot_z"]].to_numpy()
    n = table[["nx", "ny", "nz"]].to_numpy()
    at = {name: np.flatnonzero(table["feature"] == name) for name in ("A", "B", "C", "skin")}
    many = len(table)
    plane = np.zeros((3, many))
    plane[:, at["A"]] = solved(np.column_stack([np.ones(len(at["A"])), x[at["A"], 1], -x[at["A"], 0]]))
    jacobian = np.hstack([n, np.cross(x, n)])  # change of a deviation with shift and turn of the part
    levelled = np.eye(many) - jacobian[:, [2, 3, 4]] @ plane  # z and both tilts from A
    circle = {}
    for name in ("B", "C"):
        rows = at[name]
        circle[name] = solved(np.column_stack([n[rows, :2], -np.ones(len(rows))])) @ levelled[rows]
    shift = np.zeros((3, many))
    shift[0], shift[1] = circle["B"][0], (circle["B"][1] + circle["C"][1]) / 2
    shift[2] = (circle["C"][1] - circle["B"][1]) / APART
    frame = levelled - np.column_stack([n[:, 0], n[:, 1], -n[:, 0] * x[:, 1] + n[:, 1] * x[:, 0]]) @ shift
    mean = np.zeros(many)
    mean[at["skin"]] = 1.0 / len(at["skin"])
    return {
        "frame": frame,
        "mean": mean @ frame,
        "diameter": 2.0 * circle["B"][2],
        "distance": circle["C"][0] - circle["B"][0],
    }
