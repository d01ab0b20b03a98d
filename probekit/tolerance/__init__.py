"""Tolerances and their evaluation: profile of a surface."""

from .evaluation import Evaluation
from .profile import limits, profile

__all__ = ["Evaluation", "limits", "profile"]
