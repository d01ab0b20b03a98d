"""Rigid fits: touches onto the nominal (least squares, robust, minimax; any freedom locked), and paired points."""

from ..geometry import apply_motion, invert_motion, make_motion, motion_parameters
from .alignment import Alignment
from .datums import SIMULATORS, Datum, DatumFrame, DatumTarget, Freedom, Mobility, datum_frame
from .element_of import element_of
from .elements import Element, element
from .minimax import MinimaxResult, minimax_motion
from .motion import FREEDOMS, move_touches
from .paired import paired
from .qualification import qualify
from .qualified import Qualification
from .rigid import METHODS, rigid
from .setup import SetUp, set_up, work_offset_change

__all__ = [
    "FREEDOMS",
    "METHODS",
    "SIMULATORS",
    "Alignment",
    "Datum",
    "DatumFrame",
    "DatumTarget",
    "Element",
    "Freedom",
    "MinimaxResult",
    "Mobility",
    "Qualification",
    "SetUp",
    "apply_motion",
    "datum_frame",
    "element",
    "element_of",
    "invert_motion",
    "make_motion",
    "minimax_motion",
    "motion_parameters",
    "move_touches",
    "paired",
    "qualify",
    "rigid",
    "set_up",
    "work_offset_change",
]
