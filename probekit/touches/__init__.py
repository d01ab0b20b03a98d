"""Results in: the touches table, its own CSV, column-mapped text, plausibility, stylus, ball compensation.

One row per touch; the columns and the metadata are described in `probekit.touches.table`, the file in
`probekit.touches.csv_file`.
"""

from __future__ import annotations

from .cloud import read_cloud
from .compensation import compensate
from .control import from_program, read_moves, read_parameters
from .csv_file import read, read_plan
from .csv_writing import write
from .lobing import RadiusMap
from .stylus import Stylus
from .text_file import read_text

__all__ = [
    "RadiusMap",
    "Stylus",
    "compensate",
    "from_program",
    "read",
    "read_cloud",
    "read_moves",
    "read_parameters",
    "read_plan",
    "read_text",
    "write",
]
