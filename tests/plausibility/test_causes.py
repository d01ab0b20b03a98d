"""The likely cause that the gate names."""

from __future__ import annotations

from pathlib import Path

import tiny

import probekit as pk
from probekit.plausibility.check import before_fit


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
