"""Position at MMC: the surface decides before the axis, as far as touches show it. Closed forms of pins in holes."""

from __future__ import annotations

import numpy as np
import pytest
from tolerance.touched import around, table

from probekit.tolerance import position

TRUE = {"at": (0, 0, 0), "direction": (0, 0, 1)}
LIMITS = {"modifier": "M", "limits": (10.0, 10.6)}


def oval(n: int, *, a: float = 5.3, b: float = 5.0, shift: float = 0.1):
    """A bore with half axes a along x, b along y, its middle off by `shift` along x; n touches in each of 3 rings."""
    angle = 2 * np.pi * (np.arange(n) + 0.13) / n
    parts, normals = [], []
    for z in (0.0, 10.0, 20.0):
        parts.append(np.column_stack([a * np.cos(angle) + shift, b * np.sin(angle), np.full(n, z)]))
        normals.append(np.column_stack([-np.cos(angle), -np.sin(angle), np.zeros(n)]))
    return table(
        np.vstack(parts),
        np.vstack(normals),
        foot=np.vstack(parts) * 0
        + np.vstack(normals) * -5.0
        + np.vstack([np.column_stack([np.zeros((n, 2)), np.full(n, z)]) for z in (0.0, 10.0, 20.0)]),
    )


def test_a_pin_of_the_virtual_condition_goes_in_though_the_axis_is_out():
    """By least squares the axis of the oval is 0.1 off: 0.2 over 0.1 with hardly a bonus; a pin of 9.9 has room."""
    one = position(oval(120), 0.1, method="least_squares", **TRUE, **LIMITS)
    assert one.details["by the axis"] == pytest.approx(0.2, abs=1e-3)
    assert one.details["by the axis"] > one.width
    angle = np.linspace(0, 2 * np.pi, 20_000)
    clear = 2 * np.hypot(5.3 * np.cos(angle) + 0.1, 5.0 * np.sin(angle)).min() - 9.9  # brute force
    assert one.details["room to the boundary of the virtual condition"] == pytest.approx(clear, abs=1e-3)
    assert one.actual == pytest.approx(one.width - clear, abs=0.002)
    assert one.actual <= one.width
    assert any("comes before the axis" in note for note in one.notes)
    assert len(one.ruling) == 1


@pytest.mark.parametrize("n", [3, 4, 5, 8])
def test_few_touches_do_not_prove_that_the_surface_passes(n):
    """A round hole of 10.2, 0.2 off between two touches: a pin of 9.9 has 0.3 - 0.4 mm of room, that is none."""
    turned = 0.0 if n % 2 else np.pi / n  # no touch where the hole comes nearest to the pin
    one = position(around(5.1, n=n, bore=True, centre=(0.2, 0.0), phase=turned), 0.1, **TRUE, **LIMITS)
    assert one.details["room to the boundary of the virtual condition"] > -0.1 + 1e-3  # what the touches alone say
    assert one.actual - one.width == pytest.approx(0.1, abs=2e-3)


def test_a_touch_beyond_the_boundary_is_out_whatever_the_axis_says():
    found = around(5.1, n=24, bore=True)
    columns = [["x", "y", "z"], ["cx", "cy", "cz"]]
    for names in columns:
        found.loc[3, names] = found.loc[3, names].to_numpy(float) * [0.9, 0.9, 1.0]
    one = position(found, 0.1, method="least_squares", **TRUE, **LIMITS)
    assert one.actual > one.width
    assert one.ruling == (4,)
    step = 1e-5
    nudged = found.copy()
    normal = found.loc[3, ["nx", "ny", "nz"]].to_numpy(float)
    for names in columns:
        nudged.loc[3, names] = nudged.loc[3, names].to_numpy(float) + step * normal
    moved = position(nudged, 0.1, method="least_squares", **TRUE, **LIMITS)
    slope = ((moved.actual - moved.width) - (one.actual - one.width)) / step
    assert slope == pytest.approx(one.gradient[3], rel=0.02)


def test_boss_and_least_material():
    """A boss of 9.8 in 9.6 to 10.0, 0.15 off, at M with 0.1: 0.3 of room in size, 0.1 + 0.2; at L the same."""
    for modifier in "ML":
        one = position(around(4.9, n=90, centre=(0.15, 0.0)), 0.1, modifier=modifier, limits=(9.6, 10.0), **TRUE)
        assert one.width == pytest.approx(0.3, abs=2e-3)
        assert one.actual == pytest.approx(0.3, abs=4e-3)
