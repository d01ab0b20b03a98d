"""The demo study, run: what was injected (data/foil/truth.json) is found back."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from probekit.action import uniform_offset
from probekit.geometry import apply_motion

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def truth(demo_study) -> dict:
    return json.loads((demo_study.parent / "truth.json").read_text())


def test_motion_within_its_stated_uncertainty(demo, truth):
    """Each parameter within 3 u; the joint squared distance over 6 below the 99.9 % quantile of F(6, n - 6)."""
    alignment = demo.alignment
    stated = truth["motion_measured_to_nominal"]
    off = np.concatenate([alignment.translation, alignment.rotation_deg]) - np.concatenate(
        [stated["translation"], stated["rotation_vector_deg"]]
    )
    assert (np.abs(off) < 3 * alignment.uncertainty).all()
    assert (alignment.uncertainty[:3] < 0.003).all()  # and it is a useful one
    assert (alignment.uncertainty[3:] < 0.005).all()
    squared = off @ np.linalg.solve(alignment.covariance, off)
    assert squared < stats.chi2.ppf(0.999, 6)
    assert squared / 6 < stats.f.ppf(0.999, 6, len(alignment.used) - 6)


def test_inverse_is_where_the_part_was_put(demo, truth):
    there = np.array(truth["motion_nominal_to_program"]["matrix"])
    corners = demo.part.bounds[np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]), [0, 1, 2]]
    gap = apply_motion(demo.alignment.inverse, corners) - apply_motion(there, corners)
    assert np.abs(gap).max() < 0.01


def test_scatter_is_the_probe_noise(demo, truth):
    n = len(demo.alignment.used)
    s = np.sqrt(np.sum(demo.alignment.residuals**2) / (n - 6))
    low, high = np.sqrt(stats.chi2.ppf([0.001, 0.999], n - 6) / (n - 6))
    assert low < s / truth["probe"]["noise_sigma"] < high


def test_skin_offset(demo, truth):
    skin = demo.verdict.table[demo.verdict.table["feature"] == "skin"]["deviation"].dropna()
    offset, u = uniform_offset(skin.to_numpy())
    assert offset == pytest.approx(truth["skin_offset"], abs=0.002)
    assert u < 0.001
    said = [s for s in demo.action.suggestions if s.startswith("Tool 4 (operation finish the skin): ")]
    assert len(said) == 1
    assert f": {offset:+.3f} mm" in said[0]
    assert not [s for s in demo.action.suggestions if "share a uniform offset" in s or s.startswith("Tool 1")]


def test_verdicts(demo, truth):
    table = demo.verdict.table.set_index("touch")["verdict"]
    assert sorted(table.index[table.isin(["high", "low"])]) == truth["outside"]
    assert sorted(table.index[table == "undecided"]) == truth["undecided"]
    assert sorted(table.index[table == "missed"]) == truth["missed"]
    assert (table == "within").sum() == 120 - 5
    signs = {t: np.sign(truth["true_deviation"][str(t)]) for t in truth["outside"]}
    assert {t: {"high": 1, "low": -1}[table[t]] for t in truth["outside"]} == signs
    assert demo.verdict.part == "does not conform"
    words = demo.verdict.features.set_index("feature")["verdict"]
    assert words.to_dict() == {
        "base_top": "conforms",
        "bore": "conforms",
        "slot": "conforms",
        "skin": "does not conform",
    }


def test_every_deviation(demo, truth):
    """Within three standard uncertainties of the placement at its foot, and the chord error of the facets."""
    table, alignment = demo.verdict.table, demo.alignment
    stated = np.array([truth["true_deviation"][str(t)] for t in table["touch"]], dtype=float)
    assert np.isnan(stated).tolist() == table["deviation"].isna().tolist()
    foot = table[["foot_x", "foot_y", "foot_z"]].to_numpy() - alignment.pivot
    normal = table[["nx", "ny", "nz"]].to_numpy()
    slope = np.hstack([normal, np.cross(foot, normal) * np.pi / 180])
    placement = np.sqrt(np.einsum("ni,ij,nj->n", slope, alignment.covariance, slope))
    off = np.abs(table["deviation"].to_numpy() - stated)
    allowed = 3 * placement + truth["mesh"]["chord_error_skin_below"]
    judged = np.isfinite(stated)
    assert (off < allowed)[judged].all()
    assert off[judged].max() < 0.004 + truth["mesh"]["chord_error_skin_below"]


def test_actual_values(demo, truth):
    """Twice the largest true deviation of the features, within the uncertainty of the placement."""
    stated = {int(t): d for t, d in truth["true_deviation"].items() if d is not None}
    table = demo.verdict.table.set_index("touch")
    for evaluation in demo.verdict.evaluations:
        own = [t for t in stated if table.loc[t, "feature"] in evaluation.features]
        assert evaluation.touches == len(own)
        assert evaluation.actual == pytest.approx(2 * max(abs(stated[t]) for t in own), abs=0.014)
        assert (evaluation.actual <= evaluation.width) == (evaluation.name != "skin profile")


def test_regions_and_suggestions(demo, truth):
    """Material left near the ridge, missing at the gouge; the set-up in the words is the one put in."""
    regions = demo.action.regions.set_index("kind")
    gouge = regions.loc["material missing"]
    assert np.linalg.norm(gouge[["x", "y", "z"]].to_numpy(dtype=float) - truth["gouge"]["centre"]) < 4
    ridge = regions.loc["material left"]
    assert truth["ridge"]["z"][0] < ridge["z"] < truth["ridge"]["z"][1]
    assert sorted([*gouge["ids"], *ridge["ids"]]) == truth["outside"]
    set_up = next(s for s in demo.action.suggestions if s.startswith("Set-up"))
    shift = [float(v) for v in set_up.split("shifted by (")[1].split(")")[0].split(",")]
    assert shift == pytest.approx(truth["motion_nominal_to_program"]["translation"], abs=0.004)
    turn = [float(v) for v in set_up.split("turned by (")[1].split(")")[0].split(",")]
    assert turn == pytest.approx(truth["motion_nominal_to_program"]["rotation_vector_deg"], abs=0.005)
    assert demo.action.shares["share"].sum() == pytest.approx(1)
    assert demo.action.shares["share"].iloc[0] > 0.9


def test_truth_is_a_rotation(truth):
    stated = truth["motion_measured_to_nominal"]
    matrix = Rotation.from_rotvec(stated["rotation_vector_deg"], degrees=True).as_matrix()
    assert np.array(stated["matrix"])[:3, :3] == pytest.approx(matrix, abs=1e-8)


def test_planned_sections_follow_the_nominal(demo, monkeypatch):
    """Two sections of the wing, whose length is known from the splines that the model was made of."""
    monkeypatch.syspath_prepend(str(ROOT / "data"))
    import foil_shape

    u = np.linspace(0, 1, 1601)
    for one, z in zip(demo.scene.sections, (60.0, 5.5), strict=True):
        v = np.full(len(u), 0.5)
        for _ in range(8):
            v -= (foil_shape.skin(u, v)[:, 2] - z) / foil_shape.skin(u, v, 0, 1)[:, 2]
        length = np.linalg.norm(np.diff(foil_shape.skin(u, v), axis=0), axis=1).sum()
        assert one.exact == demo.part.exact
        assert one.curve.length == pytest.approx(length, abs=0.03)  # its chords are shorter
        assert len(one.rows) > 12
        assert (np.diff(one.stations) > 0).all()
        feet = demo.verdict.table[["foot_x", "foot_y", "foot_z"]].to_numpy()[one.rows]
        assert np.abs(feet[:, 2] - z).max() <= one.within
        assert np.linalg.norm(one.curve.at(one.stations)[0] - feet, axis=1).max() <= one.within + 1e-6
