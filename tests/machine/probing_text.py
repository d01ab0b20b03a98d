"""Program text for tests, written by hand: not by the program room, so that the two check each other."""

import numpy as np
import pandas as pd

from probekit.plan.kinematics import Kinematics


def probing_text(
    targets: pd.DataFrame,
    *,
    radius: float = 3.0,
    standoff: float = 2.0,
    overtravel: float = 2.0,
    feed: float = 60.0,
    height: float | None = None,
    kinematics: Kinematics | None = None,
    poses: list[tuple[float, ...]] | None = None,
    dwell: float = 0.0,
) -> str:
    """G38.2 at every target, between safe heights; one pose per target with a kinematics."""
    kinematics = kinematics or Kinematics()
    points, normals = targets[["x0", "y0", "z0"]].to_numpy(), targets[["i", "j", "k"]].to_numpy()
    lines = ["%", "(PROBEKIT BEGIN test)", "G21 G90 G94 G17", "M5 M9", "T9 M6", "G43 H9"]
    lift = height if height is not None else float(points[:, 2].max()) + 50.0
    for row in range(len(targets)):
        pose = poses[row] if poses else ()
        start, end = (
            kinematics.to_program(points[row] + way * normals[row], pose)
            for way in (radius + standoff, radius - overtravel)
        )
        turn = "".join(f" {letter}{angle:.9f}" for letter, angle in zip(kinematics.letters, pose, strict=True))
        lines += [
            f"G0 Z{lift:.9f}",
            *([f"G0{turn}"] if turn else []),
            f"G0 X{start[0]:.9f} Y{start[1]:.9f}",
            f"G1 Z{start[2]:.9f} F1000",
            *([f"G4 P{dwell}"] if dwell else []),
            f"G38.2 X{end[0]:.9f} Y{end[1]:.9f} Z{end[2]:.9f} F{feed}",
            "(PROBEKIT RECORD "
            + f"{int(targets['touch'].iloc[row])} {targets['feature'].iloc[row]} "
            + " ".join(f"{value:.9f}" for value in (*points[row], *normals[row]))
            + ")",
            f"G1 X{start[0]:.9f} Y{start[1]:.9f} Z{start[2]:.9f} F1000",
        ]
    return "\n".join([*lines, f"G0 Z{lift:.9f}", "(PROBEKIT END test)", "M30", "%"]) + "\n"


def targets_at(points, normals, feature: str = "f") -> pd.DataFrame:
    points, normals = np.asarray(points, float), np.asarray(normals, float)
    table = pd.DataFrame({"touch": np.arange(1, len(points) + 1), "feature": feature})
    table[["x0", "y0", "z0"]] = points
    table[["i", "j", "k"]] = normals
    return table
