"""From a real model to verdicts: its draft, filled in, judges touches whose actual values are known in closed form."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("OCP")

import real_models as real

import probekit as pk
from probekit.draft import draft_study
from probekit.draft.tables import FILL_IN
from probekit.nominal.exact.pmi import read_pmi
from probekit.study.model import nominal_of
from probekit.study.planning import targets_of

FILLED = {"ball_diameter": "3.0", "u": "0.003", "rule": '"guarded"'}


#: Model -> what a person fills in there beside `FILLED`.
MODELS = {
    "nist_ctc_01_asme1_ap242-e1": {"ball_diameter": "6.0"},
}
NOISE = 0.002  # of each touch along its normal, one standard deviation [mm]


def drafted(name: str, folder: Path, given: dict[str, str]) -> pk.study.model.Study:
    """A model's draft, completed as a person would."""
    path = real.unpack(name, folder)
    part = pk.nominal.load(path)
    text = draft_study(path.name, read_pmi(path, part), part)
    for key, content in (FILLED | given).items():
        text = re.sub(rf'(?m)^{key} = (\["[LM]MB", )?"{FILL_IN}"\]?', f"{key} = {content}", text)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return pk.study.load(folder / "study.toml")


def touched(study: pk.study.model.Study, off: dict[str, float]) -> pd.DataFrame:
    """The touches that the draft itself plans, each feature off by so much along its normals, and noise."""
    part, rng, radius = nominal_of(study), np.random.default_rng(1), study.settings["stylus"]["ball_diameter"] / 2
    table = targets_of(study.settings["plan"], part, file=study.path, ball_radius=radius)
    table = table[table.reachable] if "reachable" in table else table
    h = table.feature.map(off).fillna(0.0).to_numpy() + rng.normal(0.0, NOISE, len(table))
    away = (radius + h)[:, None] * table[["i", "j", "k"]].to_numpy()
    table[["x", "y", "z"]] = table[["x0", "y0", "z0"]].to_numpy() + away
    table.attrs |= {"unit": "mm", "recorded": "centre"}
    return table


@pytest.mark.parametrize("name", MODELS)
def test_from_a_model_to_verdicts(name: str, tmp_path: Path) -> None:
    """The draft is completed, its targets touched with noise; what a feature is off comes out again.

    Profile: twice what the surface is off (ASME Y14.5.1, from memory). A size of limits a, b: twice its distance from
    (a + b) / 2, so a bore with material left on by h has 2 |nominal - 2 h - (a + b) / 2|.
    """
    study = drafted(name, tmp_path, MODELS[name])
    tables, datums = study.settings["tolerance"], study.settings["datum"]
    held = {feature for one in datums for feature in one["features"]}
    sizes = [
        one for one in tables if one["kind"] == "size" and one["of"] == "cylinder" and not held & {*one["features"]}
    ]
    profiles = [
        one
        for one in tables
        if one["kind"] == "profile" and not held & {*one["features"]} and "around" not in one and "refining" not in one
    ]
    assert sizes
    assert profiles
    off = {feature: 0.05 for one in profiles for feature in one["features"]}
    off |= {feature: -0.02 for one in sizes for feature in one["features"]}
    pk.touches.write(touched(study, off), tmp_path / "touches.csv")
    inspected = pk.study.run(study)
    found = {one.name: one for one in inspected.verdict.evaluations}
    assert set(found) >= {one["name"] for one in tables if not one.get("each")}
    part = nominal_of(study)
    for one in profiles:
        assert found[one["name"]].actual == pytest.approx(2 * 0.05, abs=12 * NOISE)
    for one in sizes:
        for feature in one["features"]:
            names = [one["name"], f"{one['name']}, {feature}"]
            value = next(found[name] for name in names if name in found)
            own = np.flatnonzero(part.facet_face == part.face_names.index(feature))
            diameter = 2 * part.brep.faces[part.brep.facet_face[own[0]]].surface.radius
            expected = 2 * abs(diameter + 2 * 0.02 - sum(one["limits"]) / 2)
            assert value.actual == pytest.approx(expected, abs=16 * NOISE)
    assert all(np.isfinite(one.actual) for one in inspected.verdict.evaluations)


