"""The demo with few targets on a coordinate measuring machine with a head C A, its program in DMIS."""

from __future__ import annotations

from pathlib import Path

from test_before_the_cut import few_of

CHANGES = (
    # C carries A
    ('{letter = "A", moves = "head", limits = [-100, 100]}', '{letter = "C", moves = "head", limits = [-360, 360]}'),
    ('{letter = "C", moves = "table", limits = [-360, 360]}', '{letter = "A", moves = "head", limits = [-100, 100]}'),
    ("poses = [[0, 0], [75, 90], [75, -90]]", "poses = [[0, 0], [180, 32.5], [0, 32.5]]"),
    ("tool = 20\n", ""),
    ('dialect = "rs274"', 'dialect = "dmis"'),
    ('work_offset = "G54"', 'work_offset = "PART"\nsuffix = ".dmi"\nstop_outside = [-0.1, 0.15]\nconfirm = 0.5'),
    ('milling = "milling.nc"\n', ""),
    ('after = "OPERATION 4: FINISH THE SKIN"\n', ""),
    ('lift = "G0 Z400"', ""),
)


def measuring_study(folder: Path, name: str, *changes: tuple[str, str]) -> Path:
    """Its study file in a folder."""
    return few_of(folder / "demo", name, *CHANGES, *changes)
