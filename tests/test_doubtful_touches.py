"""From a results file to verdicts: a touch whose foot is in doubt is undecided at best, however small its deviation.

A block of 40 mm with two slots 1 mm deep, one narrower than the ball, and a fin of 0.3 mm; as exact surfaces and as
facets. The ball of 3 mm touches it where it can, and in one place where it cannot or where the foot is not sure.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import trimesh

pytest.importorskip("OCP")

import exact_shapes as es

import probekit as pk

BALL, NARROW = 3.0, -10.0
REST = np.sqrt(BALL**2 - 2.0**2) + 1.0 - BALL  # above the floor of the narrow slot, 4 wide, on its rims [mm]

STUDY = """
[part]
name = "slots (invented)"
model = "part.{suffix}"
{unit}
[part.faces]
floor = [-10.0, 0.0, -1.0]
wide = [8.0, 0.0, -1.0]
side = [3.0, 0.0, -0.5]
top = [-17.0, 0.0, 0.0]
front = [0.0, 14.0, 6.0]

[touches]
file = "touches.csv"

[stylus]
ball_diameter = 6.0
effective_radius = 3.0

[deviation]
max_distance = {most}
ambiguity = 0.01

[[tolerance]]
name = "all"
width = 0.8
features = {features}

[uncertainty]
u = 0.003

[gate]
accept = ["no alignment"]
reason = "the part is where the model is"

[decision]
rule = "guarded"
{accepted}
"""

#: What is in doubt: feature, target, normal, where the ball's centre was, largest distance.
DOUBTED = {
    "too tight": ("floor", (NARROW, 2.0, -1.0), (0, 0, 1), (NARROW, 2.0, REST - 1.0 + BALL), 2.0),
    "far": ("wide", (8.0, 2.0, -1.0), (0, 0, 1), (8.0, 2.0, BALL - 0.7), 0.2),
    "other side": ("front", (-5.0, 14.0, 5.0), (0, -1, 0), (-5.0, 14.0 - BALL, 5.0), 2.0),
    "ambiguous": ("corner", None, None, (-5.0, 14.0 - BALL, BALL), 2.0),
}


@pytest.fixture(scope="module")
def shape():
    def box(low, high):
        return es.BRepPrimAPI_MakeBox(es.gp_Pnt(*low), es.gp_Pnt(*high)).Shape()

    block = box((-20, -20, -10), (20, 20, 0))
    for tool in (box((-12, -30, -1), (-8, 30, 5)), box((3, -30, -1), (13, 30, 5))):
        block = es.BRepAlgoAPI_Cut(block, tool).Shape()
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse

    return BRepAlgoAPI_Fuse(block, box((-7, 14, -1), (2, 14.3, 10))).Shape()


def study(folder: Path, shape, flag: str, *, exact: bool, accepted: str = "") -> pk.study.model.Study:
    path = es.write(shape, folder / "part.step")
    if not exact:
        part = pk.nominal.load(path)
        trimesh.Trimesh(part.vertices, part.facets, process=False).export(folder / "part.stl")
    feature, target, normal, centre, most = DOUBTED[flag]
    # a run of good touches and one more, put together from two tables, one without targets
    good = pd.DataFrame(
        {"feature": "wide", "x0": np.linspace(5.5, 10.5, 6), "y0": np.linspace(-15.0, 10.0, 6), "z0": -1.0}
    )
    good[["i", "j", "k"]] = (0.0, 0.0, 1.0)
    good[["x", "y", "z"]] = good[["x0", "y0", "z0"]].to_numpy() + np.array([0.0, 0.0, BALL])
    good["z"] += np.random.default_rng(1).normal(0.0, 0.002, len(good))
    one = pd.DataFrame({"feature": [feature]})
    one[["x", "y", "z"]] = centre
    if target is not None:
        one[["x0", "y0", "z0"]], one[["i", "j", "k"]] = target, normal
    if flag == "other side":
        one[["ai", "aj", "ak"]] = normal  # out of the material: the probe cannot have come that way
    table = pd.concat([good, one], ignore_index=True)
    table.insert(0, "touch", np.arange(1, len(table) + 1))
    table.attrs |= {"unit": "mm", "recorded": "centre"}
    pk.touches.write(table, folder / "touches.csv")
    text = STUDY.format(
        suffix="step" if exact else "stl",
        unit="" if exact else 'unit = "mm"\n',
        most=most,
        features=sorted({"wide", feature}),
        accepted=accepted,
    )
    (folder / "study.toml").write_text(text.replace("'", '"'), encoding="utf-8")
    return pk.study.load(folder / "study.toml")


@pytest.mark.parametrize("exact", [True, False], ids=["exact", "facets"])
@pytest.mark.parametrize("flag", DOUBTED)
def test_a_touch_in_doubt_is_undecided(flag: str, exact: bool, shape, tmp_path: Path) -> None:
    found = pk.study.run(study(tmp_path, shape, flag, exact=exact))
    table = found.verdict.table
    assert flag in table["flag"].iloc[-1]
    assert (table["flag"].iloc[:-1] == "").all()
    assert table["verdict"].tolist() == ["within"] * 6 + ["undecided"]
    assert found.verdict.part == "undecided"
    # the same from the table that was written, after pandas has read and written it once more
    pk.study.write(found, tmp_path / "out")
    again = pd.read_csv(tmp_path / "out" / "results.csv", comment="#")
    again.to_csv(tmp_path / "again.csv", index=False)
    again = pd.read_csv(tmp_path / "again.csv", keep_default_na=True)
    profile = pk.tolerance.profile(again, width=0.8, features=sorted({"wide", DOUBTED[flag][0]}))
    assert pk.verdict.classify(again, profile, u=0.003).table["verdict"].tolist() == ["within"] * 6 + ["undecided"]
