"""The demo's STEP file: the text alone, then what the CAD kernel makes of it, then what probekit finds on it.

The kernel's checks of validity and volume, FITPACK and closed forms stand outside the script that wrote the file.
"""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import simpson
from scipy.interpolate import bisplev

import probekit as pk

DATA = Path(__file__).parents[2] / "data"
FOIL = DATA / "foil"
sys.path.insert(0, str(DATA))

import foil_shape  # noqa: E402
import foil_step  # noqa: E402

KINDS = {
    "skin": "spline", "trailing_edge": "spline", "tip": "plane", "base_top": "plane", "base_bottom": "plane",
    "side_front": "plane", "side_right": "plane", "side_back": "plane", "side_left": "plane", "bore": "cylinder",
    "slot_1": "plane", "slot_2": "cylinder", "slot_3": "plane", "slot_4": "cylinder",
}  # fmt: skip
needs_kernel = pytest.mark.skipif(importlib.util.find_spec("OCP") is None, reason="the CAD kernel is not installed")


@pytest.fixture(scope="module")
def entities() -> dict[int, str]:
    """Entities of the shipped file by number."""
    text = (FOIL / "foil.step").read_text()
    assert text.endswith("ENDSEC;\nEND-ISO-10303-21;\n")
    return {int(number): body for number, body in re.findall(r"^#(\d+)=(.*);$", text, re.MULTILINE)}


def coordinates(entities: dict[int, str], references: str) -> np.ndarray:
    """Points (n, 3) of a list of references."""
    points = [entities[int(number)] for number in re.findall(r"#(\d+)", references)]
    return np.array(
        [[float(x) for x in re.fullmatch(r"CARTESIAN_POINT\('',\((.*)\)\)", p)[1].split(",")] for p in points]
    )


def test_every_reference_is_there_and_every_number_is_in_its_syntax(entities):
    text = (FOIL / "foil.step").read_text()
    assert {int(number) for number in re.findall(r"#(\d+)", text)} == set(entities)
    data = re.sub(r"'[^']*'", "", text[text.index("DATA;") : text.index("END-ISO")])
    for number in re.findall(r"(?<![#\w.])[-+]?\d[\w.+-]*", data):  # ISO 10303-21, sec. 6.3: integers and reals
        assert re.fullmatch(r"[-+]?\d+|[-+]?\d+\.\d*(E[-+]?\d+)?", number), number


def test_the_skin_is_the_surface_that_defines_the_part(entities):
    (patch,) = [e for e in entities.values() if e.startswith("B_SPLINE_SURFACE_WITH_KNOTS('',3,3,")]
    net, rest = patch.split("),.UNSPECIFIED.", 1)
    assert (coordinates(entities, net).reshape(foil_shape.POLES.shape) == foil_shape.POLES).all()
    lists = [np.array(found.split(","), dtype=float) for found in re.findall(r"\(([^()]*)\)", rest)]
    for count, value, knots in ((lists[0], lists[2], foil_shape.KNOTS_U), (lists[1], lists[3], foil_shape.KNOTS_V)):
        assert (np.repeat(value, count.astype(int)) == knots).all()


def test_each_edge_borders_two_faces_in_opposite_senses(entities):
    uses: dict[str, list[str]] = {}
    loops = " ".join(e for e in entities.values() if e.startswith("EDGE_LOOP"))
    for number in re.findall(r"#(\d+)", loops):
        edge, sense = re.fullmatch(r"ORIENTED_EDGE\('',\*,\*,(#\d+),\.([TF])\.\)", entities[int(number)]).groups()
        uses.setdefault(edge, []).append(sense)
    assert all(sorted(senses) == ["F", "T"] for senses in uses.values())
    # Euler and Poincare for a shell with two through holes, whose faces have four inner loops besides (wing, bore and
    # slot twice; the outer edge of base_top encloses three): V - E + 2 F - L = 2 - 2 * 2
    count = {
        kind: sum(e.startswith(kind) for e in entities.values())
        for kind in ("VERTEX_POINT", "ADVANCED_FACE", "EDGE_LOOP")
    }
    assert count["ADVANCED_FACE"] == len(KINDS)
    assert count["VERTEX_POINT"] - len(uses) + 2 * count["ADVANCED_FACE"] - count["EDGE_LOOP"] == -2


