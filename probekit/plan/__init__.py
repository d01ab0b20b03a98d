"""Where to touch: targets on the model, the probe, reach, the order of touching.

From the model to a route::

    rng     = np.random.default_rng(1)
    targets = plan.join(plan.rings(part, "bore"), plan.blue_noise(part, 60, rng, faces="skin", margin=3.0))
    probe   = plan.Probe(6.0, 4.0, 50.0, body=((50, 25), (120, 25), (120, 62), (170, 62)))
    machine = plan.Kinematics((plan.RotaryAxis("A", "head", limits=(-100, 100)), plan.RotaryAxis("C", "table")))
    poses   = plan.poses(machine, step=45.0)
    solids  = plan.Obstacles(part, fixtures=())
    found   = plan.reach(targets, part, probe, kinematics=machine, poses=poses, obstacles=solids)
    route   = plan.order(found, probe, machine, poses, obstacles=solids)

Targets are one table (`probekit.plan.targets.table`); every function that makes some gives such a table, and `join`,
`drop`, `move`, `keep_out` change it. `probekit.program` makes moves and text of a route; `probekit.study.plan` does all
this from a study file. With ``fewest=True`` `reach` keeps as few poses as will do, and one per feature if it can.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .access.clearance import Obstacles
    from .access.poses import poses
    from .access.reach import reach
    from .kinematics import Kinematics, RotaryAxis
    from .probe import Probe, Tip
    from .route.pace import Pace
    from .route.route import order
    from .targets.curves import along
    from .targets.gaps import fill_gaps
    from .targets.lines import boundary, offset, project, section
    from .targets.margin import keep_out
    from .targets.parameters import iso
    from .targets.patterns import Axis, pairs, plane, rings
    from .targets.picks import pick, pick_ray
    from .targets.regions import Ball, Box, Cylinder, Solid
    from .targets.rows import grid_along, grid_uv, scan
    from .targets.spread import blue_noise, farthest, poisson_disc
    from .targets.table import drop, join, move, place

__all__ = [
    "Axis",
    "Ball",
    "Box",
    "Cylinder",
    "Kinematics",
    "Obstacles",
    "Pace",
    "Probe",
    "RotaryAxis",
    "Solid",
    "Tip",
    "along",
    "blue_noise",
    "boundary",
    "drop",
    "farthest",
    "fill_gaps",
    "grid_along",
    "grid_uv",
    "iso",
    "join",
    "keep_out",
    "move",
    "offset",
    "order",
    "pairs",
    "pick",
    "pick_ray",
    "place",
    "plane",
    "poisson_disc",
    "poses",
    "project",
    "reach",
    "rings",
    "scan",
    "section",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "access.clearance": "Obstacles",
            "access.poses": "poses",
            "access.reach": "reach",
            "kinematics": "Kinematics RotaryAxis",
            "probe": "Probe Tip",
            "route.pace": "Pace",
            "route.route": "order",
            "targets.curves": "along",
            "targets.gaps": "fill_gaps",
            "targets.lines": "boundary offset project section",
            "targets.margin": "keep_out",
            "targets.parameters": "iso",
            "targets.patterns": "Axis pairs plane rings",
            "targets.picks": "pick pick_ray",
            "targets.regions": "Ball Box Cylinder Solid",
            "targets.rows": "grid_along grid_uv scan",
            "targets.spread": "blue_noise farthest poisson_disc",
            "targets.table": "drop join move place",
        },
    )
