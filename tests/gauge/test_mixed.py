"""The mixed model against its own likelihood, written out, and against statsmodels."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from probekit import gauge

AIAG = Path(__file__).parent.parent / "published" / "data" / "aiag_msa4_grr.csv"


def study(table: pd.DataFrame) -> pd.Series:
    result = gauge.r_and_r(table, operator="appraiser", method="mixed")
    return result.table.set_index("source")["variance"]


def criterion(table: pd.DataFrame, v: pd.Series) -> float:
    """Minus twice the restricted log-likelihood, written out."""
    y, p, o = table["value"].to_numpy(), table["part"].to_numpy(), table["appraiser"].to_numpy()
    same_p, same_o = p[:, None] == p, o[:, None] == o
    cov = v["part"] * same_p + v["operator"] * same_o + v["interaction"] * (same_p & same_o)
    cov = cov + v["repeatability"] * np.eye(len(y))
    inverse = np.linalg.inv(cov)
    mean = inverse.sum(axis=1) @ y / inverse.sum()
    return np.linalg.slogdet(cov)[1] + np.log(inverse.sum()) + (y - mean) @ inverse @ (y - mean)


@pytest.mark.parametrize("row", [17, 50, 80])
def test_one_reading_of_ninety_moves_little(row):
    """A general optimiser called half the variance of parts converged here."""
    table = pd.read_csv(AIAG, comment="#")
    whole, some = study(table), study(table.drop(index=row))
    for name in ("part", "operator", "repeatability", "grr"):
        assert some[name] == pytest.approx(whole[name], rel=0.05)


@pytest.mark.parametrize("row", [3, 17, 80])
def test_nobody_finds_a_larger_likelihood(row):
    """Neither statsmodels nor any small change of the variances."""
    table = pd.read_csv(AIAG, comment="#").drop(index=row)
    found = study(table)
    ours = criterion(table, found)
    for name in ("part", "operator", "interaction", "repeatability"):
        for change in (0.99, 1.01):
            assert criterion(table, _changed(found, name, change)) >= ours - 1e-9
    lm = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    formulas = {"part": "0 + C(part)", "operator": "0 + C(appraiser)", "interaction": "0 + C(part):C(appraiser)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = lm.MixedLM.from_formula("value ~ 1", groups=np.ones(len(table)), vc_formula=formulas, data=table)
        fits = [model.fit(reml=True, method=[method]) for method in ("powell", "nm")]
    for fit in fits:
        other = pd.Series([*map(float, fit.vcomp), float(fit.scale)], [*model.exog_vc.names, "repeatability"])
        behind = criterion(table, other) - ours
        assert behind >= -1e-6
        if behind < 1e-6:  # it found the maximum, which depends on the machine: then it is ours
            names = ["part", "operator", "repeatability"]
            np.testing.assert_allclose(other[names], found[names], rtol=1e-3)


def _changed(found: pd.Series, name: str, change: float) -> pd.Series:
    out = found.copy()
    out[name] = max(out[name], 1e-6) * change
    return out


def test_intervals_hold_the_truth_with_a_third_of_the_readings_missing():
    rng, inside = np.random.default_rng(3), np.zeros(2)
    truth = np.sqrt((0.25 + 0.09 + 0.16) / 1.5)
    for _ in range(60):
        p, o, _ = (one.ravel() for one in np.meshgrid(np.arange(8), np.arange(6), np.arange(3), indexing="ij"))
        value = rng.normal(size=8)[p] + 0.5 * rng.normal(size=6)[o] + 0.3 * rng.normal(size=(8, 6))[p, o]
        table = pd.DataFrame({"part": p, "operator": o, "value": value + 0.4 * rng.normal(size=len(p))})
        result = gauge.r_and_r(table.sample(frac=0.67, random_state=int(rng.integers(1e6))), method="mixed")
        row = result.table.set_index("source").loc["repeatability"]
        v = result.values
        inside += [v["share_low"] <= truth <= v["share_high"], row["low"] <= 0.4 <= row["high"]]
    assert (inside >= 53).all()  # 57 expected
