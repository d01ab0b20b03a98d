"""Results for people and programs: one self-contained page, one table, one JSON file."""

from .page import page
from .tables import tables

__all__ = ["page", "tables"]
