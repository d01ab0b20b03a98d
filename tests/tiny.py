"""A tiny study of an invented part: a block of 60 x 40 x 20 mm, a mesh, touched with a 6 mm ball; ways to spoil it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

SIZE = (60.0, 40.0, 20.0)

#: The probe is qualified; without this change a verdict wants a look.
QUALIFIED = ("ball_diameter = 6.0", "ball_diameter = 6.0\neffective_radius = 3.0")

STUDY = """\
[part]
name = "block (invented)"
model = "block.stl"
unit = "mm"

[part.faces]
top = [30.0, 20.0, 20.0]
front = [30.0, 0.0, 10.0]
left = [0.0, 20.0, 10.0]

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
stem_diameter = 4.0
length = 50.0

[deviation]
max_distance = 2.0

[alignment]
features = ["top", "front", "left"]

[[tolerance]]
name = "top"
width = 0.1
features = ["top"]

[[tolerance]]
name = "sides"
width = 0.2
features = ["front", "left"]

[uncertainty]
u = 0.003
k = 2.0

[decision]
rule = "guarded"

[[plan]]
how = "plane"
face = "top"
spacing = 20.0

[reach]
margin = 1.0
standoff = 2.0
overtravel = 0.5

[program]
name = "BLOCK-PROBE"
tool = 20
milling = "milling.nc"
after = "OPERATION 1"
lift = "G0 Z200"

[simulate]
seed = 1
home = [0.0, 0.0, 200.0]
errors = [{kind = "Repeatability", sigma = 0.001}]
"""

MILLING = """\
%
G21 G17 G90 G94
G54
T1 M6
(OPERATION 1)
S5000 M3
G0 X0 Y0
G0 Z50
G1 Z25 F500
G1 X60
G0 Z200
M5
(OPERATION 2)
T2 M6
S6000 M3
G0 X0 Y0
G0 Z50
G1 Z25 F500
G0 Z200
M5
M30
%
"""


def touches(*, noise: float = 0.002, seed: int = 3) -> str:
    """The results file: ball centres on three faces, with some noise [mm]."""
    rng = np.random.default_rng(seed)
    rows = []
    for feature, fixed, normal in (("top", 2, (0, 0, 1)), ("front", 1, (0, -1, 0)), ("left", 0, (-1, 0, 0))):
        outward = np.array(normal, dtype=float)
        free = [axis for axis in range(3) if axis != fixed]
        for a in (0.2, 0.5, 0.8):
            for b in (0.3, 0.7):
                target = np.zeros(3)
                target[free] = np.array([a, b]) * np.array(SIZE)[free]
                target[fixed] = SIZE[fixed] if outward[fixed] > 0 else 0.0
                centre = target + outward * (3.0 + rng.normal(0.0, noise))
                numbers = ",".join(f"{value:.4f}" for value in (*target, *outward, *centre))
                rows.append(f"{len(rows) + 1},{feature},{numbers},")
    head = "# unit: mm\n# recorded: centre\n# part: block 1\n"
    return head + f"# rows: {len(rows)}\ntouch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n" + "\n".join(rows) + "\n"


def write(folder: Path, *changes: tuple[str, str], **files: str | bytes) -> Path:
    """Write the study, with changes (old text, new text), and further files (name with _ for the point): its path."""
    folder.mkdir(parents=True, exist_ok=True)
    block = trimesh.creation.box(bounds=[(0.0, 0.0, 0.0), SIZE])
    (folder / "block.stl").write_bytes(block.export(file_type="stl"))
    (folder / "touches.csv").write_text(touches())
    (folder / "milling.nc").write_text(MILLING)
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (folder / name.replace("_", ".", 1)).write_bytes(data)
    return write_study(folder, *changes)


def write_study(folder: Path, *changes: tuple[str, str]) -> Path:
    """Write the study file alone, with changes (old text, new text)."""
    text = STUDY
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path
