"""How sure a touch is: its own scatter, and what it shares with the others."""

from .budget import Budget, read
from .common import touches
from .scatter import Scatter

__all__ = ["Budget", "Scatter", "read", "touches"]
