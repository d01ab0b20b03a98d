"""A position of zero at a material condition: all there is comes from the size. Closed forms of pins in holes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from thorough import count
from tolerance.inspected import inspected
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.fit import make_motion
from probekit.tolerance import Position, Profile, pattern, position, simultaneous
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

TRUE = {"at": (0, 0, 0), "direction": (0, 0, 1)}
LIMITS = (10.0, 10.4)


@pytest.mark.parametrize("n", [4, 5, 12, 60])
@pytest.mark.parametrize(("modifier", "bore"), [("M", True), ("M", False), ("L", True), ("L", False)])
def test_what_the_size_leaves_is_allowed(n, modifier, bore):
    """Off by 0.14, of size 10.3: 0.28 is used; at M a bore leaves 0.3 and a boss 0.1, at L the other way round."""
    found = around(5.15, n=n, bore=bore, centre=(0.14, 0.0))
    one = position(found, 0.0, modifier=modifier, limits=LIMITS, **TRUE)
    allowed = 0.3 if (modifier == "M") == bore else 0.1
    assert one.width == pytest.approx(allowed, abs=1e-6)
    assert one.actual == pytest.approx(0.28, abs=4e-3)  # by the surface: a touch shows a little less than the axis
    assert (one.actual <= one.width) == (allowed > 0.28)
    assert one.details["virtual condition"] == (10.0 if (modifier == "M") == bore else 10.4)


def test_no_bonus_allows_nothing():
    """A bore at its smallest, off by 0.02; and one that is where it should be."""
    for off in (0.02, 0.0):
        one = position(around(5.0, n=24, bore=True, centre=(off, 0.0)), 0.0, modifier="M", limits=LIMITS, **TRUE)
        assert one.width == pytest.approx(0.0, abs=1e-9)
        assert one.actual - one.width == pytest.approx(2 * off, abs=1e-3)
        assert "too much" in str(one.explain()) or off == 0.0


def test_a_pattern_uses_what_each_hole_leaves_and_shares_a_placement():
    """Holes 50 apart, off by +-0.1 along y, which a turn of the pattern takes up, and apart along x, which stays."""
    holes = []
    for name, x, shift, size in (("h1", -25.0, (-0.03, 0.1), 10.2), ("h2", 25.0, (0.03, -0.1), 10.1)):
        holes.append(moved(around(size / 2, n=24, bore=True, centre=shift, feature=name), make_motion([x, 0, 0])))
    found = pd.concat(holes, ignore_index=True).assign(touch=range(1, 145))
    true = {"at": ((-25, 0, 0), (25, 0, 0)), "direction": (0, 0, 1), "features": ("h1", "h2")}
    held = pattern(found, 0.0, modifier="M", limits=LIMITS, **true)
    assert held.actual > held.width
    free = pattern(found, 0.0, modifier="M", limits=LIMITS, free=("tx", "ty", "rz"), **true)
    # the room 0.2 and 0.1 less 2 |s|: even where s1 = 0.055, s2 = 0.005, for s1 + s2 = 0.06
    assert free.width - free.actual == pytest.approx(0.2 - 2 * 0.055, abs=2e-3)


def test_together_with_a_profile():
    """A face 0.1 too high under a profile of 0.4 (half is used) and a bore off by 0.1 in 10.3, free along x and z."""
    hole = around(5.15, n=24, bore=True, centre=(0.1, 0.0))
    points = np.array([[20, 0, 20.1], [40, 0, 20.1], [20, 20, 20.1], [40, 20, 20.1]])
    face = table(points, (0, 0, 1.0), deviation=0.1, feature="top")
    found = pd.concat([hole, face], ignore_index=True).assign(touch=range(1, 77))
    place = Position(width=0.0, features="hole", modifier="M", limits=LIMITS, **TRUE)
    one, two = simultaneous(found, [Profile(width=0.4, features="top"), place])
    assert one.details["share of the tolerance used by the worst of all"] == pytest.approx(1 - 0.1 / 0.4, abs=5e-3)
    assert two.actual <= two.width


def test_bounds_hold_at_the_limit():
    """A bore with no room left: with scatter it is accepted in at most 5 % of runs (and three standard errors)."""
    accepted, rejected, runs, u = 0, 0, count(16, 40), 0.003
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        found = around(5.1, n=8, bore=True, centre=(0.1, 0.0))  # 10.2 off by 0.1: MMC 10.0 just passes
        noise = rng.normal(scale=u, size=len(found))[:, None] * found[["nx", "ny", "nz"]].to_numpy()
        found[["x", "y", "z"]] += noise
        found[["cx", "cy", "cz"]] += noise
        one = position(found, 0.0, modifier="M", limits=LIMITS, **TRUE)
        reach = bounds(one, Scatter.independent(np.full(len(found), u)))
        accepted += reach.high <= one.width
        rejected += reach.low > one.width
    assert accepted / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
    assert rejected / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


def test_what_cannot_be_zero():
    with pytest.raises(InputError, match="a position of zero needs a material condition"):
        position(around(5.0, bore=True), 0.0, **TRUE)
    with pytest.raises(InputError, match="must be positive"):
        position(around(5.0, bore=True), -0.1, modifier="M", limits=LIMITS, **TRUE)


def test_in_a_study(tmp_path, capsys):
    study = """
[[tolerance]]
kind = "position"
name = "zero"
features = ["bore"]
width = 0
modifier = "M"
limits = [19.9, 20.1]
at = [-45, 26, 0]
direction = [0, 0, 1]
"""
    one = inspected(tmp_path, study)["zero"]
    assert "no touch can be within" not in "".join(capsys.readouterr()) + (tmp_path / "out/report.html").read_text()
    assert one["width"] == pytest.approx(one["details"]["bonus"])
    assert one["actual"] < one["width"]
