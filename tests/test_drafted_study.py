"""From a real model to verdicts: its draft, filled in, judges touches whose actual values are known in closed form."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("OCP")

import real_models as real

import probekit as pk
from probekit.draft import FILL_IN, draft_study
from probekit.nominal.exact.pmi import read_pmi
from probekit.study.model import nominal_of

BALL = 6.0
FILLED = {"ball_diameter": "6.0", "u": "0.003", "rule": '"guarded"'}


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> pk.study.model.Study:
    """The smallest model's draft, completed as a person would."""
    folder = tmp_path_factory.mktemp("drafted")
    path = real.unpack("nist_ctc_01_asme1_ap242-e1", folder)
    part = pk.nominal.load(path)
    text = draft_study(path.name, read_pmi(path, part), part)
    for key, content in FILLED.items():
        text = text.replace(f'{key} = "{FILL_IN}"', f"{key} = {content}")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return pk.study.load(folder / "study.toml")


@pytest.fixture(scope="module")
def inspected(study: pk.study.model.Study) -> pk.study.inspection.Inspection:
    """Touches of every feature of the draft; where it stands says how they are off. Datums are perfect."""
    part, rng = nominal_of(study), np.random.default_rng(1)
    tables = [*study.settings["tolerance"], *study.settings["datum"]]
    rows = []
    for name in dict.fromkeys(name for table in tables for name in table["features"]):
        own = np.flatnonzero(part.facet_face == part.face_names.index(name))
        weights = rng.dirichlet(np.ones(3), 60)
        near = np.einsum("nk,nkc->nc", weights, part.vertices[part.facets[rng.choice(own, 60)]])
        surface = part.brep.faces[part.brep.facet_face[own[0]]].surface
        if name.startswith("bore"):  # a diameter needs touches that are opposed
            arm = near - surface.origin
            near = np.vstack([near, near - 2 * (arm - np.outer(arm @ surface.axes[2], surface.axes[2]))])
        feet = part.engine.feet(near)
        rows += [(name, *p, *n, off(name, p, n)) for p, n in zip(feet.foot, feet.normal, strict=True)]
    table = pd.DataFrame(rows, columns=["feature", "x0", "y0", "z0", "i", "j", "k", "h"])
    table.insert(0, "touch", range(1, len(table) + 1))
    away = (BALL / 2 + table.h).to_numpy()[:, None] * table[["i", "j", "k"]].to_numpy()
    table[["x", "y", "z"]] = table[["x0", "y0", "z0"]].to_numpy() + away
    table.attrs |= {"unit": "mm", "recorded": "centre"}
    pk.touches.write(table, study.path.parent / "touches.csv")
    return pk.study.run(study)


#: Feature -> what its surface is off, along its normal [mm].
LEFT_ON = {"plane_1": 0.1, "boss_1": 0.1, "bore_1": -0.02, "bore_2": 0.02}
SHIFT, TILT = 0.15, 1e-3


def off(name: str, point: np.ndarray, normal: np.ndarray) -> float:
    """A slot shifted as a whole, a plane tilted along the normal of datum A (z), others uniformly."""
    if name == "slot_1":
        return SHIFT * float(np.sign(normal @ (1.0, 1.0, 1.0)))
    if name == "plane_2":
        return TILT * float(point[2])
    return LEFT_ON.get(name, 0.0)


def test_the_draft_has_what_the_model_says(study: pk.study.model.Study) -> None:
    kinds = [one["kind"] for one in study.settings["tolerance"]]
    assert {kind: kinds.count(kind) for kind in kinds} == {
        **{"position": 2, "profile": 2, "perpendicularity": 1, "flatness": 1, "size": 7}
    }
    datums = [(one["letter"], one["kind"]) for one in study.settings["datum"]]
    assert datums == [("A", "plane"), ("B", "cylinder"), ("C", "cylinder")]
    part = nominal_of(study)
    assert {"bore_1", "slot_1", "plane_3"} <= set(part.face_names)
    pairs = study.settings["part"]["faces"]
    assert len(pairs["bore_1"]) == 2  # halves of one bore
    assert len(pairs["slot_1"]) == 2  # sides of one slot


def test_actual_values(inspected: pk.study.inspection.Inspection) -> None:
    """Profile: twice the largest deviation; position of a middle plane: twice its shift (ASME Y14.5.1, from memory)."""
    found = {one.name: one for one in inspected.verdict.evaluations}
    near = {"abs": 2e-3}  # touches are written to 0.1 um; datums settle on them
    assert found["Position surfacic profile.3"].actual == pytest.approx(2 * 0.1, **near)
    assert found["Position surfacic profile.2"].actual == pytest.approx(0.0, **near)
    assert found["Flatness.1"].actual == pytest.approx(0.0, **near)
    assert found["Position.1"].actual == pytest.approx(2 * SHIFT, **near)
    assert found["Position.2"].actual == pytest.approx(0.0, **near)
    touched = inspected.verdict.table
    heights = touched.loc[touched.feature == "plane_2", "z0"]
    assert found["Perpendicularity.1"].actual == pytest.approx(TILT * np.ptp(heights), **near)
    # a size: twice its distance from the middle of its limits, 19.9 to 20.05 and 19.95 to 20.1
    assert found["diameter #122"].actual == pytest.approx(2 * abs(20 - 2 * 0.02 - 19.975), **near)
    assert found["diameter #123"].actual == pytest.approx(2 * abs(20 + 2 * 0.02 - 20.025), **near)
    assert inspected.alignment.method == "datum frame A|B|C"


def test_every_draft_reads_once_it_is_filled_in(tmp_path: Path) -> None:
    """Whatever is left to a person has a value that the study takes; then every table makes a tolerance."""
    path = real.unpack("nist_ctc_03_asme1_ap242-e2", tmp_path)
    part = pk.nominal.load(path)
    text = draft_study(path.name, read_pmi(path, part), part)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(pk.InputError, match=FILL_IN):
        pk.study.load(tmp_path / "study.toml")
    given = FILLED | {"across": "[1.0, 0.0, 0.0]", "limits": "[10.9, 11.3]", "length": "[0.0, 10.0]"}
    given |= {"kind": '"plane"', "features": '"plane_1"'}
    for key, content in given.items():
        text = text.replace(f'\n{key} = "{FILL_IN}"', f"\n{key} = {content}")
    assert f'= "{FILL_IN}"' not in text
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    settings = pk.study.load(tmp_path / "study.toml").settings
    made = [one for table in settings["tolerance"] for one in pk.tolerance.read_tolerance(table)]
    assert len(made) >= len(settings["tolerance"]) > 12
