"""What a view shows, as plain data: built once here, drawn by the report page and by the notebook views."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use
from .build import build

if TYPE_CHECKING:
    from .plan_view import plan_scene

__all__ = ["build", "plan_scene"]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "plan_view": "plan_scene",
        },
    )
