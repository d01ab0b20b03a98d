"""The nominal: the model of the part as it should be, its faces, and closest points on it."""

from .chord import chord_error
from .face_list import list_faces
from .faces import name_faces
from .load import can_read, from_arrays, load
from .model import Nominal

__all__ = [
    "Nominal",
    "can_read",
    "chord_error",
    "from_arrays",
    "list_faces",
    "load",
    "name_faces",
]
