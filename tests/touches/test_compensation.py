"""Ball compensation against elementary geometry: planes, spheres, hollow spheres, where the answer is closed form."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.touches import compensate, read
from probekit.touches.compensation import directions_from

ANGLES = np.radians([0.0, 0.1, 1.0, 5.0, 10.0, 30.0, 60.0, 90.0])


def unit_vectors(rng, number):
    vectors = rng.normal(size=(number, 3))
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def tilted(rng, normal, angle):
    """Unit vectors at `angle` to each normal, to a side chosen at random."""
    side = np.cross(normal, unit_vectors(rng, len(normal)))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    return np.cos(angle) * normal + np.sin(angle) * side


@pytest.mark.parametrize("angle", ANGLES)
def test_plane(angle):
    rng = np.random.default_rng(1)
    normal = np.tile([[0.0, 0.0, 1.0]], (50, 1))
    radius = 3.0
    centres = np.column_stack([rng.uniform(-50, 50, (50, 2)), np.full(50, radius)])
    contact = compensate(centres, radius, tilted(rng, normal, angle))
    np.testing.assert_allclose(contact[:, 2], radius * (1 - np.cos(angle)), atol=1e-14)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("size", "radius"), [(25.0, 3.0), (4.0, 2.0), (1.0, 1.5), (500.0, 0.5)])
def test_sphere_from_outside(angle, size, radius):
    """Law of cosines (Euclid, Elements II.13): triangle of sphere centre, ball centre, computed point."""
    rng = np.random.default_rng(2)
    middle, normal = np.array([12.0, -7.0, 30.0]), unit_vectors(rng, 200)
    contact = compensate(middle + (size + radius) * normal, radius, tilted(rng, normal, angle))
    error = np.linalg.norm(contact - middle, axis=1) - size
    expected = np.sqrt((size + radius) ** 2 + radius**2 - 2 * (size + radius) * radius * np.cos(angle)) - size
    np.testing.assert_allclose(error, expected, atol=1e-12)


@pytest.mark.parametrize("angle", ANGLES)
def test_hollow_sphere_from_inside(angle):
    rng = np.random.default_rng(3)
    size, radius, inward = 20.0, 3.0, unit_vectors(rng, 200)  # the material's outward normal points to the centre
    contact = compensate(-(size - radius) * inward, radius, tilted(rng, inward, angle))
    error = size - np.linalg.norm(contact, axis=1)
    expected = size - np.sqrt((size - radius) ** 2 + radius**2 + 2 * (size - radius) * radius * np.cos(angle))
    np.testing.assert_allclose(error, expected, atol=1e-12)


def test_foot_normal_is_exact_on_a_sphere_of_any_size():
    """The made sphere may be larger than the nominal: the nominal's normal at the foot of the centre is still true."""
    rng = np.random.default_rng(4)
    middle, made, radius = np.array([1.0, 2.0, 3.0]), 25.4, 3.0
    centres = middle + (made + radius) * unit_vectors(rng, 500)
    at_foot = (centres - middle) / np.linalg.norm(centres - middle, axis=1, keepdims=True)
    contact = compensate(centres, radius, at_foot)
    np.testing.assert_allclose(np.linalg.norm(contact - middle, axis=1), made, atol=1e-13)


@given(st.floats(1e-3, 0.3), st.floats(1.0, 500.0), st.floats(0.1, 5.0))
def test_small_angles(angle, size, radius):
    """The limits in the docstring: r theta^2 / 2 times (R + r) / R; the next term is of the order of theta^2."""
    normal, direction = np.array([[1.0, 0, 0]]), np.array([[np.cos(angle), np.sin(angle), 0]])
    error = np.linalg.norm(compensate((size + radius) * normal, radius, direction)) - size
    leading = radius * angle**2 / 2 * (size + radius) / size
    assert error > 0
    assert error == pytest.approx(leading, rel=angle**2 * (1 + radius / size) ** 2, abs=1e-12)


@given(st.floats(-3, 3), st.floats(-3, 3))
def test_moving_everything_moves_the_contact(turn, shift):
    rng = np.random.default_rng(5)
    centres, normal = rng.normal(size=(20, 3)), unit_vectors(rng, 20)
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    moved = compensate(centres @ rotation.T + shift, 2.0, normal @ rotation.T)
    np.testing.assert_allclose(moved, compensate(centres, 2.0, normal) @ rotation.T + shift, atol=1e-13)


