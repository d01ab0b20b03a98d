"""Rigid fits: touches onto the nominal (least squares, robust, minimax; any freedom locked), and paired points."""

from .alignment import Alignment
from .minimax import MinimaxResult, minimax_motion
from .motion import FREEDOMS, apply_motion, invert_motion, make_motion, motion_parameters, move_touches
from .paired import paired
from .rigid import METHODS, rigid

__all__ = [
    "FREEDOMS",
    "METHODS",
    "Alignment",
    "MinimaxResult",
    "apply_motion",
    "invert_motion",
    "make_motion",
    "minimax_motion",
    "motion_parameters",
    "move_touches",
    "paired",
    "rigid",
]
