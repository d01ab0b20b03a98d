"""A block with a T-slot whose walls and ceiling only side tips reach, and stars of styli for it. Lengths in mm."""

import functools

import numpy as np
import pandas as pd

from probekit import plan, program
from probekit.nominal import Nominal, from_arrays
from probekit.plan import Kinematics, Probe, RotaryAxis, Tip
from probekit.plan.access.clearance import Clear

BODY = ((60.0, 30.0), (75.0, 50.0), (110.0, 50.0))
#: Two side tips along X, one that leans down along Y; all balls but one are alike.
STAR = Probe(
    4.0, 2.0, 60.0, body=BODY, hub=10.0, name="star", orientation="by hand",
    tips=(
        Tip(4.0, 2.0, 11.0, (1, 0, 0), name="right"),
        Tip(4.0, 2.0, 11.0, (-1, 0, 0), name="left"),
        Tip(3.0, 1.5, 10.0, (0, 1, -0.4), name="leaning"),
    ),
)  # fmt: skip
TABLE = Kinematics((RotaryAxis("A", "table", (3, 5, -60.0), (-110, 110)), RotaryAxis("C", "table", (1, 2, 0))))
HEAD = Kinematics((RotaryAxis("B", "head", limits=(-100, 100)), RotaryAxis("C", "table")), gauge=70.0)
#: Machines and the poses that they may take.
MACHINES = {
    "three axes": (Kinematics(), ((),)),
    "table/table": (TABLE, ((0.0, 0.0), (0.0, 90.0), (-30.0, 0.0), (90.0, 180.0))),
    "head/table": (HEAD, ((0.0, 0.0), (20.0, 0.0), (0.0, 180.0), (-90.0, 90.0))),
}


def blocks(x, y, z, filled) -> Nominal:
    """A closed model of the cells between `x`, `y`, `z` of which ``filled[i, j, k]`` is true."""
    axes = [np.asarray(a, float) for a in (x, y, z)]
    filled = np.pad(np.asarray(filled, bool), 1)
    quads = []
    for axis in range(3):
        for sign in (1, -1):
            ahead = np.roll(filled, -sign, axis=axis)
            for cell in np.argwhere(filled & ~ahead) - 1:
                low, high = [axes[k][cell[k]] for k in range(3)], [axes[k][cell[k] + 1] for k in range(3)]
                a, b = (axis + 1) % 3, (axis + 2) % 3
                corner = np.array([low] * 4)
                corner[:, axis] = high[axis] if sign > 0 else low[axis]
                corner[[1, 2], a], corner[[2, 3], b] = high[a], high[b]
                quads.append(corner[::sign])
    corners = np.vstack(quads)
    vertices, index = np.unique(corners, axis=0, return_inverse=True)
    q = index.reshape(-1, 4)
    return from_arrays(vertices, np.vstack([q[:, [0, 1, 2]], q[:, [0, 2, 3]]]), name="T-slot")


def t_slot() -> Nominal:
    """Top at z = 0; along Y a neck of 32 mm, and from z = -8 to -40 a hollow of 48 mm."""
    filled = np.ones((5, 1, 3), dtype=bool)
    filled[1:4, :, 1] = filled[2, :, 2] = False
    return blocks((-40, -24, -16, 16, 24, 40), (-25, 25), (-50, -40, -8, 0), filled)


def targets(part: Nominal) -> pd.DataFrame:
    """Walls of the hollow (touches 1 to 4), its ceilings (5, 6) and floor (7), the top (8), the outside (9 to 11)."""
    places = [(24, 3, -22), (24, -9, -17), (-24, 4, -20), (-24, -8, -25), (20, 6, -8), (-20, -6, -8), (2, 3, -40),
              (-28, 5, 0), (5, 25, -44), (40, 8, -10), (-40, -7, -12)]  # fmt: skip
    return plan.place(part, np.array(places, float), feature="slot")


def clear_of(obstacles: plan.Obstacles, probe: Probe) -> Clear:
    """The clearance that routes and checks ask for."""
    return lambda start, end, attitude: plan.access.clearance.clearance_along(
        obstacles, probe, start, end, attitude, enough=1.0
    )


@functools.cache
def planned(machine: str):
    """Route, moves and program text of the star's job on the T-slot, and the clearance to it."""
    kinematics, poses = MACHINES[machine]
    part = t_slot()
    return (*routed(part, targets(part), kinematics, poses), clear_of(plan.Obstacles(part), STAR))


def routed(part: Nominal, wanted: pd.DataFrame, kinematics: Kinematics, poses):
    """Route, moves and program text of the star touching targets."""
    obstacles = plan.Obstacles(part)
    found = plan.reach(wanted, part, STAR, kinematics=kinematics, poses=poses, obstacles=obstacles)
    route = plan.order(found, STAR, kinematics, poses, obstacles=obstacles)
    moves = program.moves_of(route, STAR, kinematics, tool=7)
    return route, moves, program.write(moves, "rs274", kinematics=kinematics, probe=STAR, whole=True)
