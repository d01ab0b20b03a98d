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


#: Milling in the copy: its first operation calls its tool itself, its second one too; invented.
MILLING = """\
%
O1000
(INVENTED PART)
G21 G17 G90 G94
G40 G80
T1 M6
(OPERATION 1)
G43 H1
G55
S5000 M3
G0 X-20 Y-20
G0 Z50
M8
G1 Z25 F500
G1 X80
G0 Z200
M9
M5
(OPERATION 2)
T2 M6
G43 H2
S6000 M3
G0 X-20 Y0
G0 Z50
G1 Z25.5 F500
G1 X80
G0 Z200
M5
M30
%
"""
#: The first phase before all milling, the second one between its operations.
IN_MILLING = (
    ('dialect = "rs274_flow"\n', 'dialect = "rs274_flow"\nmilling = "milling.nc"\nafter = "start"\n'),
    ('name = "rest"\n', 'name = "rest"\nafter = "OPERATION 1"\n'),
)


def in_milling(folder: Path, *changes: tuple[str, str], milling: str = MILLING) -> Path:
    """Write the study that is merged with milling: its path."""
    path = write(folder, "rs274_flow", *IN_MILLING, *changes)
    (folder / "milling.nc").write_text(milling, newline="")
    return path


def write(folder: Path, dialect: str = "rs274_flow", *changes: tuple[str, str]) -> Path:
    """Write the study in a dialect, with further changes (old text, new text): its path."""
    alone = ('milling = "milling.nc"\nafter = "OPERATION 1"\n', f'dialect = "{dialect}"\n')
    return tiny.write(folder, *CHANGES, alone, *changes)


#: The second phase touches the floor that the first operation has milled, and may have that run again.
CUT = """\
recut = {operation = "T1", by = "height", allowed = 0.03, limit = 0.3, to = "G59"}
estimate = [{name = "height", kind = "height", features = "floor", direction = [0, 0, 1], spread = 0.05}]
"""
CUT_AGAIN = (
    ('name = "rest"\nafter = "OPERATION 1"\n', f'name = "rest"\nafter = "OPERATION 1"\n{CUT}'),
    (
        'feature = "rest"\npoints = [[10, 10, 20], [50, 30, 20], [60, 20, 10], [30, 40, 10]]\n',
        'feature = "floor"\npoints = [[10, 10, 20], [50, 30, 20]]\n',
    ),
)
