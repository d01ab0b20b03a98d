"""A tolerance stated for a shape that the nominal under the touches has not is refused, however well they fit it."""

import numpy as np
import pytest
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.fit import make_motion
from probekit.tolerance import (
    circularity,
    cylindricity,
    flatness,
    orientation,
    orientation_of_axis,
    position,
    runout,
    size,
    straightness,
    straightness_of_axis,
)

LIMITS = (7.95, 8.05)


def noisy(found, seed=3, sigma=0.003):
    """With scatter along the normals, and turned out of the axes."""
    rng, out = np.random.default_rng(seed), found.copy()
    error = rng.normal(scale=sigma, size=len(out))
    for axis in "xyz":
        out[axis] += error * out[f"n{axis}"]
        out[f"c{axis}"] += error * out[f"n{axis}"]
    out["deviation"] += error
    return out


def slot():
    """Two walls of a slot 8 mm wide, two touches at two depths each: by their places, corners of many cylinders."""
    places = [(x, y, z) for x in (56.0, 66.0) for z in (-5.0, -14.0) for y in (-4.0, 4.0)]
    return noisy(table(np.array(places), np.array([(0.0, -np.sign(y), 0.0) for _, y, _ in places]), feature="slot"))


def bore():
    return noisy(around(4.0, n=4, heights=(-15.0, -5.0), bore=True))


def skin():
    """A saddle, 60 mm across."""
    xy = np.array([(x, y) for x in np.linspace(-30, 30, 5) for y in np.linspace(-30, 30, 5)])
    normal = np.column_stack([-xy[:, 0] / 100, xy[:, 1] / 100, np.ones(len(xy))])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return noisy(table(np.column_stack([xy, (xy**2 @ [1, -1]) / 200]), normal))


def flat():
    xy = np.random.default_rng(0).uniform(-20, 20, (9, 2))
    return noisy(table(np.column_stack([xy, np.zeros(9)]), (0.0, 0.0, 1.0)))


WRONG = {
    "flatness of a bore": lambda: flatness(bore(), 0.1),
    "flatness of a saddle": lambda: flatness(skin(), 0.1),
    "straightness of a bore": lambda: straightness(bore(), 0.1),
    "circularity of a slot": lambda: circularity(slot(), 0.1),
    "circularity of a plane": lambda: circularity(flat(), 0.1),
    "cylindricity of a slot": lambda: cylindricity(slot(), 0.1),
    "cylindricity of a saddle": lambda: cylindricity(skin(), 0.1),
    "straightness of the axis of a slot": lambda: straightness_of_axis(slot(), 0.1),
    "perpendicularity of a bore as a plane": lambda: orientation(bore(), 0.1, kind="perpendicularity"),
    "perpendicularity of the axis of a slot": lambda: orientation_of_axis(slot(), 0.1, kind="perpendicularity"),
    "parallelism of the axis of a plane": lambda: orientation_of_axis(flat(), 0.1, kind="parallelism"),
    "position of the axis of a slot": lambda: position(slot(), 0.1),
    "position of the middle plane of a bore": lambda: position(bore(), 0.1, of="middle plane"),
    "size of a slot as a cylinder": lambda: size(slot(), LIMITS, method="least_squares"),
    "size of a bore as a slot": lambda: size(bore(), LIMITS, of="width", method="least_squares"),
    "size of one plane as a slot": lambda: size(flat(), LIMITS, of="width", method="least_squares"),
    "runout about an axis beside the bore": lambda: runout(bore(), 0.1, at=(58.0, -38.0, 0.0)),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_tolerance_for_another_shape_is_refused(case):
    """Each gave a number before: a good bore's flatness 2.8 mm, a slot's cylindricity 0."""
    with pytest.raises(InputError, match="the nominal under them is of another shape") as caught:
        WRONG[case]()
    assert "touch" in str(caught.value)


def test_the_shape_is_known_in_any_attitude():
    turn = make_motion((30, -70, 12), (20, -35, 50))
    with pytest.raises(InputError, match="another shape"):
        cylindricity(moved(slot(), turn), 0.1)
    assert cylindricity(moved(bore(), turn), 0.1).actual < 0.02


def test_few_touches_of_the_right_shape_are_judged():
    for found in (
        flatness(flat(), 0.1),
        circularity(bore(), 0.1),
        cylindricity(bore(), 0.1),
        orientation_of_axis(bore(), 0.1, kind="perpendicularity"),
        orientation(flat(), 0.1, kind="parallelism"),
        position(bore(), 0.1),
        position(slot(), 0.1, of="middle plane"),
        size(slot(), LIMITS, of="width", method="least_squares"),
        size(slot(), LIMITS),
        runout(bore(), 0.1),
    ):
        assert found.actual < 0.03


def test_normals_of_coarse_facets_are_good_enough():
    """A dozen facets to the turn: their normals lean from the radius by up to 15 deg."""
    found = around(4.0, n=6, heights=(-15.0, -5.0), bore=True, phase=0.1)
    angle = np.arctan2(found["ny"], found["nx"])
    facet = (np.floor(angle / np.radians(30)) + 0.5) * np.radians(30)
    found["nx"], found["ny"] = np.cos(facet), np.sin(facet)
    assert cylindricity(noisy(found), 0.1).actual < 0.03


def test_what_contradicts_is_not_cut_off_within_a_word():
    found = skin()
    found["touch"] = found["touch"] + 100
    with pytest.raises(InputError, match=r"contradict it at touches \d+, \d+, \d+, \d+ and \d+ more'\. .*name each"):
        flatness(found, 0.1)
