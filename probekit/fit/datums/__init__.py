"""Datums: features, their simulators, and the frame that they establish by precedence."""

from .establish import datum_frame
from .features import Datum, DatumTarget
from .frame import DatumFrame
from .freedom import Freedom
from .mobility import Mobility
from .simulators import SIMULATORS

__all__ = ["SIMULATORS", "Datum", "DatumFrame", "DatumTarget", "Freedom", "Mobility", "datum_frame"]
