"""Results for people and programs: self-contained pages of a verdict and a plan, tables, a JSON file, a workbook."""

from .compare_page import Side, compare_page
from .page import page
from .plan_page import plan_page
from .spreadsheet import workbook
from .tables import tables

__all__ = ["Side", "compare_page", "page", "plan_page", "tables", "workbook"]
