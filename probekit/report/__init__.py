"""Results for people and programs: self-contained pages of a verdict and of a plan, one table, one JSON file."""

from .gate import gate_data
from .page import page
from .plan_page import plan_page
from .tables import tables

__all__ = ["gate_data", "page", "plan_page", "tables"]
