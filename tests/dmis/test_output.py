"""DMIS output (ISO 22093): read, written, and read back. The samples are made up here, from memory of the standard."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tiny

import probekit as pk
from probekit.cli import main

SAMPLE = """\
FILNAM/'BLOCK RUN 7',05.2
DATE/2026/11/29
PN(A)=PARTID/'block ''seven'''
PS(B)=PARTSN/'17'
UNITS/INCH,ANGDMS
D(PART)=DATSET/DAT(A),ZDIR,ZORIG
$$ a comment with a quote ' in it
F(P1)=FEAT/POINT,CART,1.0,2.0,0.5,0.0,0.0,1.0
OUTPUT/FA(P1),TA(T1)
FA(P1)=FEAT/POINT,CART,1.0,2.0,$
0.501,0.0,0.0,1.0
fa(p2) = feat/point,pol,2.0,90:30:00,.25, 0,0,1 $$ lower case, blanks
F(HOLE)=FEAT/CIRCLE,INNER,CART,0,0,0,0,0,1,1.0
FA(HOLE)=FEAT/CIRCLE,INNER,CART,1D-3,0,0,0,0,1,1.002
PTDATA/CART,0.501,0,0
PTDATA/CART,-0.499,0,0,1,0,0
FA(TOP)=FEAT/PLANE,CART,0,0,0.5,0,0,1
FA(CONE)=FEAT/CONE,OUTER,CART,0,0,0,0,0,1,-1:30:36
T(T1)=TOL/PROFS,-0.002,0.002
TA(T1)=TOL/PROFS,0.001,INTOL
MYSTERY/1,2
ENDFIL
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "run.dmo"
    path.write_text(text, encoding="utf-8")
    return path


