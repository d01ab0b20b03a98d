"""Probing moves as data, NC text in a dialect, merged with a milling program and checked before release."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .checking.checks import check
    from .checking.release import release_sheet
    from .merging.difference import difference
    from .merging.merge import merge
    from .reading.interpreter import run
    from .writing.compose import moves_of, table_of
    from .writing.dialect import dialect_names, example_dialect
    from .writing.dialect_reader import read_dialect
    from .writing.kinds import omissions
    from .writing.write import write

__all__ = [
    "check",
    "dialect_names",
    "difference",
    "example_dialect",
    "merge",
    "moves_of",
    "omissions",
    "read_dialect",
    "release_sheet",
    "run",
    "table_of",
    "write",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "checking.checks": "check",
            "checking.release": "release_sheet",
            "merging.difference": "difference",
            "merging.merge": "merge",
            "reading.interpreter": "run",
            "writing.compose": "moves_of table_of",
            "writing.dialect": "dialect_names example_dialect",
            "writing.dialect_reader": "read_dialect",
            "writing.kinds": "omissions",
            "writing.write": "write",
        },
    )
