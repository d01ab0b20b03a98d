"""Geometric elements from touches: fitted by least squares, minimum zone, inscribed, circumscribed or tangent."""

from .fitting import element
from .model import Element

__all__ = ["Element", "element"]
