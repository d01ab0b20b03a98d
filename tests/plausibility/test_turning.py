"""A rotary axis that is not where the control believes it to be is named, with its size; a bad part is not called that.

What the control reports is worked out here by rotations alone: on a table that turns the part by R about a point c, and
is believed to turn it about the origin, the touch of a place q is reported as R'(R(q - c) + c).
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plausibility import pad
from plausibility.jobs import FOIL, Job, on_foil, posed
from scipy.spatial.transform import Rotation

import probekit as pk

MEASURED = ["x", "y", "z"]


@pytest.fixture(scope="module")
def job() -> Job:
    """The demo as good as its datum faces, with 3 um of noise; its skin in four poses."""
    job = posed(on_foil(), ("skin",))
    touches = pad.run(job.touches, seed=5, noise=0.003)
    return replace(job, touches=touches)


def turned(job: Job, centre=(0.0, 0.0, 0.0), tilt=(0.0, 0.0, 0.0)):
    """The touches as the control reports them with the table's axis elsewhere, or leaning by a vector [deg]."""
    touches = job.touches.copy()
    touches.attrs = dict(job.touches.attrs)
    places, centre = touches[MEASURED].to_numpy(copy=True), np.array(centre)
    lean = Rotation.from_rotvec(tilt, degrees=True)
    for row, angle in enumerate(touches["angle_c"]):
        turn = Rotation.from_euler("z", -angle, degrees=True)
        really = lean * turn * lean.inv()
        places[row] = turn.inv().apply(really.apply(places[row] - centre) + centre)
    touches[MEASURED] = places
    return touches


def said(job: Job, touches) -> list:
    return [one for one in job.findings(touches)[0] if one.name == "rotary axes"]


@pytest.mark.parametrize("centre", [(0.8, 0.0, 0.0), (-0.05, 0.06, 0.0), (0.0, -0.3, 0.0)])
def test_the_place_of_a_table_is_found(job, centre):
    (found,) = said(job, turned(job, centre))
    assert found.doubts_place == (np.linalg.norm(centre) > 0.1)  # a little one is but a note
    assert "the place of axis C" in found.what
    size = float(found.found.split()[1])
    along = np.array([float(v) for v in found.found.split("(")[1].split(")")[0].split(",")])
    # to first order in the axis: on the curved wing what is left is of second order
    assert size == pytest.approx(np.linalg.norm(centre), rel=0.05, abs=0.004)
    np.testing.assert_allclose(along, centre, atol=0.004 + 0.1 * np.linalg.norm(centre))


def test_the_direction_of_a_table_is_found(job):
    (found,) = said(job, turned(job, tilt=(0.1, 0.0, 0.0)))
    assert "the direction of axis C" in found.what
    assert float(found.found.split()[1]) == pytest.approx(0.1, rel=0.15)


def test_good_touches_say_nothing(job):
    assert said(job, job.touches) == []


@pytest.mark.parametrize("off", [0.02, 0.3])
def test_a_feature_out_of_place_is_told_from_an_axis_or_left_open(job, off):
    """The wing is aside of the datum faces, in all poses alike: never "surely the axis"; a little is but a note."""
    touches = job.touches.copy()
    touches.attrs = dict(job.touches.attrs)
    touches.loc[touches["feature"] == "skin", "y"] += off
    for found in said(job, touches):
        assert "out of place, and touched in one pose, would look the same" in found.what
        assert found.level == ("note" if off < 0.1 else "look")


def test_a_bent_feature_is_not_surely_an_axis(job):
    """The wing bows by 0.1 mm over its height."""
    touches = job.touches.copy()
    touches.attrs = dict(job.touches.attrs)
    skin = touches["feature"] == "skin"
    touches.loc[skin, "y"] += 0.1 * (touches.loc[skin, "z0"] / 94.0) ** 2
    assert all("would look the same" in one.what for one in said(job, touches))


def test_one_pose_or_no_angles_say_nothing(job):
    touches = turned(job, (0.8, 0.0, 0.0))
    same = touches.assign(angle_a=0.0, angle_c=0.0)
    bare = touches.drop(columns=["angle_a", "angle_c"])
    for table in (same, bare):
        table.attrs = dict(touches.attrs)
        assert said(job, table) == []


def test_a_study_does_not_judge_the_part_by_it(job, tmp_path: Path):
    """Inspected with the axis 0.8 mm off, the part is undecided, and the axis is named first; it was to be scrapped."""
    touches = turned(job, (0.8, 0.0, 0.0))
    pk.touches.write(touches, tmp_path / "touches.csv")
    for name in ("study_mesh.toml", "foil.3mf"):
        shutil.copy(FOIL / name, tmp_path)
    found = pk.study.run(pk.study.load(tmp_path / "study_mesh.toml"))
    assert found.verdict.part == "undecided"
    assert any("the place of axis C" in one for one in found.verdict.reasons)
    looks = [one for one in found.action.suggestions if one.startswith("Look first")]
    assert any("the place of axis C" in one for one in looks)
    assert not any("scrap" in one for one in found.action.suggestions)
