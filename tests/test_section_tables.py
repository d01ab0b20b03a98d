"""Planned sections in results.json and the workbook, and what is said of one that misses the part, before the cut."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import openpyxl
import pytest
import tiny

import probekit as pk
from probekit import report

ACROSS = '[[section]]\nname = "across"\npoint = [30, 20, 10]\nnormal = [1, 0, 0]\nwithin = 8.0\n\n[[plan]]'


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("across")
    found = pk.study.run(pk.study.load(tiny.write(folder, ("[[plan]]", ACROSS))))
    return pk.study.write(found, folder / "results", also=("xlsx",))["json"].parent


@pytest.fixture(scope="module")
def content(results: Path) -> dict:
    return json.loads((results / "results.json").read_text(encoding="utf-8"))


def test_length_and_stations_follow_from_the_block(content: dict) -> None:
    """The section of a block of 60 x 40 x 20 mm by x = 30 is a rectangle: its border is 120 mm long."""
    (section,) = content["sections"]
    assert section["length"] == pytest.approx(2 * (tiny.SIZE[1] + tiny.SIZE[2]))
    assert section["closed"]
    assert section["chord_error"] == 0.0 or not section["exact"]
    judged = {one["touch"]: one for one in content["touches"]}
    assert [one["station"] for one in section["touches"]] == sorted(one["station"] for one in section["touches"])
    for one in section["touches"]:
        touch = judged[one["touch"]]
        assert (one["deviation"], one["verdict"]) == (touch["deviation"], touch["verdict"])
        assert (one["u"], one["lower"], one["upper"]) == (touch["u_judged"], touch["lower"], touch["upper"])
        assert abs(touch["foot_x"] - 30.0) <= section["within"]
    near = [one for one in content["touches"] if one["deviation"] is not None and abs(one["foot_x"] - 30.0) <= 8.0]
    assert {one["touch"] for one in near} == {one["touch"] for one in section["touches"]}
    on_top = [one for one in section["touches"] if one["face"] == "top"]
    y = np.array([judged[one["touch"]]["foot_y"] for one in on_top])
    steps = np.abs(np.diff([one["station"] for one in on_top]))
    assert len(on_top) > 1
    assert steps == pytest.approx(np.abs(np.diff(y)), abs=1e-9)  # along a straight edge of the section


def test_the_workbook_holds_the_same(results: Path, content: dict) -> None:
    rows = list(openpyxl.load_workbook(io.BytesIO((results / "results.xlsx").read_bytes()))["Sections"].values)
    headings = {row[0]: n for n, row in enumerate(rows) if row[0] and not any(row[1:])}
    assert list(headings) == ["Sections", "Zones along them", "Touches along them"]
    start = headings["Touches along them"] + 1
    names, read = rows[start], [row for row in rows[start + 1 :] if row[0]]
    (section,) = content["sections"]
    assert len(read) == len(section["touches"]) > 0
    for row, one in zip(read, section["touches"], strict=True):
        found = dict(zip(names, row, strict=False))
        assert found["section"] == "across"
        assert found["touch"] == one["touch"]
        assert found["station"] == pytest.approx(one["station"], rel=1e-15)
        assert found["deviation"] == pytest.approx(one["deviation"], rel=1e-15)


def test_no_section_leaves_no_sheet(content: dict) -> None:
    without = {key: value for key, value in content.items() if key != "sections"}
    assert "Sections" not in openpyxl.load_workbook(io.BytesIO(report.workbook(without))).sheetnames


@pytest.mark.parametrize("step", [pk.study.plan, pk.study.run])
def test_a_plane_beside_the_part_is_told_before_anything_is_measured(tmp_path: Path, step) -> None:
    path = tiny.write(tmp_path, ("[[plan]]", ACROSS.replace("[30, 20, 10]", "[99, 20, 10]")))
    told: list[str] = []
    with pytest.raises(pk.InputError, match=r"study\.toml, key 'section 1': the plane misses the faces"):
        step(pk.study.load(path), progress=lambda name, _done: told.append(name))
    assert not {"choosing targets", "projecting", "judging"} & set(told)
