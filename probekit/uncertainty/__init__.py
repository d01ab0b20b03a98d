"""How sure a touch is: its own scatter, and what it shares with the others."""

from .scatter import Scatter

__all__ = ["Scatter"]
