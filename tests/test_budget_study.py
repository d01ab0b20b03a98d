"""A study that states a budget: it reaches the verdict, corrections are named steps, and what is assumed is said."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tiny

import probekit as pk
from probekit.uncertainty.causes import CAUSES

BUDGET = "[budget]\n"
ALL = """[budget]
repeatability_2s_um = [6.0, "same touch 25 times"]
trigger_jitter_ms = 0.5
touch_feed_mm_min = 100
roughness_ra_um = 0.4
dirt_um = 0
form_um = 0
radius_2s_um = [1.2, "qualified"]
direction_range_um = 2
scale_um_per_m = 3
squareness_um_per_m = 5
straightness_um = 1
pivot_um = 2
index_arcsec = 2
temperature_within_c = 0.5
expansion_within_percent = 10
drift_um = 1
clamping_um = 0
"""
WARM = ('unit = "mm"\n', 'unit = "mm"\ntemperature = 30.0\nexpansion_um_per_m_c = 11.5\n')


def study(folder: Path, budget: str, *changes: tuple[str, str], **more: str) -> Path:
    return tiny.write(folder, ("[uncertainty]\nu = 0.003\n", budget + "[uncertainty]\n"), *changes, **more)


def run(path: Path) -> pk.study.inspection.Inspection:
    return pk.study.run(pk.study.load(path))


def edited(change) -> str:
    """The touches file with its table changed; comment lines stay."""
    lines = tiny.touches().splitlines()
    said = [line for line in lines if line.startswith("#") and "rows" not in line]
    from io import StringIO

    table = change(pd.read_csv(StringIO("\n".join(line for line in lines if not line.startswith("#")))))
    return "\n".join([*said, table.to_csv(index=False)])


def test_a_budget_takes_the_place_of_u_and_is_told(tmp_path):
    found = run(study(tmp_path, ALL, WARM))
    assert found.verdict.part == "conforms"
    assert found.scatter.assumed == ()
    assert not any("on assumed values" in note for notes in found.verdict.tolerances["notes"] for note in notes)
    assert "exact" not in {row.source for row in found.budget.rows}  # a mesh: the chord error is told from the facets
    assert dict(found.provenance)["standard uncertainty"].startswith("budget of 18 numbers, 18 stated")
    assert (found.verdict.table["u"] > 0.0009).all()
    radius = [k for k, cause in enumerate(found.scatter.causes) if cause == "effective radius"]
    np.testing.assert_allclose(found.scatter.factors[:, radius], -0.0006)


def test_an_empty_budget_is_a_hot_shop_and_the_verdict_says_so(tmp_path):
    found = run(study(tmp_path, BUDGET))
    notes = [note for several in found.verdict.tolerances["notes"] for note in several]
    assert sum(note.startswith("on assumed values: 100 % of u² was not stated") for note in notes) == 2
    assert [one.u for one in found.shares] == pytest.approx(found.verdict.tolerances["u"].tolist())
    assert "form not seen" in found.shares[0].causes  # through the frame, which rests on the face that is judged
    assert any("17 assumed" in note for note in found.notes)
    assert any("temperature of the part is not stated" in note for note in found.notes)
    assert (found.verdict.table["u"] > 0.003).all()


def test_form_not_seen_counts_for_the_frame_and_not_for_a_touch(tmp_path):
    flat, rough = (run(study(tmp_path / str(k), ALL.replace("form_um = 0", f"form_um = {k}"))) for k in (0, 30))
    free = flat.alignment.uncertainty > 0
    assert (rough.alignment.uncertainty[free] > 1.5 * flat.alignment.uncertainty[free]).all()
    np.testing.assert_allclose(rough.scatter.own, flat.scatter.own)


def test_the_column_u_is_honoured_beside_the_budget(tmp_path):
    def first_is_bad(table):
        return table.assign(u=np.where(table["touch"] == 2, 0.05, np.nan))

    found = run(study(tmp_path, ALL, touches_csv=edited(first_is_bad)))
    table = found.verdict.table.set_index("touch")
    assert table["verdict"].map(str)[2] == "undecided"
    assert table["u"][2] == pytest.approx(0.05, rel=1e-3)
    assert table["u"].drop(index=2).max() < 0.005


@pytest.mark.parametrize(
    ("budget", "changes", "message"),
    [
        ("[budget]\nradius_2s_um = 0.001\n", (), r"budget\.radius_2s_um.*too small.*It is in um"),
        ("[budget]\nradius_2s = 1\n", (), r"budget\.radius_2s'.*unknown key.*radius_2s_um"),
        ("[budget]\ncorrected = 1\n", (), r"budget\.corrected.*true or false"),
        ('[budget]\npivot_um = ["3", "sphere"]\n', (), r"budget\.pivot_um.*must be a number"),
        ("[budget]\n[uncertainty]\nu = 0.003\n", (("[uncertainty]\nk", "k"),), r"stated twice"),
        ("", (), r"uncertainty\.u.*lacks a key"),
        (BUDGET, (('unit = "mm"\n', 'unit = "mm"\ntemperature = 303.0\n'),), r"part\.temperature.*too large"),
        (BUDGET, (('unit = "mm"\n', 'unit = "mm"\ntemperature = 30.0\n'),), "needs the coefficient of expansion"),
    ],
)
def test_what_a_study_may_not_say_of_uncertainty(tmp_path, budget, changes, message):
    with pytest.raises(pk.InputError, match=message):
        run(study(tmp_path, budget, *changes))


def test_a_warm_part_is_corrected_in_a_named_step(tmp_path):
    """60 mm of steel at 30 degrees are 6.9 um longer: touches made on the grown block come back to the cold one."""

    def grown(table):
        position, ball = table[["x", "y", "z"]].to_numpy(), 3.0 * table[["i", "j", "k"]].to_numpy()
        middle = (position.max(axis=0) + position.min(axis=0)) / 2
        hot = middle + (position - ball - middle) * (1 + 11.5e-5) + ball  # the ball itself is cold
        return table.assign(x=hot[:, 0], y=hot[:, 1], z=hot[:, 2])

    cold = run(study(tmp_path / "cold", ALL))
    warm = run(study(tmp_path / "warm", ALL, WARM, touches_csv=edited(grown)))
    names = ["x", "y", "z"]
    np.testing.assert_allclose(warm.measured[names], cold.measured[names], atol=1e-6)
    assert any("touches corrected to 20 °C: part at 30 °C" in note for note in warm.notes)
    left = run(study(tmp_path / "left", ALL + "corrected = false\n", WARM, touches_csv=edited(grown)))
    assert not any("touches corrected" in note for note in left.notes)
    assert any("not corrected" in note and "+115 um per metre" in note for note in left.notes)
    assert "temperature not corrected" in left.scatter.causes
    assert np.abs(left.measured[names].to_numpy() - cold.measured[names].to_numpy()).max() > 0.0025
    alone = tiny.write(tmp_path / "alone", WARM, touches_csv=edited(grown))  # without a budget, too
    np.testing.assert_allclose(run(alone).measured[names], cold.measured[names], atol=1e-6)
    assert any("would count what this leaves" in note for note in run(alone).notes)


def test_drift_is_seen_corrected_when_asked_and_widened_when_not(tmp_path):
    """All touches again at the end, 20 um higher: half of that drift by the middle of the run."""

    def twice(table):
        later = table.assign(touch=table["touch"] + 1000, z=table["z"] + 0.020)
        return pd.concat([table, later], ignore_index=True)

    csv = edited(twice)
    plain = run(study(tmp_path / "a", ALL, touches_csv=csv))
    assert any("drift over the run" in note and "not corrected" in note for note in plain.notes)
    assert plain.budget.value("drift_um") > 19  # in place of the 1 um stated
    better = run(study(tmp_path / "b", ALL + "drift_corrected = true\n", touches_csv=csv))
    assert any("touches corrected for drift" in note for note in better.notes)
    top = [one.measured.query("feature == 'top'")["z"].std() for one in (plain, better)]
    assert top[1] < 0.6 * top[0]
    none = run(study(tmp_path / "c", ALL + "drift_corrected = true\n"))
    assert any("no target was touched again" in note for note in none.notes)


def test_page_and_results_show_the_budget_and_who_matters(tmp_path):
    found = run(study(tmp_path, ALL.replace("drift_um = 1\n", "")))
    files = pk.study.write(found, tmp_path / "out")
    page = files["report"].read_text(encoding="utf-8")
    assert ">How sure</h2>" in page
    assert "same touch 25 times" in page
    assert "assumed: a hot shop" in page
    assert page.count("<figcaption>") >= len(found.shares) == 2
    told = json.loads(files["json"].read_text(encoding="utf-8"))
    assert {row["key"] for row in told["budget"]} == set(CAUSES)
    for one, shown in zip(found.shares, told["shares"], strict=True):
        assert one.sentence.split(";")[0] in page
        assert shown["u"] == pytest.approx(np.sqrt(sum(u**2 for u in shown["causes"].values())))
    plain = pk.study.write(run(tiny.write(tmp_path / "plain")), tmp_path / "plain_out")
    assert ">How sure<" not in plain["report"].read_text(encoding="utf-8")
    assert "budget" not in json.loads(plain["json"].read_text(encoding="utf-8"))


def test_what_the_datum_touches_share_is_in_the_uncertainty_of_the_alignment(tmp_path):
    """A radius error of 20 um shifts a block that rests on top, front and left by 20 um, however many touches."""
    small, large = (
        run(study(tmp_path / str(k), ALL.replace("radius_2s_um = [1.2", f"radius_2s_um = [{k}"))) for k in (0, 40)
    )
    added = np.sqrt(large.alignment.uncertainty**2 - small.alignment.uncertainty**2)
    np.testing.assert_allclose(added[:3], 0.020, rtol=1e-3)
    np.testing.assert_allclose(added[3:], 0.0, atol=1e-6)
