"""Tolerances that a STEP file links to faces of facets: beside an exact body, and in a model of facets alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from nominal.exact.test_real_files import faceted_all, shell_of, written_as_facets
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder

import probekit as pk
from probekit.draft import draft_study
from probekit.nominal.exact.pmi import read_pmi


def numbers(text: str, keyword: str) -> list[int]:
    return [int(n) for n in re.findall(rf"#(\d+)\s*=\s*{keyword}\s*\(", text)]


def toleranced(path: Path, *items: str, kind: str) -> Path:
    """The file with a tolerance of 0.05 mm on each of the items; entities of ISO 10303-41 and -47, from memory."""
    text = path.read_text()
    (shape,), unit = numbers(text, "PRODUCT_DEFINITION_SHAPE"), numbers(text, r"\(\s*LENGTH_UNIT")[0]
    added = [f"#90000=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.05),#{unit});"]
    for k, item in enumerate(items):
        aspect, tolerance = 90100 + k, 90300 + k
        added += [
            f"#{aspect}=SHAPE_ASPECT('','',#{shape},.T.);",
            f"#{90200 + k}=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#{aspect},#{shape},{item});",
            f"#{tolerance}={kind}('t{k}','',#90000,#{aspect});",
        ]
    end = text.rindex("ENDSEC")
    path.write_text(text[:end] + "\n".join(added) + "\n" + text[end:])
    return path


@pytest.fixture
def alone(tmp_path: Path) -> Path:
    """A cylinder as facets alone: its side, its top, its bottom."""
    with written_as_facets():
        return es.write(shell_of(*faceted_all(BRepPrimAPI_MakeCylinder(5.0, 12.0).Shape())), tmp_path / "alone.step")


@pytest.fixture
def both(tmp_path: Path) -> Path:
    """A box as exact faces, with facets of each beside them that say which."""
    shape = BRepPrimAPI_MakeBox(10.0, 20.0, 30.0).Shape()
    BRepMesh_IncrementalMesh(shape, 0.1)
    with written_as_facets():
        return es.write(shape, tmp_path / "both.step")


def test_a_tolerance_on_a_face_of_a_model_of_facets_alone(alone: Path) -> None:
    one, two, three = numbers(alone.read_text(), "TRIANGULATED_FACE")
    (body,) = numbers(alone.read_text(), "TESSELLATED_SHELL")
    path = toleranced(alone, f"#{one}", f"(#{two},#{three})", f"#{body}", kind="SURFACE_PROFILE_TOLERANCE")
    part = pk.nominal.load(path)
    found = read_pmi(path, part)
    assert [(t.name, t.kind, t.value, t.faces) for t in found.tolerances] == [
        ("t0", "profile of a surface", 0.05, ("face_1",)),
        ("t1", "profile of a surface", 0.05, ("face_2", "face_3")),
        ("t2", "profile of a surface", 0.05, ("face_1", "face_2", "face_3")),
    ]
    assert found.not_understood == ()
    text = draft_study(path.name, found, part)
    assert 'features = ["face_1"]' in text


def test_a_tolerance_on_facets_means_the_exact_face_behind_them(both: Path) -> None:
    text = both.read_text()
    facets, exact = numbers(text, "TRIANGULATED_FACE"), numbers(text, "ADVANCED_FACE")
    (body,) = numbers(text, "TESSELLATED_SOLID")
    path = toleranced(both, f"#{facets[2]}", f"#{exact[2]}", f"#{body}", kind="FLATNESS_TOLERANCE")
    part = pk.nominal.load(path)
    found = read_pmi(path, part)
    by_facets, by_face, whole = (t.faces for t in found.tolerances)
    assert by_facets == by_face
    assert len(by_facets) == 1
    assert set(whole) == set(part.face_names)
    assert found.not_understood == ()


def test_a_tolerance_on_facets_that_name_no_face_is_listed(both: Path) -> None:
    facets = numbers(both.read_text(), "TRIANGULATED_FACE")
    text = both.read_text()
    start = re.search(rf"#{facets[0]}\s*=\s*TRIANGULATED_FACE", text).start()
    behind = re.compile(r"\)\s*,\s*#\d+\s*,").search(text, start)
    both.write_text(text[: behind.start()] + "),$," + text[behind.end() :])
    (body,) = numbers(text, "TESSELLATED_SOLID")
    path = toleranced(both, f"#{facets[0]}", f"#{body}", kind="FLATNESS_TOLERANCE")
    found = read_pmi(path, pk.nominal.load(path))
    assert [t.faces for t in found.tolerances] == [(), ()]
    said = "\n".join(found.not_understood)
    assert f"it is linked to #{facets[0]} TRIANGULATED_FACE, which is not a face of the model" in said
    assert f"it is linked to #{body} TESSELLATED_SOLID, which is not a face of the model" in said
