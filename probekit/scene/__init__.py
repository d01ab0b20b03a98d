"""What a view shows, as plain data: built once here, drawn by the report page and by the notebook views."""

from .build import build
from .plan_view import plan_scene

__all__ = ["build", "plan_scene"]
