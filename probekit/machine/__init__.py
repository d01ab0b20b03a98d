"""A virtual machine: runs the text of a program against an as-made part and writes the results file `touches` reads.

It is a model, with the errors it is given and no others; see `probekit.machine.virtual`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazily import on_first_use

if TYPE_CHECKING:
    from .artefacts import ReferenceRing, ReferenceSphere
    from .chips import Chip
    from .made import AsMade, Hill
    from .virtual import run

__all__ = [
    "AsMade",
    "Chip",
    "Hill",
    "ReferenceRing",
    "ReferenceSphere",
    "run",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = on_first_use(
        __name__,
        {
            "artefacts": "ReferenceRing ReferenceSphere",
            "chips": "Chip",
            "made": "AsMade Hill",
            "virtual": "run",
        },
    )
