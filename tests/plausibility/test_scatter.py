"""Touches that scatter ten times as far as their uncertainty says, on the pad: nothing near a limit rests on it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

FLAT = '\n[[tolerance]]\nkind = "flatness"\nname = "flat"\nfeatures = ["flange"]\nwidth = {}\n'


@pytest.mark.parametrize(("width", "word"), [(0.06, "undecided"), (0.033, "undecided"), (0.6, "conforms")])
def test_what_rests_on_a_refuted_uncertainty_is_undecided(inspect, width, word):
    def noisier(table):
        extra = np.random.default_rng(3).normal(0.0, 0.02, len(table))
        table[["x", "y", "z"]] += extra[:, None] * table[["i", "j", "k"]].to_numpy()

    _, said, told, _ = inspect(noisier, ("width = 0.15", "width = 0.5"), more=FLAT.format(width))
    assert {one["name"]: one["word"] for one in told["tolerances"]}["flat"] == word
    assert told["part"] == "undecided"
    assert "an uncertainty that is stated too small" in said
    assert ("scatter far more than the uncertainty" in said) == (word == "undecided")


def test_one_chip_refutes_nothing(inspect):
    def chip(table):
        table.loc[table.index[table["feature"] == "left"][0], "x"] -= 0.05

    _, _, told, _ = inspect(chip, more=FLAT.format(0.02))
    assert {one["name"]: one["word"] for one in told["tolerances"]}["flat"] == "conforms"


@pytest.mark.parametrize(("sigma", "word"), [(0.003, "conforms"), (0.03, "undecided")])
def test_touches_made_again_test_the_uncertainty_where_no_datum_does(inspect, sigma, word):
    """u = 3 um of the study; four touches of a face that is no datum, made again."""

    def again(table):
        few = table[table["feature"] == "top"].iloc[:4]
        more = few.assign(touch=few["touch"] + 1000)
        more[["x", "y", "z"]] += np.outer([1, -1, 1, -1], [0, 0, sigma])
        return pd.concat([table, more], ignore_index=True)

    _, said, told, _ = inspect(again)
    assert ("touches of the same target differ" in said) == (word == "undecided")
    assert told["part"] == word
