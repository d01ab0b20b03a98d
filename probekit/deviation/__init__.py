"""Touches projected on the nominal: feet, signed deviations and flags."""

from .project import project
from .projection import Projection
from .scanning import scan

__all__ = ["Projection", "project", "scan"]
