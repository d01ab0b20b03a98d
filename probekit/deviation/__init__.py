"""Touches projected on the nominal: feet, signed deviations and flags."""

from .project import project
from .projection import Projection, distance_function, projection_on, require_same
from .table import FLAG_WORDS, one_radius

__all__ = ["FLAG_WORDS", "Projection", "distance_function", "one_radius", "project", "projection_on", "require_same"]
