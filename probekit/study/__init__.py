"""The whole job as one readable file: study.toml in, an inspection out.

The keys of the file are described in `probekit.settings`.
"""

from .inspection import Inspection, run, write
from .model import Study, load

__all__ = ["Inspection", "Study", "load", "run", "write"]
