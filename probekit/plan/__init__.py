"""Where to touch: targets on the model, the probe, reach, the order of touching."""

from .clearance import Obstacles, clearance_along
from .count import (
    chance_missed,
    risk_table,
    spacing_for_sagitta,
    spacing_for_spot,
    touches_by_feature,
    touches_for_coverage,
    touches_for_defect,
)
from .curves import Curve, along
from .kinematics import Kinematics, RotaryAxis
from .lines import boundary, offset, project, section
from .margin import keep_out
from .pace import CycleTime, Leg, Pace
from .parameters import iso
from .patterns import Axis, axis_of, pairs, plane, rings
from .picks import pick, pick_ray
from .poses import pose_frame, poses
from .probe import Probe, Tip
from .reach import reach
from .regions import Ball, Box, Cylinder, Region, Solid
from .route import Route, few_poses, order, safe_height
from .rows import grid_along, grid_uv, scan
from .spread import blue_noise, farthest, poisson_disc
from .targets import check, drop, join, move, place, renumber

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
    "touches_by_feature",
    "touches_for_coverage",
    "touches_for_defect",
]
