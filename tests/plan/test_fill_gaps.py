"""Targets into gaps: against known coverings, with what is touched anyway, on both sides of a thin wall."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from probekit import plan
from probekit.errors import InputError
from probekit.field.defects import radius_seen
from probekit.field.nodes import nodes
from probekit.plan.targets.gaps import nearest
from probekit.plan.targets.spread import candidates
from probekit.study.planning import targets_of

RNG = np.random.default_rng


def positions(targets) -> np.ndarray:
    return targets[["x0", "y0", "z0"]].to_numpy()


def largest_gap(part, targets) -> float:
    at = candidates(part, None, 8000, RNG(9))
    return float(
        nearest(at.points, at.normals, positions(targets), targets[["i", "j", "k"]].to_numpy()).min(axis=1).max()
    )


@pytest.mark.parametrize(
    ("n", "radius"), [(1, 0.7071), (2, 0.5590), (4, 0.3536), (5, 0.3261), (7, 0.2743), (9, 0.2307)]
)
def test_a_square_is_covered_nearly_as_well_as_can_be(n, radius):
    """Least radius of n equal circles that cover a unit square (A. Heppes, H. Melissen, 1997; from memory)."""
    square = shapes.plane_patch(size=60.0)
    assert largest_gap(square, plan.fill_gaps(square, n, RNG(1))) < 1.13 * 60.0 * radius


def test_what_is_touched_anyway_counts():
    square = shapes.plane_patch(size=60.0)
    row = plan.place(square, np.column_stack([np.linspace(-28, 28, 12), np.full(12, 28.0), np.zeros(12)]))
    more = plan.fill_gaps(square, 2, RNG(1), start=row)
    # the row covers its border: the two share what is left of the square, nearer to the other border
    assert (positions(more)[:, 1] < 0).all()
    alone = plan.fill_gaps(square, 2, RNG(1))
    assert largest_gap(square, plan.join(row, more)) < largest_gap(square, plan.join(row, alone))
    assert "before" in more.attrs["notes"]


def test_both_sides_of_a_thin_wall_get_targets():
    wall = shapes.box(size=(60.0, 60.0, 0.5))
    faces = [name for name in wall.face_names if name.startswith("z") or name in ("top", "bottom")]
    sides = plan.fill_gaps(wall, 8, RNG(1), faces=faces, margin=2.0)["k"].to_numpy()
    assert (sides > 0.9).sum() == (sides < -0.9).sum() == 4


def test_fewer_touches_than_blue_noise_for_the_same_blind_spot(demo):
    """On the doubly curved skin: 72 targets leave hills no more room than 91 of a blue noise."""
    at = nodes(demo.part, 1500, RNG(5), faces="skin")

    def radius(targets) -> float:
        return radius_seen(at, positions(targets), targets[["i", "j", "k"]].to_numpy(), 0.13, 0.006, 0.95)

    even = np.mean([radius(plan.blue_noise(demo.part, 91, RNG(k), faces="skin", margin=3.0)) for k in (1, 2)])
    assert radius(plan.fill_gaps(demo.part, 72, RNG(1), faces="skin", margin=3.0)) < even


def test_a_study_fills_the_gaps_that_its_other_tables_leave():
    square = shapes.plane_patch(size=60.0)
    row = {"how": "pick", "points": [[float(x), 28.0, 0.0] for x in range(-26, 28, 4)]}
    more = {"how": "fill_gaps", "n": 2}
    made = targets_of([row, more], square, file="study.toml", ball_radius=1.0)
    assert len(made) == 16
    assert (positions(made)[14:, 1] < 0).all()
    assert len(targets_of([more], square, file="study.toml", ball_radius=1.0)) == 2
    with pytest.raises(InputError, match="no such key"):
        targets_of([more | {"start": [[0, 0, 0]]}], square, file="study.toml", ball_radius=1.0)


def test_bad_input_is_named():
    square = shapes.plane_patch()
    with pytest.raises(InputError, match="whole number"):
        plan.fill_gaps(square, 2.5, RNG(1))
    with pytest.raises(InputError, match="too many targets"):
        plan.fill_gaps(square, 1001, RNG(1))
    with pytest.raises(InputError, match="lacks columns"):
        plan.fill_gaps(square, 3, RNG(1), start=plan.place(square, np.zeros((2, 3))).drop(columns="face"))