def test_missed_touches_stay_missed():
    contact = compensate([[0, 0, 5.0], [np.nan] * 3, [np.nan] * 3], 2.0, [[0, 0, 1.0], [0, 0, 1.0], [np.nan] * 3])
    np.testing.assert_array_equal(contact, [[0, 0, 3.0], [np.nan] * 3, [np.nan] * 3])


def test_zero_radius_gives_centres_back():
    np.testing.assert_array_equal(compensate([[1.0, 2, 3]], 0.0, [[0, 1.0, 0]]), [[1, 2, 3]])
    assert compensate(np.empty((0, 3)), 1.0, np.empty((0, 3))).shape == (0, 3)


@pytest.mark.parametrize(
    ("centres", "radius", "directions", "words"),
    [
        (
            [[0, 0, 1]],
            1.0,
            [[0, 0, 2.0]],
            r"touches without a direction of unit length: 1, the first in row 0.*\(0, 0, 2\)",
        ),
        ([[0, 0, 1]] * 2, 1.0, [[0, 0, 1], [np.nan] * 3], r"the first in row 1.*\(nan, nan, nan\)"),
        ([[0, 0, 1]], -1.0, [[0, 0, 1]], "ball radius is not usable; found -1.0"),
        ([[0, 0, 1]], np.nan, [[0, 0, 1]], "ball radius is not usable; found nan"),
        ([[0, 0, 1]] * 2, 1.0, [[0, 0, 1]], r"shapes \(2, 3\) and \(1, 3\)'; expected \(n, 3\) both"),
        ([0, 0, 1], 1.0, [0, 0, 1], r"shapes \(3,\) and \(3,\)"),
    ],
)
def test_refused(centres, radius, directions, words):
    with pytest.raises(InputError, match=words):
        compensate(centres, radius, directions)


@pytest.fixture
def table(save, good):
    lines = [
        f"{line},{more}"
        for line, more in zip(good.splitlines()[2:], ["ai,aj,ak", "0,0.6,-0.8", ",,", ",,"], strict=True)
    ]
    return read(save("# unit: mm\n# recorded: centre\n" + "\n".join(lines) + "\n"))


def test_directions_by_target(table):
    np.testing.assert_array_equal(directions_from(table), [[0, 0, 1], [0, 0, 1], [1, 0, 0]])
    np.testing.assert_array_equal(directions_from(table, by="target"), directions_from(table))


def test_directions_by_approach_point_outward(table):
    """The approach points into the material; where it is not given, it is taken to be against the target's normal."""
    outward = directions_from(table, by="approach")
    np.testing.assert_array_equal(outward, [[0, -0.6, 0.8], [0, 0, 1], [1, 0, 0]])
    plain = table.drop(columns=["ai", "aj", "ak"])
    np.testing.assert_array_equal(directions_from(plain, by="approach"), directions_from(plain))
    contact = compensate(table[["x", "y", "z"]], 3.0, outward)
    np.testing.assert_allclose(contact[0], [10.001, 5.0 + 3 * 0.6, 15.512 - 3 * 0.8])  # centre + radius * approach


def test_directions_that_are_not_there(table):
    table.loc[[1, 2], ["i", "j", "k"]] = np.nan
    with pytest.raises(
        InputError, match=r"run\.csv: measured touches without a target normal: 1, the first is touch 2\. Fill"
    ):
        directions_from(table)
    with pytest.raises(InputError, match="measured touches without approach or normal: 1"):
        directions_from(table, by="approach")
    table = pd.DataFrame(table.iloc[[0, 2]])
    assert np.isnan(directions_from(table, by="approach")[1]).all()  # missed and without normal: nothing to compensate


@pytest.mark.parametrize(
    ("by", "words"), [("foot", "found 'foot'; .*use probekit.deviation"), ("up", "found 'up'; expected")]
)
def test_unknown_direction(table, by, words):
    with pytest.raises(InputError, match=words):
        directions_from(table, by=by)
