"""Probing moves as data, NC text in a dialect, merged with a milling program and checked before release."""

from __future__ import annotations

from .checking.checks import check
from .checking.findings import CheckResult, Finding, Findings
from .checking.release import release_sheet
from .merging.difference import Difference, difference
from .merging.merge import Merged, merge
from .reading.interpreter import run
from .reading.modal import Modal
from .reading.source import Source, load
from .reading.steps import Recorded, Step, path_of
from .reading.words import Block, parse
from .writing.compose import check_moves, moves_of, table_of
from .writing.dialect import Dialect, dialect_names, example_dialect, read_dialect
from .writing.write import omissions, write

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
    "example_dialect",
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
