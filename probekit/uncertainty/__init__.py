"""How sure a touch is: its own scatter, and what it shares with the others."""

from .budget import Budget, read
from .common import touches
from .drift import drift
from .scatter import Scatter
from .shares import shares
from .thermal import at_20_degrees

__all__ = ["Budget", "Scatter", "at_20_degrees", "drift", "read", "shares", "touches"]
