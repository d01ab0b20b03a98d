"""A box whose one face was made 0.1 mm high: each alignment tells another height, known in closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes

import probekit as pk
from probekit import gauge

PART = shapes.box()


@pytest.fixture(scope="module")
def measured() -> tuple[pd.DataFrame, pk.deviation.Projection]:
    points, normals = shapes.sample_box(PART, 120, np.random.default_rng(1))
    faces = np.array(PART.face_names)[2 * np.abs(normals).argmax(axis=1) + (normals.sum(axis=1) > 0)]
    top = faces == PART.face_names[5]
    touches = pd.DataFrame({"touch": np.arange(1, 121), "feature": faces})
    touches[["x0", "y0", "z0"]] = points
    touches[["i", "j", "k"]] = normals
    touches[["x", "y", "z"]] = points + 0.1 * top[:, None] * normals
    touches["reason"] = ""
    touches.attrs["recorded"] = "contact"
    how = pk.deviation.Projection(PART)
    return how.project(touches), how


def height(table: pd.DataFrame) -> float:
    return float(table.loc[table["feature"] == PART.face_names[5], "deviation"].mean())


STRATEGIES = {
    "as clamped": None,
    "all, up and down": {"free": ["tz"]},
    "base": {"features": [PART.face_names[4]], "free": ["tz"]},
    "top": {"features": [PART.face_names[5]], "free": ["tz"]},
}


def test_values_in_closed_form(measured):
    """Base and top have as many touches: a fit of all is half way, one on the top hides everything."""
    result = gauge.alignment_strategies(*measured, STRATEGIES, height, width=0.08)
    table = result.table.set_index("strategy")
    np.testing.assert_allclose(table["value"], [0.1, 0.05, 0.1, 0.0], atol=1e-6)
    np.testing.assert_allclose(table["moved at most"], [0.0, 0.05, 0.0, 0.1], atol=1e-6)
    assert "do not agree whether it conforms" in result.sentence
    assert result.values["span"] == pytest.approx(0.1, abs=1e-6)


def test_a_strategy_that_its_touches_do_not_fix_has_no_value(measured):
    result = gauge.alignment_strategies(
        *measured, STRATEGIES | {"all freedoms": {"features": [PART.face_names[4]]}}, height
    )
    row = result.table.set_index("strategy").loc["all freedoms"]
    assert np.isnan(row["value"])
    assert "do not fix the part" in row["reason"]
    assert any("all freedoms" in note for note in result.notes)


def test_nothing_to_compare(measured):
    with pytest.raises(pk.InputError, match="nothing to compare"):
        gauge.alignment_strategies(*measured, {"one": None}, height)
    with pytest.raises(pk.InputError, match="fewer than two strategies give a value"):
        gauge.alignment_strategies(*measured, {"one": None, "two": {"features": [PART.face_names[4]]}}, height)
    with pytest.raises(pk.InputError, match="gives an Evaluation or a number"):
        gauge.alignment_strategies(*measured, STRATEGIES, lambda _: None)
