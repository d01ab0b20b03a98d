"""The whole job as one readable file, study.toml: before the cut a plan, a program, a trial; after it an inspection.

The keys of the file are described in `probekit.settings`.
"""

from .inspection import run, write
from .model import load
from .outputs import summary, view, write_preparation
from .preparation import plan, program, simulate

__all__ = ["load", "plan", "program", "run", "simulate", "summary", "view", "write", "write_preparation"]
