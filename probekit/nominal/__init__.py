"""The nominal: the model of the part as it should be, its faces, and closest points on it."""

from .faces import group_facets, name_faces
from .facets import FacetEngine, Feet
from .load import FORMATS, UNITS, from_arrays, load
from .model import Nominal

__all__ = ["FORMATS", "UNITS", "FacetEngine", "Feet", "Nominal", "from_arrays", "group_facets", "load", "name_faces"]
