"""What to do next: what each correction would bring, where a re-cut could help, and suggestions with their reasons."""

from .again import touch_again
from .corrections import corrections, uniform_offset
from .regions import find_regions
from .suggest import CAUTION, Action, suggest

__all__ = ["CAUTION", "Action", "corrections", "find_regions", "suggest", "touch_again", "uniform_offset"]
