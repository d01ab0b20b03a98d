"""What to do next: what each correction would bring, where a re-cut could help, and suggestions with their reasons."""

from .again import touch_again
from .corrections import corrections, uniform_offset
from .suggest import suggest

__all__ = ["corrections", "suggest", "touch_again", "uniform_offset"]
