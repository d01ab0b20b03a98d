"""Write the demo scenario: `python data/make_demo.py [FOLDER]`; without FOLDER, data/foil beside this file.

Everything is invented. The same files come out byte for byte: numbers are rounded before they are written, noise comes
from a fixed seed, and the 3MF is a zip without compression and with fixed dates.
"""

from __future__ import annotations

import json
import re
import sys
import zipfile
from collections.abc import Iterable
from io import BytesIO
from pathlib import Path

import foil_before
import foil_made
import foil_mesh
import foil_milling
import foil_shape
import foil_step
import numpy as np

CHORD_ERROR = 0.003  # stated bound on the distance of the mesh's skin from the exact skin [mm]

FACE_POINTS = {  # a point on each face [mm], for the study on the mesh
    "skin": None,  # taken from the exact surface
    "trailing_edge": None,
    "tip": None,
    "base_top": (50.0, -30.0, 0.0),
    "base_bottom": (50.0, -30.0, -20.0),
    "side_front": (0.0, -45.0, -10.0),
    "side_right": (70.0, 0.0, -10.0),
    "side_back": (0.0, 45.0, -10.0),
    "side_left": (-70.0, 0.0, -10.0),
    "bore": (-55.0, 26.0, -10.0),
    "slot": (30.0, 32.0, -10.0),
}

CONTENT_TYPES = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""

RELATIONSHIPS = """<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Id="rel0" Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>
"""

STUDY = """\
# The whole job on the demo part in one file. The part, the machine and the numbers are invented: see ../README.md.
# Lengths in mm, angles in degrees. File names are relative to this file.

[part]
name = "Foil J61 (invented)"
{part}

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
effective_radius = 2.991  # from qualification: a little less than half the diameter
stem_diameter = 4.0
length = 50.0
body = [[50, 25], [120, 25], [120, 62], [170, 62]]  # its outline: height above the ball's centre, diameter
tool_length = 170.0  # from the spindle nose to the centre of the ball
name = "invented touch probe"

[deviation]
compensate = "foot"  # ball centre to contact along the normal of the: target | foot | approach
max_distance = 2.0  # a touch further than this from its face is flagged

[alignment]
features = ["base_top", "bore", "slot"]  # the datum features
method = "least_squares"  # least_squares | huber | tukey | minimax
free = ["tx", "ty", "tz", "rx", "ry", "rz"]  # what the fit may move; the rest stays zero

[[tolerance]]
kind = "profile"
name = "skin profile"
features = ["skin"]
width = 0.20  # +-0.10

[[tolerance]]
kind = "profile"
name = "base top"
features = ["base_top"]
width = 0.05

[[tolerance]]
kind = "profile"
name = "bore and slot"
features = ["bore", "slot"]
width = 0.05

[[cutter]]  # which tool cut which faces last, as milling.nc has it: an offset is then that of its entry in the control
tool = 1
operation = "face the base"
faces = ["base_top"]

[[cutter]]
tool = 2
operation = "bore"
faces = ["bore"]
entry = "radius"  # the entry that the depth answers to

[[cutter]]
tool = 3
operation = "slot"
faces = ["slot"]
entry = "radius"

[[cutter]]
tool = 4
operation = "finish the skin"
faces = ["skin"]
entry = "radius"
radius = 5.0  # of its ball: whether it reaches where material is left

[uncertainty]
u = 0.003  # standard uncertainty of a deviation

[decision]
rule = "proved"  # proved | guarded | simple
level = 0.95  # probability of each bound of an actual value; by default so in ISO 14253-1:2017, from memory

[[section]]  # drawn on the page: the curve, and the touches beside it with their zone
name = "wing at z = 60"
point = [0, 0, 60]
normal = [0, 0, 1]
faces = "skin"
within = 2.0  # how near to the curve a touch lies

[[section]]
name = "foot of the wing"
point = [0, 0, 5.5]
normal = [0, 0, 1]
faces = "skin"
{before}"""


PART = """\
model = "foil.step"  # exact surfaces; they need the CAD kernel: the extra `step`
without_kernel = "study_mesh.toml"  # run in its place, with a note, where that is not installed

[part.faces]  # its faces have names already; four of them together are the slot
slot = ["slot_1", "slot_2", "slot_3", "slot_4"]"""

PART_MESH = """\
model = "foil.3mf"  # facets, which leave the exact surface by up to 0.003 mm

[part.faces]  # name = a point on the face
{faces}"""


