"""Probing moves as data, NC text in a dialect, merged with a milling program and checked before release."""

from __future__ import annotations

from .checks import check
from .compose import check_moves, moves_of, table_of
from .dialect import Dialect, dialect_names, read_dialect
from .difference import Difference, difference
from .findings import CheckResult, Finding, Findings
from .interpreter import run
from .merge import Merged, merge
from .modal import Modal
from .release import release_sheet
from .source import Source, load
from .steps import Recorded, Step, path_of
from .words import Block, parse
from .write import omissions, write

__all__ = [
    "Block",
    "CheckResult",
    "Dialect",
    "Difference",
    "Finding",
    "Findings",
    "Merged",
    "Modal",
    "Recorded",
    "Source",
    "Step",
    "check",
    "check_moves",
    "dialect_names",
    "difference",
    "load",
    "merge",
    "moves_of",
    "omissions",
    "parse",
    "path_of",
    "read_dialect",
    "release_sheet",
    "run",
    "table_of",
    "write",
]
