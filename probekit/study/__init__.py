"""The whole job as one readable file, study.toml: before the cut a plan, a program, a trial; after it an inspection.

The keys of the file are described in `probekit.settings`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .inspection import run
    from .model import load
    from .preparation import plan, program, simulate
    from .rechecking import check
    from .trying import trial
    from .writing import write

__all__ = [
    "check",
    "load",
    "plan",
    "program",
    "run",
    "simulate",
    "trial",
    "write",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "inspection": "run",
            "model": "load",
            "preparation": "plan program simulate",
            "rechecking": "check",
            "trying": "trial",
            "writing": "write",
        },
    )
