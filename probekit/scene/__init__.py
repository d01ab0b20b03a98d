"""What a view shows, as plain data: built once here, drawn by the report page and by the notebook views."""

from .build import build
from .model import GlyphMesh, Legend, Limits, Scene, VerdictEntry

__all__ = ["GlyphMesh", "Legend", "Limits", "Scene", "VerdictEntry", "build"]