def test_file_is_small_and_made_by_the_script(entities):
    assert len(entities) > 300
    assert (FOIL / "foil.step").stat().st_size < 50_000
    assert (FOIL / "foil.step").read_text() == foil_step.build()


@needs_kernel
def test_the_kernel_finds_one_valid_solid_of_the_right_volume():
    import exact_shapes
    import trimesh
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    shape = exact_shapes.read(FOIL / "foil.step")
    assert len(exact_shapes.parts(shape, exact_shapes.SOLID)) == 1
    assert BRepCheck_Analyzer(shape).IsValid()
    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, properties, 1e-9, False, False)  # to that relative error, adaptively
    # Closed form for the base; for the wing the shoelace area of the sections, by FITPACK, integrated over the height.
    u, v = np.linspace(0, 1, 16001), np.linspace(0, 1, 201)
    x, y = (
        np.array(bisplev(u, v, (foil_shape.KNOTS_U, foil_shape.KNOTS_V, foil_shape.POLES[..., k].ravel(), 3, 3)))
        for k in (0, 1)
    )
    area = 0.5 * np.abs((x * np.roll(y, -1, axis=0) - np.roll(x, -1, axis=0) * y).sum(axis=0))
    base = 140 * 90 * 20 - np.pi * 10**2 * 20 - (10 * 30 + np.pi * 5**2) * 20
    assert properties.Mass() == pytest.approx(base + 100 * simpson(area, x=v), rel=1e-8)
    mesh = trimesh.load_mesh(FOIL / "foil.3mf")
    assert abs(properties.Mass() - mesh.volume) < 0.003 * mesh.area


@pytest.fixture(scope="module")
def part() -> pk.nominal.Nominal:
    if importlib.util.find_spec("OCP") is None:
        pytest.skip("the CAD kernel is not installed")
    return pk.nominal.load(FOIL / "foil.step")


def test_faces_carry_their_names_and_kinds(part):
    assert {face.name: face.kind for face in part.brep.faces} == KINDS
    assert part.face_names == tuple(KINDS)
    assert part.unit_source == "STEP file: millimetre"
    assert part.notes == ()
    readme = (DATA / "README.md").read_text()
    for name in KINDS:
        assert f"`{name}`" in readme


@pytest.fixture(scope="module")
def undone() -> tuple[pd.DataFrame, dict]:
    """Touches with the true motion undone, and the truth."""
    truth = json.loads((FOIL / "truth.json").read_text())
    back = np.array(truth["motion_measured_to_nominal"]["matrix"])
    return pk.fit.move_touches(pk.touches.read(FOIL / "touches.csv"), back), truth


def test_every_touch_deviates_as_truth_says(part, undone):
    """To the rounding of the stated deviations (4 decimals); nothing else stands between."""
    table, truth = undone
    joined = part.rename_faces({f"slot_{k}": "slot" for k in (1, 2, 3, 4)})
    found = pk.deviation.project(table, joined, stylus=2.991)
    stated = np.array([truth["true_deviation"][str(t)] for t in table["touch"]], dtype=float)
    assert np.isnan(stated).sum() == 1
    np.testing.assert_allclose(found["deviation"], stated, rtol=0, atol=5.1e-5)
    assert (found["face"] == table["feature"]).all()
    seen = set(found["foot_by"][found["reason"] == ""])
    assert seen == {"formula", "newton"}


def test_distances_from_the_skin_are_those_of_the_definition(part, undone):
    """At the touches, and at points up to 3 mm off the whole skin, against foil_shape's own Newton iteration."""
    table, _ = undone
    touches = table.loc[(table["feature"] == "skin") & (table["reason"] == ""), ["x", "y", "z"]].to_numpy()
    rng = np.random.default_rng(5)
    u, v = rng.uniform(0.03, 0.97, 2000), rng.uniform(0.05, 0.95, 2000)
    off = rng.uniform(-0.3, 3.0, (2000, 1)) * foil_shape.skin_normal(u, v)
    points = np.vstack([touches, foil_shape.skin(u, v) + off])
    engine, _ = part.engine.of_face(part.face_index("skin"))
    found = engine.feet(points)
    np.testing.assert_allclose(found.distance, foil_shape.skin_distance(points), rtol=0, atol=1e-6)
    assert len(touches) == 91
