"""A small plan for the tests of views: a block, targets on three sides, one behind a clamp; invented here."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import trimesh
from scene.synthetic import HOSTILE

from probekit import plan
from probekit import scene as pk_scene
from probekit.nominal.model import Nominal

SIDES = ("left", "right", "front", "back", "bottom", "top")
POSES = ((0.0, 0.0), (60.0, 0.0), (60.0, 90.0))


def block(name: str, low: tuple[float, float, float], high: tuple[float, float, float]) -> Nominal:
    """Box with a face for each side."""
    box = trimesh.creation.box(bounds=[low, high])
    axis = np.argmax(np.abs(box.face_normals), axis=1)
    side = 2 * axis + (np.take_along_axis(box.face_normals, axis[:, None], axis=1)[:, 0] > 0)
    return Nominal(box.vertices.astype(float), box.faces.astype(int), side, SIDES, name=name)


def targets() -> pd.DataFrame:
    """Six on top, four in front, the first of them critical, two to the left."""
    rows = [("top <rim>", "top", (x, y, 10.0), (0.0, 0.0, 1.0)) for x in (-20, 0, 20) for y in (-10, 10)]
    rows += [("front", "front", (x, -20.0, z), (0.0, -1.0, 0.0)) for x in (-15, 15) for z in (-2.0, 4.0)]
    rows += [(HOSTILE, "left", (-30.0, y, 0.0), (-1.0, 0.0, 0.0)) for y in (-10, 10)]
    table = pd.DataFrame(
        {
            "touch": np.arange(1, len(rows) + 1),
            "feature": [row[0] for row in rows],
            **dict(zip(("x0", "y0", "z0"), np.array([row[2] for row in rows]).T, strict=True)),
            **dict(zip(("i", "j", "k"), np.array([row[3] for row in rows]).T, strict=True)),
            "face": [row[1] for row in rows],
            "critical": [row[0] == "front" and row[2] == (-15, -20.0, -2.0) for row in rows],
        }
    )
    table.attrs = {"part": "block <5>", "unit": "mm"}
    return table


@cache
def planned() -> dict:
    """Part, targets after reach, route, probe, kinematics, fixtures: what `scene.plan_scene` takes."""
    part, clamp = block("block", (-30, -20, -10), (30, 20, 10)), block("clamp", (-50, -18, -10), (-36, 18, 25))
    probe = plan.Probe(4.0, 2.0, 40.0, body=((40.0, 20.0), (80.0, 20.0), (80.0, 50.0), (110.0, 50.0)))
    kinematics = plan.Kinematics(
        axes=(
            plan.RotaryAxis("A", "head", limits=(-100, 100)),
            plan.RotaryAxis("C", "table", direction=(0.0, 0.0, 1.0), limits=(-360, 360)),
        ),
        gauge=150.0,
    )
    obstacles = plan.Obstacles(part, (clamp,))
    found = plan.reach(targets(), part, probe, kinematics=kinematics, poses=POSES, obstacles=obstacles, margin=0.5)
    route = plan.order(
        found,
        probe,
        kinematics,
        POSES,
        obstacles=obstacles,
        margin=0.5,
    )
    return {
        "nominal": part,
        "targets": found,
        "route": route,
        "probe": probe,
        "kinematics": kinematics,
        "fixtures": (clamp,),
    }


def planned_scene(**changes: object) -> pk_scene.model.Scene:
    """The scene of that plan."""
    return pk_scene.plan_scene(**{**planned(), "title": "Block <b>", **changes})
