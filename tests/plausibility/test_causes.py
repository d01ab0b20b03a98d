"""The likely cause that the gate names."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tiny

import probekit as pk
from probekit.plausibility.check import before_fit
from probekit.plausibility.planned import Probing
from probekit.plausibility.stated import on_digits

XYZ = ["x", "y", "z"]
NEAR = Probing(3.0, 1.0, "of the test")


def run_of(folder: Path):
    """The part of the tiny study and its touches."""
    study = tiny.write(folder)
    return pk.study.model.nominal_of(pk.study.load(study)), pk.touches.read(folder / "touches.csv")


def turned(points: np.ndarray, angle: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return points @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        (lambda p: p * [1, 1, 1 / 25.4], "z is in inch, and read as mm"),
        (lambda p: p * [1000, 1, 1], "x is a thousand times too large"),
        (lambda p: p * 1e4, "the positions are ten thousand times too large: decimal points were lost"),
        (lambda p: p * 0.001, "the positions are in metres"),
        (
            lambda p: p + np.array([0, 0, 3.5]),
            "all are off along Z, by the same amount",
        ),  # further than most may go, not all
        (lambda p: turned(p, 120.0), "turned by about 120 degrees and shifted as a whole"),
    ],
)
def test_what_happened_to_all_positions_is_named(tmp_path: Path, change, cause: str) -> None:
    part, touches = run_of(tmp_path)
    touches[XYZ] = change(touches[XYZ].to_numpy(dtype=float))
    found = before_fit(touches, part, stylus=pk.touches.Stylus(6.0, effective_radius=3.0), probing=NEAR)
    assert cause in next(one.cause for one in found if one.name == "far from target")


def test_numbers_that_lost_their_point_are_named(tmp_path: Path) -> None:
    part, touches = run_of(tmp_path)
    touches.loc[touches.index[::4], "x"] *= 1000.0
    found = before_fit(touches, part, stylus=pk.touches.Stylus(6.0, effective_radius=3.0), probing=NEAR)
    assert "x is a thousand times too large" in next(one.cause for one in found if one.name == "far from target")


def test_targets_of_another_plan_are_no_slip_of_the_hand(tmp_path: Path) -> None:
    """All touches of one face lie elsewhere on it: its table in [[plan]] was changed after the run."""
    part, touches = run_of(tmp_path)
    own = touches.index[touches["feature"] == "front"]
    assert len(own) >= 5
    touches.loc[own, ["x0", "z0"]] = touches.loc[own, ["x0", "z0"]].to_numpy()[::-1] * [0.8, 0.9] + [2.0, 3.0]
    found = before_fit(touches, part, stylus=pk.touches.Stylus(6.0, effective_radius=3.0), probing=NEAR)
    cause = next(one.cause for one in found if one.name == "far from target")
    assert "[[plan]] or the model was changed after it, or front named another face then" in cause


@pytest.mark.parametrize(
    ("decimals", "u", "level"), [(2, 0.003, "note"), (2, 0.002, "look"), (3, 0.003, None), (2, 0.01, None)]
)
def test_rounding_that_u_may_not_hold_is_told(tmp_path: Path, decimals: int, u: float, level: str | None) -> None:
    """0.01 / sqrt(12) is 2.9 um (JCGM 100:2008, F.2.2.1, from memory)."""
    _, touches = run_of(tmp_path)
    touches[XYZ] = touches[XYZ].round(decimals)
    assert [one.level for one in on_digits(touches, u)] == ([level] if level else [])


def test_a_face_that_lies_elsewhere_is_not_called_a_wrong_unit(tmp_path: Path) -> None:
    """A thousandth of all targets lies near the origin, here a corner of the part: that explains nothing."""
    study = tiny.write(tmp_path)
    part = pk.study.model.nominal_of(pk.study.load(study))
    touches = pk.touches.read(tmp_path / "touches.csv")
    top = touches["feature"] == "top"
    touches.loc[top, ["z0", "z"]] += 4.0
    found = before_fit(touches, part, stylus=pk.touches.Stylus(6.0))
    cause = next(one.cause for one in found if one.name == "targets off the model")
    assert "another part of a family" in cause
    assert "top lies 4.000 mm outside" in cause


def test_a_face_of_another_revision_is_no_slip_of_the_hand_where_touches_name_no_feature(tmp_path: Path) -> None:
    """All faces together hid it: one of three is less than half, and the cause was a digit lost."""
    part, touches = run_of(tmp_path)
    top = touches["feature"] == "top"
    touches.loc[top, ["z0", "z"]] += 0.2
    found = before_fit(touches.assign(feature=""), part, stylus=pk.touches.Stylus(6.0, effective_radius=3.0))
    off = next(one for one in found if one.name == "targets off the model")
    assert off.level == "stop"
    assert "another revision of the model: top lies 0.200 mm outside" in off.cause
