"""The list of faces, against what the demo part is made of (data/README.md: an invented part, sizes in closed form)."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import tiny

from probekit import cli, nominal
from probekit.nominal import list_faces
from probekit.nominal.face_list import faces_text
from probekit.report.faces_page import faces_page
from probekit.scene.face_pictures import face_pictures, faces_svg

FOIL = Path(__file__).parents[2] / "data" / "foil" / "foil.step"


@pytest.fixture(scope="module")
def foil():
    pytest.importorskip("OCP")
    return nominal.load(FOIL)


def test_kind_size_and_place_are_those_that_the_part_was_made_with(foil):
    found = list_faces(foil).set_index("face")
    bore = found.loc["bore"]  # axis at x = -45, y = 26, diameter 20, 20 mm deep
    assert (bore["kind"], bore["diameter"]) == ("bore", pytest.approx(20.0))
    assert bore["area"] == pytest.approx(np.pi * 20 * 20, rel=1e-3)
    assert re.match(r"through \(-45, 26, .*\) along \(0, 0, -?1\)", bore["axis"])
    assert found.loc["skin", "kind"] == "freeform"
    base = found.loc["base_top"]
    assert (base["kind"], base["z"], base["k"]) == ("plane", pytest.approx(0), pytest.approx(1))


def test_a_ball_has_a_centre_and_no_axis(tmp_path):
    pytest.importorskip("OCP")
    import exact_shapes

    ball = list_faces(nominal.load(exact_shapes.write(exact_shapes.sphere(), tmp_path / "ball.step")))
    assert ball["axis"].str.fullmatch(r"centre \(.*\)").all()
    assert "; centre (" in faces_text(ball)


def test_the_point_given_for_a_face_names_that_face(foil):
    listed = list_faces(foil)
    points = {f"f{n}": list(map(float, row)) for n, row in enumerate(listed[["x", "y", "z"]].round(3).to_numpy())}
    named = nominal.name_faces(foil, points)
    assert named.face_names == tuple(points)


def test_faces_of_a_mesh_are_listed_too(tmp_path):
    tiny.write(tmp_path)
    found = list_faces(nominal.load(tmp_path / "block.stl", unit="mm"))
    assert found["kind"].tolist() == ["plane"] * 6
    assert sorted(found["area"]) == pytest.approx([800, 800, 1200, 1200, 2400, 2400])
    assert faces_text(found).count("\n") == 6


def test_every_face_that_can_be_seen_has_its_name_in_a_picture(foil):
    labels = [name for one in face_pictures(foil) for name, _, _ in one.labels]
    assert set(labels) == set(foil.face_names)
    assert all(f">{name}</text>" in faces_svg(face_pictures(foil, most=3)) for name in ("skin", "bore"))


def test_a_label_stands_where_its_face_is_seen(tmp_path):
    """Of a box from above only the top is seen: its name stands in the middle of it."""
    tiny.write(tmp_path)
    part = nominal.load(tmp_path / "block.stl", unit="mm", faces={"top": [30, 20, 20]})
    for one in face_pictures(part):
        for _, (x, y), (u, v) in one.labels:
            assert 0 < x < one.width
            assert 0 < y < one.height
            assert np.hypot(x - u, y - v) < 200
    assert {name for one in face_pictures(part) for name, _, _ in one.labels} == set(part.face_names)


def test_the_command_writes_page_and_picture_for_model_and_study(tmp_path, capsys):
    study = tiny.write(tmp_path)
    assert cli.main(["faces", str(tmp_path / "block.stl"), "--unit", "mm", "--to", str(tmp_path / "a")]) == 0
    assert "face_1" in capsys.readouterr().out
    assert cli.main(["faces", str(study), "--to", str(tmp_path / "b")]) == 0
    assert "front" in capsys.readouterr().out
    page = (tmp_path / "b" / "faces.html").read_text(encoding="utf-8")
    assert page.count('<tr data-face="') == 6
    assert "://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert (tmp_path / "b" / "faces.svg").read_text(encoding="utf-8").startswith("<svg")


def test_names_from_a_model_cannot_break_the_page(tmp_path):
    tiny.write(tmp_path)
    part = nominal.load(tmp_path / "block.stl", unit="mm", faces={'<img src=x onerror="hurt()">': [30, 20, 20]})
    page = faces_page(list_faces(part), face_pictures(part), title="<b>", to=tmp_path / "f.html").read_text()
    assert "<img" not in page
