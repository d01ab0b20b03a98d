"""Text that a spreadsheet would run: harmless in every table that is written, and the same again when it is read."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tiny
from hypothesis import example, given
from hypothesis import strategies as st

import probekit as pk
from probekit.csv_text import csv_text, guarded, head_line, read_csv_text, unguarded
from probekit.study.earlier_parts import read_csv_text as reader_of_earlier_parts

#: Beginnings that spreadsheets take for a formula: "CSV Injection", OWASP Foundation, with its full-width signs.
HOSTILE = ("=cmd|' /C calc'!A0", "+1+1", "-2+3+cmd|' /C calc'!A0", "@SUM(A1)", "\t=1", "\r=1", "\uff1d1", " =1", '"=1')
PLAIN = ("", "top", "A-1", "a = b", "-5", "+1.5e3", "'", "it's", "x;y", "- ", "3;-", "5'-6'")
RUNS = re.compile(r"[ \"\u00a0]*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]")
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def runs(cell: str) -> bool:
    """Whether a spreadsheet would take a cell for a formula; some pass over quotation marks and blanks before it."""
    return bool(RUNS.match(cell)) and not NUMBER.fullmatch(cell)


@given(st.text(alphabet="=+-@\t\r\n ;,'\"\u00a0\uff1da1.", max_size=12))
@example("'=1")
@example("''\t'=1")
def test_any_text_comes_back_and_does_not_run(text: str) -> None:
    safe = guarded(text)
    assert unguarded(safe) == text
    pieces = re.split(r"[;\n\t\r]", safe) if not NUMBER.fullmatch(safe) else []
    assert not any(re.match(r"[ \"\u00a0]*[=+\-@\uff1d]", piece) for piece in pieces)


def test_only_what_would_run_is_changed() -> None:
    assert [guarded(text) for text in PLAIN[:9]] == list(PLAIN[:9])
    for text in HOSTILE:
        assert runs(text)
        assert not runs(guarded(text)), text
    assert guarded("a;=1") == "a;'=1"  # where the language of the desk separates cells by semicolons


@pytest.mark.parametrize("text", [*HOSTILE, "'=1", "a;=1", "a,=1", "it's"])
def test_a_touches_file_gives_the_same_text_and_numbers(tmp_path: Path, text: str) -> None:
    (tmp_path / "in.csv").write_text(tiny.touches())
    table = pk.touches.read(tmp_path / "in.csv")
    table["touch"] = [text.strip() or text, *(f"T{k}" for k in range(2, len(table) + 1))]
    table["lot"] = [text] * len(table)
    table["=column"] = np.linspace(-1.5, 1.5, len(table))
    table.attrs |= {"operator": f"A. Novak,{text}", "part": f"x,{text}"}
    pk.touches.write(table, tmp_path / "out.csv")
    again = pk.touches.read(tmp_path / "out.csv")
    pd.testing.assert_frame_equal(again, table, check_exact=True)
    for key in ("operator", "part"):
        assert again.attrs[key] == table.attrs[key]
    for separator in (",", ";"):
        with (tmp_path / "out.csv").open(newline="", encoding="utf-8") as stream:
            cells = [cell for row in csv.reader(stream, delimiter=separator) for cell in row]
        assert not [cell for cell in cells if runs(cell)], separator


def test_a_file_without_such_text_is_written_as_before(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(tiny.touches())
    pk.touches.write(pk.touches.read(tmp_path / "in.csv"), tmp_path / "out.csv")
    assert "guarded" not in (tmp_path / "out.csv").read_text()
    text = "# unit: mm\n# recorded: centre\ntouch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n1,'=top,0,0,0,0,0,1,0,0,3,\n"
    (tmp_path / "of others.csv").write_text(text)
    assert pk.touches.read(tmp_path / "of others.csv")["feature"].tolist() == ["'=top"]  # theirs is left as it is


def test_a_plain_table_comes_back() -> None:
    table = pd.DataFrame({"=a": [1.5, -2.0, np.nan], "name": ["=x", "'=x", "-5 mm"], "n": [1, -2, 3]})
    text = csv_text(table, ("unit: mm", "note: a,=b"))
    assert text.splitlines()[:3] == ["# unit: mm", '"# note: a,=b"', "# guarded: yes"]
    pd.testing.assert_frame_equal(read_csv_text(text), table, check_dtype=False)
    plain = table.rename(columns={"=a": "a"}).assign(name="x")
    assert csv_text(plain) == plain.to_csv(index=False, lineterminator="\n")
    assert head_line('say "=1"') == '# say "=1"'
    assert reader_of_earlier_parts is read_csv_text


def test_a_plan_and_an_export_keep_the_names(tmp_path: Path) -> None:
    plan = pd.DataFrame({"touch": ["-a", "b"], "feature": "=top", **dict.fromkeys(("x0", "y0", "i", "j"), 0.0)})
    plan = plan.assign(z0=-1.0, k=1.0)
    (tmp_path / "again.csv").write_text(csv_text(plan))
    again = pk.touches.read_plan(tmp_path / "again.csv")
    assert again["touch"].tolist() == ["-a", "b"]
    assert again["feature"].tolist() == ["=top", "=top"]
