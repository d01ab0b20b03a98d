"""What a view shows, as plain data: built once here, drawn by the report page and by the notebook views."""

from .build import build
from .model import GlyphMesh, Legend, Limits, Lines, Scene, Solid, VerdictEntry
from .plan_view import plan_scene

__all__ = ["GlyphMesh", "Legend", "Limits", "Lines", "Scene", "Solid", "VerdictEntry", "build", "plan_scene"]