@pytest.mark.slow
@pytest.mark.long
def test_a_draft_of_many_tables_runs(tmp_path: Path) -> None:
    """A perfect part touched with noise by the draft's own plan; what the ball cannot enter is taken out.

    The actual value of a profile is twice the largest deviation; noise of four standard deviations, and what the datums
    take of it, is the most that is left. A flatness per unit likewise, and a position.
    """
    study = drafted("nist_stc_07_asme1_ap242-e3", tmp_path, {"ball_diameter": "1.0", "length": "[0.0, 10.0]"})
    table = touched(study, {})
    reached, tables = set(table.feature), study.settings["tolerance"]
    kept = [one for one in tables if {*one["features"]} <= reached]
    left_out = [one["name"] for one in tables if one not in kept]
    assert left_out == ["Position surfacic profile.6 #17255"]  # fillets of 0.4
    pk.touches.write(table, tmp_path / "touches.csv")
    found = pk.study.run(replace(study, settings=study.settings | {"tolerance": kept})).verdict.evaluations
    assert {one.name for one in found} >= {one["name"] for one in kept if not one.get("each")}
    assert all(np.isfinite(one.actual) for one in found)
    of_form = [one for one in found if not one.kind.startswith("size")]
    assert len(of_form) > 18
    assert max(one.actual for one in of_form) < 12 * NOISE
    part, cylinders = nominal_of(study), 0
    for one in (table for table in tables if table["kind"] == "size" and "limits" in table):
        middle = sum(one["limits"]) / 2
        for feature in one["features"]:
            value = next(e for e in found if e.name in (one["name"], f"{one['name']}, {feature}"))
            (own,) = {part.brep.faces[k].surface.radius for k in faces_of(part, feature)}
            assert value.actual == pytest.approx(2 * abs(2 * own - middle), abs=16 * NOISE)
            cylinders += 1
    assert cylinders > 20


def test_a_draft_touches_its_datum_targets(tmp_path: Path) -> None:
    """Points of the model's datum targets are touched; the draft's text is TOML though their list is long."""
    given = {"ball_diameter": "2.0", "boundary": '["MMB", 11.9]', "apart": "20.0", "section": "[1.0, 0.0, 0.0]"}
    study = drafted("nist_ctc_02_asme1_ap242-e2", tmp_path, given | {"kind": '"plane"', "features": '"top_plane_1"'})
    targets = [one for table in study.settings["datum"] for one in table.get("targets", ())]
    assert len(targets) == 9
    picked = [table for table in study.settings["plan"] if table["how"] == "pick"]
    points = np.vstack([table["points"] for table in picked])
    near = [np.linalg.norm(points - one["point"], axis=1).min() < 1e-6 for one in targets]
    assert near == [one["name"] != "K1" for one in targets]  # a circle, whose centre is in the air
    table = targets_of(picked, nominal_of(study), file=study.path, ball_radius=1.0)
    assert np.abs(table[["x0", "y0", "z0"]].to_numpy() - points).max() < 1e-3


def faces_of(part: pk.nominal.Nominal, feature: str) -> set[int]:
    """Exact faces that a feature has."""
    return set(part.brep.facet_face[part.facet_face == part.face_names.index(feature)].tolist())


def test_every_draft_reads_once_it_is_filled_in(tmp_path: Path) -> None:
    """Whatever is left to a person has a value that the study takes; then every table makes a tolerance."""
    path = real.unpack("nist_ctc_03_asme1_ap242-e2", tmp_path)
    part = pk.nominal.load(path)
    text = draft_study(path.name, read_pmi(path, part), part)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(pk.InputError, match=FILL_IN):
        pk.study.load(tmp_path / "study.toml")
    given = FILLED | {"across": "[1.0, 0.0, 0.0]", "limits": "[10.9, 11.3]", "length": "[0.0, 10.0]"}
    given |= {"kind": '"plane"', "features": '"bottom_plane_1"'}
    for key, content in given.items():
        text = text.replace(f'\n{key} = "{FILL_IN}"', f"\n{key} = {content}")
    text = text.replace(f'["MMB", "{FILL_IN}"]', '["MMB", 11.0]')
    assert f'"{FILL_IN}"' not in text.replace(f'every "{FILL_IN}"', "")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    settings = pk.study.load(tmp_path / "study.toml").settings
    made = [one for table in settings["tolerance"] for one in pk.tolerance.read_tolerance(table)]
    assert len(made) >= len(settings["tolerance"]) > 12
