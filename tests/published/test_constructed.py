"""Fits whose answer is known by construction: minimum zones of width 0.02 mm, and a freeform patch with a known pose.

The files were made at 50 digits from the conditions of optimality (active rows with multipliers that balance); the idea
is of A. B. Forbes, Springer Proc. Math. 3 (2011), from memory. The answer holds to the rounding of the coordinates.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import probekit as pk

DATA = Path(__file__).parent / "data"


def read(name: str) -> tuple[pd.DataFrame, str]:
    path = DATA / f"{name}.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    return pd.read_csv(path, comment="#"), "\n".join(line for line in lines if line.startswith("#"))


@pytest.mark.parametrize("kind", ["line2", "plane", "circle2", "sphere", "cylinder", "cone"])
def test_minimum_zones(kind: str) -> None:
    table, said = read(f"ref_chebyshev_{kind}")
    found = pk.fit.element(table.to_numpy(float), kind, method="minimum_zone")
    assert found.form == pytest.approx(0.02, abs=2e-10)
    if radius := re.search(r"radius ([\d.]+)", said):
        assert found.parameters["radius"] == pytest.approx(float(radius[1]), abs=1e-8)
    if angle := re.search(r"half angle ([\d.]+)", said):
        assert found.parameters["half_angle"] == pytest.approx(float(angle[1]), abs=1e-6)


@pytest.mark.parametrize(("name", "method"), [("ls", "least_squares"), ("chebyshev", "minimax")])
def test_a_freeform_patch_finds_its_pose(name: str, method: str) -> None:
    """Exact surface from STEP, 80 touches: the motion, and what is left of it."""
    pytest.importorskip("OCP")
    table, said = read(f"ref_freeform_{name}")
    with pytest.warns(pk.ProbekitWarning, match="open"):
        part = pk.nominal.load(DATA / "ref_freeform_patch.step")
    touches = table[["x", "y", "z"]].assign(touch=range(len(table)), feature="patch")
    how = pk.deviation.Projection(part, 0.0)
    alignment = pk.fit.rigid(how.project(touches), how, method=method)
    motion = np.array(json.loads(re.findall(r"matrix (\[\[.*?\]\])", said)[0]))
    np.testing.assert_allclose(alignment.motion, motion, atol=2e-7)
    left = how.project(alignment.apply(touches))["deviation"]
    np.testing.assert_allclose(left, table["r"], atol=1e-7)
    if name == "chebyshev":
        assert left.abs().max() == pytest.approx(0.01, abs=1e-8)
    else:
        assert (left**2).sum() == pytest.approx(0.0019620386248684315, rel=1e-7)
