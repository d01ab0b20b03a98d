"""A budget as a file: what is stated and where from, what is assumed, and what cannot be meant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from uncertainty.worked import budget_of

from probekit import InputError
from probekit.uncertainty import read
from probekit.uncertainty.causes import CAUSES


def test_what_is_stated_keeps_its_source_and_what_is_not_is_marked_assumed(tmp_path):
    file = tmp_path / "budget.toml"
    file.write_text('[budget]\nrepeatability_2s_um = [1.0, "25 touches"]\npivot_um = 0\n')
    budget = read(file)
    by_key = {row.key: row for row in budget.rows}
    assert by_key["repeatability_2s_um"].source == "25 touches"
    assert not by_key["pivot_um"].assumed
    assert budget.u("repeatability_2s_um") == 0.5
    assert budget.u("scale_um_per_m") == pytest.approx(10 / np.sqrt(3))  # JCGM 100, 4.3.7: half width over sqrt 3
    assert {row.key for row in budget.rows if row.assumed} == set(CAUSES) - {"repeatability_2s_um", "pivot_um"}
    assert "2 stated, 16 assumed" in budget.sentence
    assert "temperature of the part not stated" in budget.sentence
    assert list(budget.table["assumed"]) == [row.assumed for row in budget.rows]


def test_a_whole_budget_takes_about_25_lines():
    text = (Path(__file__).parents[2] / "data" / "budgets" / "good.toml").read_text()
    assert len([line for line in text.splitlines() if line.strip()]) <= 26
    assert sum(row.assumed for row in budget_of("good").rows) == 1  # chord error: exact surfaces


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("radius_2s_um = 0.0012", "too small.*It is in um: 0.003 mm are 3"),  # mm
        ("repeatability_2s_um = -1", "too small"),
        ("pivot_um = 0.02", "too small.*It is in um"),  # mm
        ("scale_um_per_m = 5e-6", "too small.*It is in um/m"),  # a ratio
        ("form_um = 10000", "too large"),
        ("drift_um = nan", "too large"),
        ('drift_um = "3"', "must be a number"),
        ('drift_um = [3, ""]', "where it is from"),
        ("drift_um = [3, 4]", "where it is from"),
        ("drift_um = true", "must be a number"),
        ("driftum = 3", "unknown key.*drift_um"),
        ('corrected = "no"', "true or false"),
        ("drift_um = ", "not valid TOML"),
    ],
)
def test_a_number_that_cannot_be_meant_is_refused_by_key(tmp_path, line, message):
    file = tmp_path / "budget.toml"
    file.write_text(f"[budget]\n{line}\n")
    with pytest.raises(InputError, match=message):
        read(file)


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({}, "no table"),
        ({"budget": 3}, "no table"),
        ({"budget": {}, "part": {"temperature": 301.0}}, "part.temperature"),  # kelvin
        ({"budget": {}, "part": {"temperature": 82.0}}, "part.temperature"),  # degrees Fahrenheit
        ({"budget": {}, "part": {"temperature": 28.0}}, "coefficient of expansion"),
        ({"budget": {}, "part": {"temperature": 28.0, "expansion_um_per_m_c": 11.5e-6}}, "too small"),
    ],
)
def test_tables_that_do_not_fit_together_are_refused(tables, message):
    with pytest.raises(InputError, match=message):
        read(tables)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml.*cannot be read"):
        read(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not UTF-8"):
        read(tmp_path / "bad.toml")


def test_what_the_study_knows_by_itself_takes_the_place_of_an_assumption_only():
    budget = read({"budget": {"chord_um": [2.0, "checked"]}})
    assert budget.stating("chord_um", 5.0, "facets").value("chord_um") == 2.0
    known = budget.stating("touch_feed_mm_min", 60.0, "[pace] touch")
    assert known.value("touch_feed_mm_min") == 60.0
    assert not next(row for row in known.rows if row.key == "touch_feed_mm_min").assumed
