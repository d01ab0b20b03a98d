"""A virtual machine: runs the text of a program against an as-made part and writes the results file `touches` reads.

It is a model, with the errors it is given and no others; see `probekit.machine.virtual`.
"""

from __future__ import annotations

from .artefacts import FORM_TEST, ReferenceRing, ReferenceSphere
from .contact import first_contact
from .errors import (
    Backlash,
    BallOffset,
    ErrorGrid,
    Latency,
    Lobing,
    MachineError,
    MissedTriggers,
    Repeatability,
    RotaryError,
    Scale,
    Squareness,
    Warming,
)
from .made import AsMade, Hill, Made
from .results import Run
from .virtual import run

__all__ = [
    "FORM_TEST",
    "AsMade",
    "Backlash",
    "BallOffset",
    "ErrorGrid",
    "Hill",
    "Latency",
    "Lobing",
    "MachineError",
    "Made",
    "MissedTriggers",
    "ReferenceRing",
    "ReferenceSphere",
    "Repeatability",
    "RotaryError",
    "Run",
    "Scale",
    "Squareness",
    "Warming",
    "first_contact",
    "run",
]
