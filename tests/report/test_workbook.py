"""The workbook, read back by an independent library (openpyxl)."""

from __future__ import annotations

import io
import json

import openpyxl
import pandas as pd
import pytest
import tiny

from probekit import cli, report


def opened(content: dict) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(report.workbook(content)))


@pytest.fixture
def content(verdict, results) -> dict:
    return report.tables(verdict, **results, provenance=[("part", "=1+1")])


def test_every_number_of_the_touches_is_a_number(verdict, content):
    rows = list(opened(content)["Touches"].values)
    read = pd.DataFrame(rows[1:], columns=rows[0])
    assert len(read) == len(verdict.table)
    assert list(read["touch"]) == list(verdict.table["touch"])
    for name in ("deviation", "x", "foot_x", "lower", "p_conform"):
        told = verdict.table[name].to_numpy(float)
        for found, expected in zip(read[name.replace("_", " ")], told, strict=True):
            assert isinstance(found, int | float)
            assert found == pytest.approx(expected, rel=1e-15, nan_ok=True)
    assert list(read["verdict"]) == list(verdict.table["verdict"])


def test_tolerances_stand_with_their_word_and_their_bounds(content):
    rows = list(opened(content)["Tolerances"].values)
    names = rows[1]
    for row, expected in zip(rows[2:], content["tolerances"], strict=False):
        found = dict(zip(names, row, strict=True))
        assert (found["name"], found["word"]) == (expected["name"], expected["word"])
        assert found["actual"] == expected["actual"]


@pytest.mark.parametrize("hostile", ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "{=1}", "http://a.b", "\x07\x00a"])
def test_text_is_never_a_formula_or_a_link(content, hostile):
    content["touches"][0]["reason"] = content["provenance"][0][1] = hostile
    book = opened(content)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert all(cell.data_type != "f" and cell.hyperlink is None for cell in cells)
    assert sum(cell.value is not None and str(cell.value).startswith(hostile[0]) for cell in cells) >= 2 or (
        hostile[0] == "\x07"
    )


def test_a_text_longer_than_a_cell_says_that_it_was_cut(content):
    content["reasons"] = ["x" * 40_000]
    texts = [row[1] for row in opened(content)["Verdict"].values if row[0] == "because"]
    assert len(texts[0]) == 32_767
    assert texts[0].endswith("(cut: 40000 characters, all of them in results.json)")


def test_a_table_longer_than_a_sheet_goes_on_in_another(content, monkeypatch):
    monkeypatch.setattr("probekit.report.spreadsheet._ROWS", 4)
    book = opened(content | {"touches": content["touches"][:7]})
    found = [book[name].max_row - 1 for name in book.sheetnames if name.startswith("Touches")]
    assert found == [3, 3, 1]


def test_the_same_results_give_the_same_bytes(content):
    assert report.workbook(content) == report.workbook(json.loads(json.dumps(content)))


def test_the_command_writes_it_beside_the_others(tmp_path):
    tiny.write(tmp_path)
    cli.main(["inspect", str(tmp_path / "study.toml"), "--quiet", "--xlsx"])
    book = openpyxl.load_workbook(tmp_path / "results" / "results.xlsx")
    assert book.sheetnames[:4] == ["Verdict", "Tolerances", "Features", "Touches"]
    said = {row[0]: row[1] for row in book["Verdict"].values}
    assert said["the part"] == json.loads((tmp_path / "results" / "results.json").read_text())["part"]
    assert "Lengths in mm" in said["units"]
