"""What to do next: what each correction would bring, where a re-cut could help, and suggestions with their reasons."""

from .corrections import corrections, uniform_offset
from .cutters import Cutter
from .recut import recut_map
from .suggest import suggest

__all__ = ["Cutter", "corrections", "recut_map", "suggest", "uniform_offset"]
