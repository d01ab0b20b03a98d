"""Basic dimensions against those that the nominal has, in closed form: bores, a slot, planes at angles."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tolerance.inspected import inspected
from tolerance.touched import moved, table

from probekit.fit import Datum
from probekit.geometry import make_motion
from probekit.tolerance import Orientation, Position, Runout
from probekit.tolerance.meant import contradictions


def bore(name: str, at: tuple[float, float], heights: tuple[float, ...] = (-5.0, -15.0)) -> pd.DataFrame:
    angle = np.tile(np.arange(5) * 2 * np.pi / 5, len(heights))
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))])
    foot = [*at, 0] + 4.0 * unit + np.outer(np.repeat(heights, 5), [0, 0, 1])
    return table(foot, -unit, foot=foot, feature=name)


def plane(name: str, at: tuple, normal: tuple) -> pd.DataFrame:
    n = np.array(normal) / np.linalg.norm(normal)
    across = np.linalg.svd(n[None])[2][1:]
    foot = np.array(at) + np.array([[0, 0], [9, 1], [-4, 7], [3, -8.0]]) @ across
    return table(foot, np.tile(n, (4, 1)), foot=foot, feature=name)


def sides(name: str) -> pd.DataFrame:
    side = np.repeat([1.0, -1.0], 3)
    foot = np.column_stack([20 + side * 5, np.arange(6.0) * 3, np.arange(6.0) % 2])
    return table(foot, np.outer(-side, [1, 0, 0]), foot=foot, feature=name)


FOUND = pd.concat(
    [
        bore("one", (30, 10)),
        bore("two", (-30, 10), heights=(-5.0,)),
        sides("slot"),
        plane("base", (0, 0, 0), (0, 0, 1)),
        plane("left", (-50, 0, -10), (-1, 0, 0)),
        plane("front", (0, -36, -10), (0, -1, 0)),
        plane("ramp", (40, 0, 3), (0, np.sin(np.radians(30)), np.cos(np.radians(30)))),
    ],
    ignore_index=True,
).assign(touch=lambda own: np.arange(1, len(own) + 1))
DATUMS = [Datum("A", "plane", "base"), Datum("B", "plane", "left"), Datum("C", "plane", "front")]
ALL = {"width": 0.1, "datums": ("A", "B", "C")}
BOTH = {"features": ("one", "two"), "pattern": True}
ROUND = {"of": "angularity", "features": ("ramp",)}


@pytest.mark.parametrize(
    ("one", "keys", "off"),
    [
        (Position(**ALL, features=("one",), at=(30, 10, 0)), [], ()),
        (Position(**ALL, features=("one",), at=(30.008, 10, 99)), [], ()),  # rounded; any height
        (Position(**ALL, features=("one",), at=(30.5, 10, 0)), ["at"], (0.5,)),
        (Position(width=0.01, features=("one",), at=(30, 10.012, 0)), ["at"], (0.012,)),
        (Position(**ALL, features=("two",), at=(-30, 10, 0), direction=(0, 0, -1)), [], ()),
        (Position(**ALL, features=("two",), at=(-30, 10, 0), direction=(0, 0.01, 1)), ["direction"], (0.573,)),
        (Position(**ALL, features=("one",), at=(30.5, 10, 0), across=(0, 1, 0)), [], ()),
        (Position(**ALL, features=("slot",), of="middle plane", at=(20, 44, 7), direction=(1, 0, 0)), [], ()),
        (Position(**ALL, features=("slot",), of="middle plane", at=(22, 44, 7)), ["at"], (2.0,)),
        (Position(**ALL, **BOTH, at=((30, 10, 0), (-31, 10, 0))), ["at"], (1.0,)),
        # a plane alone leaves the pattern to shift and to turn, and not to stretch
        (Position(width=0.1, datums=("A",), **BOTH, at=((0, 0, 0), (-60, 0, 0))), [], ()),
        (Position(width=0.1, datums=("A",), **BOTH, at=((0, 0, 0), (-61, 0, 0))), ["at", "at"], (0.5, 0.5)),
        (Orientation(**ALL, **ROUND, angle=30.0), [], ()),
        (Orientation(**ALL, **ROUND, angle=150.0), [], ()),
        (Orientation(**ALL, **ROUND, angle=30.5), ["angle"], (0.5,)),
        (Orientation(width=0.1, **ROUND, angle=30.5, to=(0, 0, 1)), ["angle"], (0.5,)),
        (
            Orientation(**ALL, of="perpendicularity", features=("left",), direction=(1, 0.005, 0)),
            ["direction"],
            (0.286,),
        ),
        (Orientation(**ALL, of="perpendicularity", features=("left",)), [], ()),
        (Runout(width=0.02, features=("one",), at=(30, 10, 3)), [], ()),
        (Runout(width=0.02, features=("one",), at=(30.1, 10, 3)), ["at"], (0.1,)),
        (Runout(width=0.02, features=("two",), at=(-30, 10, 3), axis=(0.01, 0, 1)), ["axis"], (0.573,)),
        (Runout(width=0.02, features=("base",), reading="axial", at=(8, 8, 0)), [], ()),
    ],
)
def test_what_the_model_contradicts(one, keys, off):
    found = contradictions(one, FOUND, DATUMS)
    assert [it.key for it in found] == keys
    assert [it.off for it in found] == pytest.approx(off, abs=1e-3)


def test_in_any_frame_and_with_the_chords_of_a_mesh():
    motion = make_motion((100.0, -40.0, 7.0), (20.0, 50.0, -35.0))
    at = tuple((motion @ [30.3, 10.0, 0.0, 1.0])[:3])
    found = contradictions(Position(**ALL, features=("one",), at=at), moved(FOUND, motion), DATUMS)
    assert [it.off for it in found] == pytest.approx([0.3])
    assert contradictions(Position(**ALL, features=("one",), at=at), moved(FOUND, motion), DATUMS, {"one": 0.3}) == []


def word_of(folder: Path) -> str:
    return json.loads((folder / "out" / "results.json").read_text(encoding="utf-8"))["tolerances"][0]["word"]


def test_a_study_says_so(tmp_path):
    wrong = '[[tolerance]]\nkind = "position"\nname = "bore"\nfeatures = ["bore"]\nwidth = 0.2\nat = [-45, 26.5, 0]\n'
    wrong += "direction = [0, 0, 1]\n"
    assert inspected(tmp_path, wrong)["bore"]["actual"] > 0.9
    assert word_of(tmp_path) == "undecided", "no answer to a wrong question, far outside or not"
    accept = '[gate]\naccept = ["basic dimension"]\nreason = "the drawing has been changed"\n'
    (tmp_path / "accepted").mkdir()
    inspected(tmp_path / "accepted", wrong + accept)
    assert word_of(tmp_path / "accepted") == "does not conform"
    said = " ".join((tmp_path / "out" / "results.json").read_text(encoding="utf-8").split())
    assert "tolerance 'bore' states a true position that bore does not have in the model" in said
    assert "as the model has it" in said
    assert "a typing error in at, or another feature; or the drawing really differs from the model" in said
