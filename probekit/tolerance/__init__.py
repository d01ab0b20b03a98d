"""Tolerances and their evaluation: profile in its forms, form, orientation, position, size, runout."""

from .boundaries import boundary_limits
from .cover import ENOUGH, sections_of
from .evaluation import Evaluation
from .explain import Explanation, explain
from .form import circularity, cylindricity, flatness, straightness, straightness_of_axis
from .line_profile import line_profile
from .orientation import orientation, orientation_of_axis
from .per_unit import per_unit
from .position import bonus_of, pattern, position, virtual_condition
from .profile import limits, profile
from .propagation import Carried, carry, own_uncertainty, value_u
from .requirements import composite, separate, simultaneous
from .runout import runout
from .size import size
from .spec import Form, LineProfile, Orientation, Profile, Tolerance
from .spec_located import Position, Runout, Size
from .spec_table import KINDS, Composite, read_tolerance
from .symbols import SYMBOLS, frame_svg, frame_text
from .together import evaluate_all, in_frame

__all__ = [
    "ENOUGH",
    "KINDS",
    "SYMBOLS",
    "Carried",
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
    "carry",
    "circularity",
    "composite",
    "cylindricity",
    "evaluate_all",
    "explain",
    "flatness",
    "frame_svg",
    "frame_text",
    "in_frame",
    "limits",
    "line_profile",
    "orientation",
    "orientation_of_axis",
    "own_uncertainty",
    "pattern",
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
    "value_u",
    "virtual_condition",
]
