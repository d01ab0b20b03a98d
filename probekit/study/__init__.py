"""The whole job as one readable file, study.toml: before the cut a plan, a program, a trial; after it an inspection.

The keys of the file are described in `probekit.settings`.
"""

from .about import about_lines
from .inspection import Inspection, run, write
from .model import Study, load, naming, nominal_of
from .outputs import summary, view, write_preparation
from .places import results_left, results_of
from .preparation import Plan, Program, plan, program, simulate

__all__ = [
    "Inspection",
    "Plan",
    "Program",
    "Study",
    "about_lines",
    "load",
    "naming",
    "nominal_of",
    "plan",
    "program",
    "results_left",
    "results_of",
    "run",
    "simulate",
    "summary",
    "view",
    "write",
    "write_preparation",
]
