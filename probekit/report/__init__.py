"""Results for people and programs: self-contained pages of a verdict and of a plan, one table, one JSON file."""

from .page import page
from .plan_page import plan_page
from .recut_files import recut_files
from .tables import tables

__all__ = ["page", "plan_page", "recut_files", "tables"]