def stl(vertices: np.ndarray, facets: np.ndarray) -> bytes:
    """Write the mesh as a binary STL; the format has no unit, so the header says it in words."""
    corner = vertices[facets]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    record = np.zeros(len(facets), dtype=[("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("attribute", "<u2")])
    record["normal"], record["corner"] = np.round(normal, 4) + 0.0, corner
    header = b"Foil J61, an invented demo part; millimetres".ljust(80)
    return header + np.uint32(len(facets)).astype("<u4").tobytes() + record.tobytes()


def three_mf(vertices: np.ndarray, facets: np.ndarray) -> bytes:
    """Write the mesh as a 3MF file: an OPC package, stored, not deflated, so that no zlib changes the bytes."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<model unit="millimeter" xml:lang="en-US" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">',
        '<metadata name="Title">Foil J61 (invented)</metadata>',
        '<metadata name="Description">Demo part, invented: wing on a base.</metadata>',
        '<resources><object id="1" type="model" name="foil"><mesh><vertices>',
        *('<vertex x="{}" y="{}" z="{}"/>'.format(*map(_short, row)) for row in vertices.tolist()),
        "</vertices><triangles>",
        *('<triangle v1="{}" v2="{}" v3="{}"/>'.format(*row) for row in facets.tolist()),
        "</triangles></mesh></object></resources>",
        '<build><item objectid="1"/></build></model>',
        "",
    ]
    members = {
        "3D/3dmodel.model": "\n".join(lines),
        "[Content_Types].xml": CONTENT_TYPES,
        "_rels/.rels": RELATIONSHIPS,
    }
    buffer = BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as package:
        for name, text in sorted(members.items()):
            entry = zipfile.ZipInfo(name, date_time=(2026, 1, 1, 0, 0, 0))
            entry.create_system = 3  # the same on every system
            entry.external_attr = 0o644 << 16
            package.writestr(entry, text.encode())
    return buffer.getvalue()


def touches_csv(features: list[str], points: np.ndarray, normals: np.ndarray, centres: np.ndarray) -> str:
    """Write the results file: metadata lines, a header, one row per touch."""
    lines = [
        "# part: Foil J61 (invented)",
        "# program: J61-PROBE-1 (invented)",
        "# machine: invented 5-axis mill",
        "# stylus: ball 6 mm, stem 4 mm, length 50 mm",
        "# temperature: 20.4",
        "# unit: mm",
        "# recorded: centre",
        "# time: 2026-11-20T14:05:00",
        f"# rows: {len(features)}",
        "touch,feature,x0,y0,z0,i,j,k,x,y,z,reason",
    ]
    for number, (feature, point, normal, centre) in enumerate(zip(features, points, normals, centres, strict=True), 1):
        missed = bool(np.isnan(centre).any())
        lines.append(
            ",".join(
                [
                    str(number),
                    feature,
                    *(f"{value:.4f}" for value in point),
                    *(f"{value:.6f}" for value in normal),
                    *("" if missed else f"{value:.4f}" for value in centre),
                    "no trigger within overtravel" if missed else "",
                ]
            )
        )
    return "\n".join(lines) + "\n"


def true_deviations(features: list[str], centres: np.ndarray) -> np.ndarray:
    """(n,) deviation of each touch [mm] from the exact nominal shape once the true motion is undone; NaN if missed."""
    inverse = np.linalg.inv(foil_made.motion())
    own = centres @ inverse[:3, :3].T + inverse[:3, 3]
    x, y, z = own.T
    bore_x, bore_y, bore_radius = foil_shape.BORE
    left, right, middle, slot_radius = foil_shape.SLOT
    skin = np.full(len(centres), np.nan)
    on_skin = np.array([feature == "skin" for feature in features]) & np.isfinite(x)
    skin[on_skin] = foil_shape.skin_distance(own[on_skin])
    distance = {
        "base_top": z,
        "bore": bore_radius - np.hypot(x - bore_x, y - bore_y),
        "slot": slot_radius - np.hypot(x - np.clip(x, left, right), y - middle),
        "skin": skin,
    }
    return np.array([distance[feature][row] for row, feature in enumerate(features)]) - foil_made.BALL_RADIUS


def truth(mesh: tuple[np.ndarray, np.ndarray, np.ndarray], features: list[str], deviations: np.ndarray) -> dict:
    """Collect what was injected, and what an analysis should find."""
    vertices, facets, facet_face = mesh
    inverse = np.linalg.inv(foil_made.motion())
    size = np.abs(deviations)
    ids = np.arange(1, len(features) + 1)
    return {
        "note": "everything is invented; mm and degrees; see ../README.md",
        "motion_nominal_to_program": {
            "translation": list(foil_made.SHIFT),
            "rotation_vector_deg": list(foil_made.TURN),
            "matrix": _plain(foil_made.motion(), 9),
        },
        "motion_measured_to_nominal": {
            "translation": _plain(inverse[:3, 3], 6),
            "rotation_vector_deg": _plain(-np.array(foil_made.TURN), 6),
            "matrix": _plain(inverse, 9),
        },
        "skin_offset": foil_made.OFFSET,
        "gouge": {
            "side": "pressure",
            "centre": _plain(foil_made.gouge_centre(), 3),
            "depth": foil_made.GOUGE["depth"],
            "radius": foil_made.GOUGE["radius"],
        },
        "ridge": {"side": "suction", **{key: _plain(value, 3) for key, value in foil_made.RIDGE.items()}},
        "probe": {
            "ball_diameter": 6.0,
            "effective_radius": foil_made.BALL_RADIUS,
            "noise_sigma": foil_made.NOISE,
            "seed": foil_made.SEED,
        },
        "mesh": {
            "vertices": len(vertices),
            "facets": len(facets),
            "facets_per_face": {name: int((facet_face == face).sum()) for face, name in enumerate(foil_mesh.FACES)},
            "chord_error_skin_below": CHORD_ERROR,
        },
        "touches": {name: features.count(name) for name in dict.fromkeys(features)},
        "limits": [-0.1, 0.1],
        "outside": ids[size > 0.1].tolist(),
        "undecided": ids[(size > 0.088) & (size < 0.1)].tolist(),
        "missed": ids[np.isnan(size)].tolist(),
        "true_deviation": dict(
            zip(ids.astype(str).tolist(), [None if np.isnan(d) else _plain(d, 4) for d in deviations], strict=True)
        ),
    }


def truth_json(facts: dict) -> str:
    """Write the facts as JSON, with each list of plain values on one line."""
    text = json.dumps(facts, indent=1)
    return re.sub(r"\[[^\[\]{}]*\]", lambda found: re.sub(r"\s+", " ", found[0]), text) + "\n"


def study() -> str:
    """Text of study.toml."""
    return STUDY.format(part=PART, before=foil_before.TABLES)


def study_mesh() -> str:
    """Text of study_mesh.toml: the same job, but on the mesh."""
    points = dict(FACE_POINTS)
    points["skin"] = foil_shape.skin(0.25, 0.45)
    points["trailing_edge"] = foil_shape.skin(np.array([0.0, 1.0]), 0.5).mean(axis=0)
    points["tip"] = foil_shape.skin(np.array([0.3, 0.7]), 1.0).mean(axis=0)
    faces = "\n".join(f"{name} = {_plain(points[name], 3)}" for name in foil_mesh.FACES)
    return STUDY.format(part=PART_MESH.format(faces=faces), before=foil_before.TABLES)


def files() -> dict[str, bytes]:
    """Every file of the scenario: name -> content."""
    mesh = foil_mesh.build()
    if foil_mesh.chord_error(*mesh) > CHORD_ERROR:
        raise ArithmeticError("the mesh is coarser than stated")
    taken = foil_made.touches()
    facts = truth(mesh, taken[0], true_deviations(taken[0], taken[3]))
    return {
        "foil.stl": stl(*mesh[:2]),
        "foil.3mf": three_mf(*mesh[:2]),
        "foil.step": foil_step.build().encode(),
        "milling.nc": foil_milling.text().encode(),
        "touches.csv": touches_csv(*taken).encode(),
        "truth.json": truth_json(facts).encode(),
        "study.toml": study().encode(),
        "study_mesh.toml": study_mesh().encode(),
    }


def write(folder: Path) -> None:
    """Write the scenario into a folder, which is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files().items():
        (folder / name).write_bytes(content)


def _short(value: float) -> str:
    """Write a coordinate with no more digits than it needs."""
    return f"{value:.{foil_mesh.DECIMALS}f}".rstrip("0").rstrip(".")


def _plain(values: Iterable[float] | float, decimals: int) -> list | float:
    """Numbers ready for JSON and TOML, rounded; no minus zero."""
    return (np.round(np.asarray(values, dtype=float), decimals) + 0.0).tolist()


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "foil")
