"""The nominal: the model of the part as it should be, its faces, and closest points on it."""

from .chord import chord_error
from .face_list import faces_text, list_faces
from .faces import group_facets, name_faces
from .facets import FacetEngine, Feet
from .frames import datum_feature, frame_from_faces, move_nominal, placement
from .load import FORMATS, UNITS, can_read, from_arrays, load
from .model import Nominal

__all__ = [
    "FORMATS",
    "UNITS",
    "FacetEngine",
    "Feet",
    "Nominal",
    "can_read",
    "chord_error",
    "datum_feature",
    "faces_text",
    "frame_from_faces",
    "from_arrays",
    "group_facets",
    "list_faces",
    "load",
    "move_nominal",
    "name_faces",
    "placement",
]
