"""From a table of deviations to an element: bores, bosses, slots, planes of known size, with ball and noise."""

import numpy as np
import pandas as pd
import pytest
from tolerance.touched import around, table

from probekit import InputError
from probekit.fit import element, element_of

BALL = 3.0


def with_ball(contact: pd.DataFrame, radius=BALL) -> pd.DataFrame:
    """The same touches as ball centres: a radius off the contact along the normal."""
    out = contact.assign(radius=radius)
    out[["x", "y", "z"]] = (
        out[["cx", "cy", "cz"]].to_numpy() + np.reshape(radius, (-1, 1)) * out[["nx", "ny", "nz"]].to_numpy()
    )
    return out


@pytest.mark.parametrize("bore", [True, False])
@pytest.mark.parametrize("method", ["least_squares", "minimum_zone", "mating"])
def test_a_bore_and_a_boss(bore, method):
    """40.02 by construction, whatever the ball; the side of the material comes from the table."""
    if method == "mating":
        method = "maximum_inscribed" if bore else "minimum_circumscribed"
    found = element_of(with_ball(around(20.01, bore=bore)), "hole", "cylinder", method=method)
    assert found.parameters["radius"] == pytest.approx(20.01, abs=1e-5)
    assert found.form < 1e-5


def test_few_touches_stay_on_the_bore_that_was_touched():
    """2 x 4 touches at equal angles are the corners of a box, on three cylinders; noise must not choose."""
    rng = np.random.default_rng(5)
    few = with_ball(around(20.0, n=4, heights=(0.0, 40.0), bore=True))
    few[["x", "y", "z"]] += rng.normal(0.0, 0.003, (8, 3))
    assert abs(element_of(few, "hole", "cylinder").parameters["direction"][2]) > 0.999


def test_it_is_what_element_says_of_the_same_points(tmp_path):
    """Through a CSV file, among other features, with a touch that missed."""
    hole = with_ball(around(20.0 + 0.01 * np.cos(2 * np.arange(12)), bore=True))
    top = with_ball(table([[x, y, 30.0] for x in (0.0, 9.0) for y in (0.0, 7.0, 8.0)], [0, 0, 1], feature="top"))
    both = pd.concat([hole, top], ignore_index=True)
    both.loc[3, ["x", "y", "z", "cx", "cy", "cz", "deviation", "foot_x", "foot_y", "foot_z"]] = np.nan
    both.to_csv(tmp_path / "a.csv", index=False)
    read = pd.read_csv(tmp_path / "a.csv")
    own = hole.drop(index=3)
    by_hand = element(own[["x", "y", "z"]].to_numpy(), "cylinder", ball=BALL, material="outside")
    assert element_of(read, "hole", "cylinder").parameters["radius"] == pytest.approx(
        by_hand.parameters["radius"], abs=1e-7
    )
    plane = element_of(read, "top", "plane", method="tangent")
    assert plane.parameters["point"][2] == pytest.approx(30.0)
    assert plane.parameters["direction"][2] == pytest.approx(1.0)


def test_a_slot_of_two_radii():
    """Two planes 12.04 apart, touched with two balls: the column tells which."""
    walls = [
        table([[x, s * 6.02, z] for x in (0, 20, 40) for z in (0, 9)], [0, -s, 0], feature="slot") for s in (1, -1)
    ]
    slot = with_ball(pd.concat(walls, ignore_index=True), np.repeat([3.0, 2.0], 6))
    assert element_of(slot, "slot", "width").parameters["width"] == pytest.approx(12.04, abs=1e-9)


def test_what_it_cannot_do_is_said():
    hole = around(20.0)
    with pytest.raises(InputError, match="no touch is on that feature"):
        element_of(hole, "bore", "cylinder")
    with pytest.raises(InputError, match="not projected"):
        element_of(hole.drop(columns="foot_x"), "hole", "cylinder")
    with pytest.raises(InputError, match="in space"):
        element_of(hole, "hole", "circle2")
    with pytest.raises(InputError, match="radius"):
        element_of(hole.drop(columns="radius"), "hole", "cylinder")
    with pytest.raises(InputError, match="no touch of that feature triggered"):
        element_of(hole.assign(x=np.nan), "hole", "cylinder")
