"""Exact surfaces: STEP files through an optional CAD kernel, closest points on trimmed faces without it."""

from .brep import Brep, ExactFace
from .engine import HOW, ExactEngine, ExactFeet
from .kernel import MissingKernelError

__all__ = ["HOW", "Brep", "ExactEngine", "ExactFace", "ExactFeet", "MissingKernelError"]