def test_points_features_and_tolerances_are_read(tmp_path: Path) -> None:
    found = pk.dmis.read(written(tmp_path, SAMPLE))
    assert found.part == "block 'seven'"
    assert found.touches["touch"].tolist() == ["P1", "P2", "HOLE_1", "HOLE_2"]
    assert found.touches["feature"].tolist() == ["P1", "P2", "HOLE", "HOLE"]
    places = found.touches[["x", "y", "z"]].to_numpy()
    turn = np.radians(90.5)
    polar = [2 * np.cos(turn), 2 * np.sin(turn), 0.25]
    np.testing.assert_allclose(places / 25.4, [[1, 2, 0.501], polar, [0.501, 0, 0], [-0.499, 0, 0]], atol=1e-12)
    np.testing.assert_allclose(found.touches[["x0", "y0", "z0", "k"]].to_numpy()[0], [25.4, 50.8, 12.7, 1.0])
    assert found.touches["x0"].isna().tolist() == [False, True, True, True]
    assert found.touches.attrs["recorded"] == "contact"
    assert (found.touches.attrs["serial"], found.touches.attrs["part"]) == ("17", "block 'seven'")
    values = found.values.set_index(["name", "item"])
    assert values.loc[("HOLE", "diameter"), "actual"] == pytest.approx(1.002 * 25.4)
    assert values.loc[("HOLE", "diameter"), "nominal"] == 25.4
    assert values.loc[("HOLE", "x"), "actual"] == pytest.approx(0.0254)
    assert values.loc[("TOP", "k"), "actual"] == 1.0  # a direction is no length
    assert values.loc[("CONE", "angle"), "actual"] == pytest.approx(-1.51)
    row = ["T1", "PROFS", "P1", "-0.002, 0.002", "0.001", "INTOL"]
    assert found.tolerances.to_numpy().tolist() == [row]
    assert found.notes == ("MYSTERY: 1 statement not understood and left out",)
    assert "4 measured points, 5 features, 1 tolerances; 1 notes" in found.sentence


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("UNITS/INCH,ANGDMS\n", "", r"line 7: the file does not say its unit"),
        ("UNITS/INCH", "UNITS/CUBIT", r"line 5: the unit is not one that is known; found 'CUBIT,ANGDMS'"),
        ("0.501,0.0,0.0,1.0\n", "", r"line 10: the parameters cannot be understood; found ' = feat/point"),
        ("CART,1.0,2.0,0.5,", "CART,1.0,2.0", r"line 8: this is neither a number nor a word; found '2\.00\.0'"),
        ("CART,1.0,2.0,0.5,0.0,0.0,1.0", "CART,1.0,2.0", r"line 8: the feature lacks numbers"),
        ("CART,1.0,2.0,0.5,0.0,0.0,1.0", "CART,1.0,2.0,0.5,0.0,1.0", r"line 8: the feature lacks numbers"),
        (
            "FEAT/CIRCLE,INNER,CART,1D-3,0,0,0,0,1,1.002",
            "FEAT/CIRCLE,INNER,CART,1D-3,0,0",
            r"line 14: the feature lacks",
        ),
        ("1.002\n", "1e999\n", r"line 14: this is not a finite number; found '1E999'"),
        (
            "$$ a comment",
            "WKPLAN/YZPLAN\n$$ a comment",
            r"line 13: polar coordinates .* XY alone; found 'WKPLAN/YZPLAN'",
        ),
        ("$$ a comment", "PRCOMP/OFF\n$$ a comment", r"line 7: the points are not compensated for the ball"),
        ("fa(p2)", "fa(p1)", r"line 12: the feature was measured twice; found 'P1'; expected once.*line 10"),
        ("MYSTERY/1,2", "12 apples", r"line 21: the line is no statement of DMIS; found '12 apples'"),
        ("'17'", "'17", r"line 4: the parameters cannot be understood"),
        ("ENDFIL\n", "FA(Q)=FEAT/POINT,CART,1,$\n", r"line 22: the statement goes on in a line that is not there"),
    ],
)
def test_what_is_damaged_is_refused_with_its_line(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in SAMPLE
    with pytest.raises(pk.InputError, match=message):
        pk.dmis.read(written(tmp_path, SAMPLE.replace(old, new, 1)))


def test_what_is_odd_is_noted(tmp_path: Path) -> None:
    cut = SAMPLE.replace("ENDFIL\n", "").replace("MYSTERY/1,2\n", "")
    assert pk.dmis.read(written(tmp_path, cut)).notes == ("the file does not end with ENDFIL: it may be cut short",)
    with pytest.raises(pk.InputError, match="holds no measured feature"):
        pk.dmis.read(written(tmp_path, re.sub(r"(?m)^(fa|FA|PTDATA).*\n", "", SAMPLE.replace("$\n", ""))))
    moved = SAMPLE.replace("fa(p2)", "RECALL/D(OTHER)\nfa(p2)")
    found = pk.dmis.read(written(tmp_path, moved))
    assert found.touches["frame"].tolist()[:2] == ["DATSET/DAT(A),ZDIR,ZORIG in line 6", "RECALL/D(OTHER) in line 12"]
    assert "several coordinate systems" in found.notes[-1]


def test_a_nominal_of_another_coordinate_system_is_no_target(tmp_path: Path) -> None:
    found = pk.dmis.read(written(tmp_path, SAMPLE.replace("FA(P1)=", "TRANS/ZORIG,1\nFA(P1)=", 1)))
    assert found.touches["x0"].isna().all()
    values = found.values.set_index(["name", "item"])
    assert np.isnan(values.loc[("P1", "z"), "nominal"])
    assert values.loc[("HOLE", "diameter"), "nominal"] == 25.4


def test_what_is_written_is_read_back_and_judged_the_same(tmp_path: Path) -> None:
    """By the command: inspected, written as DMIS output, and that inspected."""
    study = tiny.write(tmp_path, tiny.QUALIFIED, ('name = "sides"', 'name = "a\'$\\nENDFIL"'))
    assert main(["inspect", str(study), "--dmis", "--quiet"]) == 0
    text = (tmp_path / "results" / "results.dmo").read_text(encoding="ascii")
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert (lines[0], lines[-1], lines.count("ENDFIL")) == ("FILNAM/'block (invented)',05.2", "ENDFIL", 1)
    content = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    found = pk.dmis.read(tmp_path / "results" / "results.dmo")
    assert found.notes == ()
    assert found.touches["touch"].tolist() == [one["touch"] for one in content["touches"]]
    contacts = np.array([[one["cx"], one["cy"], one["cz"]] for one in content["touches"]])
    np.testing.assert_allclose(found.touches[["x", "y", "z"]].to_numpy(), contacts, atol=0.51e-5)
    assert found.tolerances["status"].tolist() == ["INTOL", "INTOL"]
    assert found.tolerances["kind"].tolist() == ["PROFS", "PROFS"]
    assert len(found.tolerances["features"].iloc[0].split(", ")) == 6
    (tmp_path / "again.dmo").write_text(text)
    again = pk.study.run(pk.study.load(study).with_touches(tmp_path / "again.dmo"))
    assert again.verdict.part == "conforms"
    before = [one["deviation"] for one in content["touches"]]
    np.testing.assert_allclose(again.verdict.table["deviation"].to_numpy(), before, atol=2e-5)


def test_touches_of_two_runs_put_together_keep_a_label_each(tmp_path: Path) -> None:
    verdict = pk.study.run(pk.study.load(tiny.write(tmp_path))).verdict
    table = verdict.table.assign(touch=[1, 2, 3] * (len(verdict.table) // 3) + [1] * (len(verdict.table) % 3))
    text = pk.dmis.results(replace(verdict, table=table), part="two runs")
    labels = re.findall(r"(?m)^OUTPUT/FA\((P\d+)\)$", text)
    assert len(labels) == len(set(labels)) == len(table)


def test_a_study_refuses_points_in_several_coordinate_systems(tmp_path: Path) -> None:
    study = tiny.write(tmp_path, ('file = "touches.csv"', 'file = "run.dmo"'))
    written(tmp_path, SAMPLE.replace("fa(p2)", "RECALL/D(OTHER)\nfa(p2)"))
    with pytest.raises(pk.InputError, match=r"run\.dmo: the document holds points in several coordinate systems"):
        pk.study.run(pk.study.load(study))
    study.write_text(study.read_text().replace('"run.dmo"', '"run.dmo"\nunit = "mm"'))
    with pytest.raises(pk.InputError, match=r"key 'touches\.unit': this file says by itself how it is to be read"):
        pk.study.run(pk.study.load(study))
