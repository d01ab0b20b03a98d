"""The tiny study in two phases: three datum faces, a shift into G55, then the rest; invented."""

from __future__ import annotations

from pathlib import Path

import tiny

LIMIT, SPREAD, SET_UP = 0.8, 0.05, 1.5  # of the shift, of the touches, of the set-up [mm]
PHASES = f"""\
[[phase]]
name = "datums"
features = ["top", "front", "left"]
set_up = {SET_UP}
estimate = [
    {{name = "dz", kind = "height", features = "top", direction = [0, 0, 1], spread = {SPREAD}}},
    {{name = "dy", kind = "height", features = "front", direction = [0, 1, 0], spread = {SPREAD}}},
    {{name = "dx", kind = "height", features = "left", direction = [1, 0, 0], spread = {SPREAD}}},
]
to = "G55"
limit = {LIMIT}
again = 1

[[phase]]
name = "rest"

"""
PLAN = """\
[[plan]]
how = "plane"
face = "front"
spacing = 25.0

[[plan]]
how = "plane"
face = "left"
spacing = 20.0

[[plan]]
how = "pick"
feature = "rest"
points = [[10, 10, 20], [50, 30, 20], [60, 20, 10], [30, 40, 10]]

[reach]"""
FIRST = 'face = "top"\nspacing = 20.0'
#: Changes of the tiny study, with fewer touches on the top.
CHANGES = (
    ("[reach]", PLAN),
    ("[simulate]", PHASES + "[simulate]"),
    (FIRST, FIRST.replace("20.0", "30.0")),
    ('errors = [{kind = "Repeatability", sigma = 0.001}]', ""),
)


def write(folder: Path, dialect: str = "rs274_flow", *changes: tuple[str, str]) -> Path:
    """Write the study in a dialect, with further changes (old text, new text): its path."""
    alone = ('milling = "milling.nc"\nafter = "OPERATION 1"\n', f'dialect = "{dialect}"\n')
    return tiny.write(folder, *CHANGES, alone, *changes)
