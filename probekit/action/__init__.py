"""What to do next: what each correction would bring, where a re-cut could help, and suggestions with their reasons."""

from .corrections import corrections, uniform_offset
from .regions import find_regions
from .suggest import CAUTION, Action, suggest

__all__ = ["CAUTION", "Action", "corrections", "find_regions", "suggest", "uniform_offset"]
