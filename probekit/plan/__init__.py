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
this from a study file. Of poses that reach, `few_poses` keeps as few as will do: run `reach` again with those.
"""

from .access.clearance import Obstacles, clearance_along
from .access.poses import pose_frame, poses, tip_offset
from .access.reach import reach
from .kinematics import Kinematics, RotaryAxis
from .probe import Probe, Tip
from .route.pace import CycleTime, Leg, Pace
from .route.route import Route, few_poses, order, safe_height
from .targets.count import (
    chance_missed,
    risk_table,
    spacing_for_sagitta,
    spacing_for_spot,
    touches_by_feature,
    touches_for_coverage,
    touches_for_defect,
)
from .targets.curves import Curve, along
from .targets.lines import boundary, offset, project, section
from .targets.margin import keep_out
from .targets.parameters import iso
from .targets.patterns import Axis, axis_of, pairs, plane, rings
from .targets.picks import pick, pick_ray
from .targets.regions import Ball, Box, Cylinder, Region, Solid
from .targets.rows import grid_along, grid_uv, scan
from .targets.spread import blue_noise, farthest, poisson_disc
from .targets.table import check, drop, join, move, place, renumber

__all__ = [
    "Axis",
    "Ball",
    "Box",
    "Curve",
    "CycleTime",
    "Cylinder",
    "Kinematics",
    "Leg",
    "Obstacles",
    "Pace",
    "Probe",
    "Region",
    "RotaryAxis",
    "Route",
    "Solid",
    "Tip",
    "along",
    "axis_of",
    "blue_noise",
    "boundary",
    "chance_missed",
    "check",
    "clearance_along",
    "drop",
    "farthest",
    "few_poses",
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
    "pose_frame",
    "poses",
    "project",
    "reach",
    "renumber",
    "rings",
    "risk_table",
    "safe_height",
    "scan",
    "section",
    "spacing_for_sagitta",
    "spacing_for_spot",
    "tip_offset",
    "touches_by_feature",
    "touches_for_coverage",
    "touches_for_defect",
]
