"""Rigid fits: touches onto the nominal (least squares, robust, minimax; any freedom held), and paired points."""

from ..geometry import make_motion
from .datums import Datum, DatumTarget, datum_frame
from .element_of import element_of
from .elements import element
from .motion import FREEDOMS, move_touches
from .paired import paired
from .qualification import qualify
from .rigid import rigid
from .setup import set_up

__all__ = [
    "FREEDOMS",
    "Datum",
    "DatumTarget",
    "datum_frame",
    "element",
    "element_of",
    "make_motion",
    "move_touches",
    "paired",
    "qualify",
    "rigid",
    "set_up",
]
