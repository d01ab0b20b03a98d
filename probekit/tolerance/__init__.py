"""Tolerances and their evaluation: profile in its forms, form, orientation, position, size, runout."""

from .boundary import Boundary
from .evaluation import Evaluation
from .form import Form, circularity, cylindricity, flatness, straightness
from .line_profile import LineProfile, line_profile
from .median import Median, straightness_of_axis
from .orientation import Orientation, orientation, orientation_of_axis
from .position import Position, pattern, position
from .profile import Profile, profile
from .requirements import composite, separate, simultaneous
from .runout import Runout, runout
from .size import Size, size
from .spec_table import Composite, read_tolerance
from .together import evaluate_all

__all__ = [
    "Boundary",
    "Composite",
    "Evaluation",
    "Form",
    "LineProfile",
    "Median",
    "Orientation",
    "Position",
    "Profile",
    "Runout",
    "Size",
    "circularity",
    "composite",
    "cylindricity",
    "evaluate_all",
    "flatness",
    "line_profile",
    "orientation",
    "orientation_of_axis",
    "pattern",
    "position",
    "profile",
    "read_tolerance",
    "runout",
    "separate",
    "simultaneous",
    "size",
    "straightness",
    "straightness_of_axis",
]
