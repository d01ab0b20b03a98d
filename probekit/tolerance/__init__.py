"""Tolerances and their evaluation: profile in its forms, form, orientation, position, size, runout."""

from .evaluation import Evaluation
from .form import circularity, cylindricity, flatness, straightness, straightness_of_axis
from .line_profile import line_profile
from .orientation import orientation, orientation_of_axis
from .position import pattern, position
from .profile import profile
from .requirements import composite, separate, simultaneous
from .runout import runout
from .size import size
from .spec import Form, LineProfile, Orientation, Profile
from .spec_located import Position, Runout, Size
from .spec_table import Composite, read_tolerance
from .together import evaluate_all

__all__ = [
    "Composite",
    "Evaluation",
    "Form",
    "LineProfile",
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
