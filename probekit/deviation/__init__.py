"""Touches projected on the nominal: feet, signed deviations and flags."""

from .project import distance_function, project

__all__ = ["distance_function", "project"]
