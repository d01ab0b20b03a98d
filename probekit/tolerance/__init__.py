"""Tolerances and their evaluation: profile in its forms, form, orientation, position, size, runout."""

from .boundaries import boundary_limits
from .cover import ENOUGH, sections_of
from .evaluation import Evaluation
from .explain import Explanation, explain
from .form import circularity, cylindricity, flatness, straightness, straightness_of_axis
from .orientation import orientation, orientation_of_axis
from .position import bonus_of, position, virtual_condition
from .profile import limits, profile
from .profile_forms import composite, line_profile, per_unit, separate, simultaneous
from .runout import runout
from .size import size
from .spec import Form, LineProfile, Orientation, Position, Profile, Runout, Size, Tolerance
from .spec_table import KINDS, Composite, evaluate_all, read_tolerance
from .symbols import SYMBOLS, frame_svg, frame_text

__all__ = [
    "ENOUGH",
    "KINDS",
    "SYMBOLS",
    "Composite",
    "Evaluation",
    "Explanation",
    "Form",
    "LineProfile",
    "Orientation",
    "Position",
    "Profile",
    "Runout",
    "Size",
    "Tolerance",
    "bonus_of",
    "boundary_limits",
    "circularity",
    "composite",
    "cylindricity",
    "evaluate_all",
    "explain",
    "flatness",
    "frame_svg",
    "frame_text",
    "limits",
    "line_profile",
    "orientation",
    "orientation_of_axis",
    "per_unit",
    "position",
    "profile",
    "read_tolerance",
    "runout",
    "sections_of",
    "separate",
    "simultaneous",
    "size",
    "straightness",
    "straightness_of_axis",
    "virtual_condition",
]
