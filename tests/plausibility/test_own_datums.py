"""A chip on a datum feature that only the datum frame of one tolerance uses: named, and offered for a second look."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapes
from plausibility import pad

import probekit as pk
from probekit.columns import FOOT, FOOT_NORMAL
from probekit.deviation import project
from probekit.plausibility.own_datums import OwnDatum, on_own_datums
from probekit.study.content import touches_again

BORE = shapes.cylinder()
DATUMS = [OwnDatum("D", ("bore",), ("place",))]
U = 0.003


def touched(seed: int, *, each: int, chip: float = 0.0, lobes: float = 0.0) -> list:
    """Findings on a cylinder that lies 0.1 mm off, touched at two heights with a scatter of 3 um."""
    rng = np.random.default_rng(seed)
    turn = np.concatenate([2 * np.pi * np.arange(each) / each + 0.3 * k for k in range(2)])
    normal = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    off = lobes * np.cos(3 * turn) + rng.normal(scale=U, size=2 * each)
    off[int(rng.integers(2 * each))] += chip
    at = normal * (15.0 + off)[:, None] + np.column_stack([0 * turn, 0 * turn, np.repeat([10.0, 40.0], each)])
    table = pd.DataFrame({"touch": np.arange(2 * each), "feature": "bore"})
    table[["x", "y", "z"]] = at + np.array([0.1, -0.05, 0.0])
    return on_own_datums(project(table, BORE, stylus=0.0), BORE, DATUMS, u=U)


@pytest.mark.parametrize(
    ("each", "chip", "lobes", "named"),
    [(6, 0.0, 0.0, (0, 1)), (4, 0.0, 0.0, (0, 1)), (6, 0.0, 0.01, (0, 3)), (6, 0.05, 0.0, (60, 60))],
    ids=["good", "good, few touches", "lobes", "chip"],
)
def test_counted(each, chip, lobes, named):
    """Of 60 features: none that is good but for a chance of 6 %, few with lobes of 10 um, all with a chip."""
    found = [touched(seed, each=each, chip=chip, lobes=lobes) for seed in range(60)]
    assert named[0] <= sum(map(bool, found)) <= named[1]
    assert all(len(one[0].touches) == 1 for one in found if chip)


def ring(seed: int, count: int, *, chip: float = 0.0, oval: float = 0.0) -> tuple[int, list]:
    """The bad touch, and findings on a cylinder with touches at one height."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * np.arange(count) / count
    normal = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    off = oval * np.cos(2 * turn - rng.uniform(0, 2 * np.pi)) + rng.normal(scale=U, size=count)
    bad = int(rng.integers(count))
    off[bad] += chip
    table = pd.DataFrame({"touch": np.arange(count), "feature": "bore", "face": "bore", "deviation": off})
    table[list(FOOT_NORMAL)] = normal
    table[list(FOOT)] = 15.0 * normal + [0.0, 0.0, 25.0]
    exact = SimpleNamespace(face_names=("bore",), chord_errors=(0.0,))
    return bad, on_own_datums(table, exact, DATUMS, u=U)


@pytest.mark.parametrize("count", [4, 5, 6, 8])
def test_an_oval_bore_has_no_chip(count):
    """Of 40 bores that are oval by 8 um on the radius up to 25 were called chipped, and left a tolerance undecided."""
    found = [one for seed in range(40) for one in ring(seed, count, oval=0.008)[1]]
    assert sum(one.level == "look" for one in found) <= 1
    assert all("has form" in one.what for one in found if one.level == "note")


@pytest.mark.parametrize(("count", "level"), [(4, "note"), (6, "look"), (8, "look")])
def test_the_chip_is_among_the_touches_that_are_named(count, level):
    """Of four touches on a circle each explains as much (one number is left): all are named, not one by chance."""
    for seed in range(20):
        bad, (found,) = ring(seed, count, chip=0.05)
        assert found.level == level
        assert found.touches == (bad,) if count > 4 else set(found.touches) == {0, 1, 2, 3}


TOLERANCE = """
[[datum]]
letter = "A"
kind = "plane"
features = "flange"

[[datum]]
letter = "D"
kind = "plane"
features = "back"

[[tolerance]]
kind = "profile"
name = "top from the back"
features = ["top"]
width = 0.15
datums = ["A", "D"]
"""


@pytest.mark.parametrize(("chip", "part"), [(0.0, "conforms"), (0.08, "undecided")])
def test_in_a_study(chip, part, tmp_path):
    path = pad.write(tmp_path / "pad")
    text = path.read_text().replace(', "front", "back"]', ', "front"]').replace("n = 4", "n = 7")
    path.write_text(text.replace("[uncertainty]", TOLERANCE + "\n[uncertainty]"))
    study = pk.study.load(path)
    nominal = pk.study.model.nominal_of(study)
    targets = pk.study.planning.targets_of(study.settings["plan"], nominal, file=path, ball_radius=3.0)
    measured = pad.run(targets, seed=1)
    bad = measured.index[measured["feature"] == "back"][2]
    measured.loc[bad, ["x", "y", "z"]] += chip * measured.loc[bad, ["i", "j", "k"]].to_numpy(float)
    pk.touches.write(measured, path.parent / "touches.csv")
    found = pk.study.run(study)
    assert found.verdict.part == part
    words = dict(zip(found.verdict.tolerances["name"], found.verdict.tolerances["word"], strict=True))
    assert words == {"top": "conforms", "top from the back": part}
    again = touches_again(found)["touch"].tolist()
    assert again == ([measured.loc[bad, "touch"]] if chip else [])
    named = [
        one for one in found.action.suggestions if one.startswith(f"Look first: touch {measured.loc[bad, 'touch']} ")
    ]
    assert len(named) == bool(chip)
    assert all("datum D" in one and "top from the back" in one for one in named)
