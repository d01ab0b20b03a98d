"""Rigid fits: touches onto the nominal (least squares, robust, minimax; any freedom locked), and paired points."""

from .alignment import Alignment
from .datums import datum_frame
from .elements import Element, element
from .features import Datum, DatumTarget
from .frame import DatumFrame
from .minimax import MinimaxResult, minimax_motion
from .mobility import Mobility
from .motion import FREEDOMS, apply_motion, invert_motion, make_motion, motion_parameters, move_touches
from .paired import paired
from .rigid import METHODS, rigid
from .setup import SetUp, set_up, work_offset_change
from .simulators import SIMULATORS

__all__ = [
    "FREEDOMS",
    "METHODS",
    "SIMULATORS",
    "Alignment",
    "Datum",
    "DatumFrame",
    "DatumTarget",
    "Element",
    "MinimaxResult",
    "Mobility",
    "SetUp",
    "apply_motion",
    "datum_frame",
    "element",
    "invert_motion",
    "make_motion",
    "minimax_motion",
    "motion_parameters",
    "move_touches",
    "paired",
    "rigid",
    "set_up",
    "work_offset_change",
]
