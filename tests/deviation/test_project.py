"""Touches projected: closed forms on plane and sphere, invariances, what is kept, what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.meshes import grid, l_shape, moved, slot, sphere
from scipy.spatial.transform import Rotation
from thorough import count

from probekit.deviation import project
from probekit.deviation.projection import distance_function
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import from_arrays
from probekit.touches import Stylus

RADIUS = 25.0  # of the sphere [mm]
BALL = 3.0  # effective radius [mm]
SPHERE = from_arrays(*sphere(RADIUS, 5))
#: Largest depth of a facet below the sphere it stands for [mm]: at its centroid.
CHORD = float(RADIUS - min(np.linalg.norm(SPHERE.vertices[SPHERE.facets].mean(axis=1), axis=1)))
ELL = from_arrays(*l_shape())


def unit_vectors(rng, number):
    vectors = rng.normal(size=(number, 3))
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def touches(points, target=None, normal=None, **columns):
    points = np.asarray(points, dtype=float)
    table = {"touch": np.arange(1, len(points) + 1), "feature": ""}
    for names, values in (("x0 y0 z0", target), ("i j k", normal), ("x y z", points)):
        if values is not None:
            table |= dict(zip(names.split(), np.asarray(values, dtype=float).T, strict=True))
    return pd.DataFrame({"radius": 0.0} | table | columns)  # contact points, unless a stylus is given


def around(part, rng, number, spread=1.0):
    facet = rng.integers(len(part.facets), size=number)
    weight = rng.dirichlet((1, 1, 1), size=number)
    return np.einsum("nk,nkc->nc", weight, part.vertices[part.facets[facet]]) + rng.normal(
        scale=spread, size=(number, 3)
    )


def tilted(rng, normal, angle):
    side = np.cross(normal, unit_vectors(rng, len(normal)))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    return np.cos(angle) * normal + np.sin(angle) * side


# --- compensation on the sphere -------------------------------------------------------------------------------------


@pytest.mark.parametrize("normal", ["facet", "smooth"])
@pytest.mark.parametrize("error", [-0.2, 0.0, 0.05])
def test_compensated_at_the_foot_is_exact_on_a_sphere(error, normal):
    """The made sphere is larger by `error`; the deviation is that, up to the depth of the facets under the sphere."""
    rng = np.random.default_rng(1)
    outward = unit_vectors(rng, 2000)
    found = project(touches((RADIUS + error + BALL) * outward), SPHERE, stylus=BALL, normal=normal)
    deviation = found["deviation"].to_numpy()
    assert deviation.min() > error - 1e-9
    assert deviation.max() < error + CHORD * (RADIUS + BALL + error) / RADIUS + 1e-9
    contact = found[["cx", "cy", "cz"]].to_numpy()
    np.testing.assert_allclose(np.linalg.norm(contact, axis=1), RADIUS + error, atol=2 * CHORD)
    # the three say the same: contact, foot and deviation
    apart = np.linalg.norm(contact - found[["foot_x", "foot_y", "foot_z"]].to_numpy(), axis=1)
    np.testing.assert_allclose(apart, np.abs(deviation), atol=1e-9)


@pytest.mark.parametrize("compensate", ["target", "approach"])
@pytest.mark.parametrize("degrees", [0.0, 1.0, 5.0, 20.0, 60.0])
def test_cosine_error_on_a_sphere(compensate, degrees):
    """Law of cosines, as derived in probekit.touches.compensation; again up to the depth of the facets.

    For R = 25, r = 3 and 5 degrees: e = sqrt(28^2 + 3^2 - 2 28 3 cos 5) - 25 = 0.01278 mm.
    """
    rng = np.random.default_rng(2)
    outward = unit_vectors(rng, 2000)
    direction = tilted(rng, outward, np.radians(degrees))
    centre = (RADIUS + BALL) * outward
    given_by = {"normal": direction} if compensate == "target" else {"normal": outward}
    table = touches(centre, target=RADIUS * outward, **given_by)
    if compensate == "approach":
        table[["ai", "aj", "ak"]] = -direction
    far, cosine = RADIUS + BALL, np.cos(np.radians(degrees))
    expected = np.sqrt(far**2 + BALL**2 - 2 * far * BALL * cosine) - RADIUS
    if degrees == 5.0:
        assert expected == pytest.approx(0.01278, abs=5e-6)
    deviation = project(table, SPHERE, stylus=BALL, compensate=compensate)["deviation"].to_numpy()
    assert deviation.min() > expected - 1e-9
    assert deviation.max() < expected + CHORD * (RADIUS + expected) / RADIUS + 1e-9


def test_the_tolerance_of_the_sphere_tests_is_tight():
    assert 0.001 < CHORD < 0.02, "the cosine error at 5 degrees is 0.0128 mm: the facets must be finer than that"
    assert BALL * (1 - np.cos(np.radians(20))) > 10 * CHORD


def test_plane():
    """Cosine error r (1 - cos 10 deg) = 0.04558 mm for r = 3 on a flat face; none at the foot's normal."""
    tilt = np.radians(10.0)
    normal = [[np.sin(tilt), 0.0, np.cos(tilt)]]
    table = touches([[10.0, 7.0, 13.0]], target=[[10.0, 7.0, 10.0]], normal=normal)
    assert project(table, ELL, stylus=BALL)["deviation"][0] == pytest.approx(0.0, abs=1e-12)
    wrong = project(table, ELL, stylus=BALL, compensate="target")
    assert wrong["deviation"][0] == pytest.approx(0.04558, abs=5e-6)
    np.testing.assert_allclose(wrong[["cx", "cy", "cz"]].to_numpy()[0], [10 - 3 * np.sin(tilt), 7, 10.04558], atol=5e-6)


def test_ball_at_an_edge():
    """On a sharp edge the ball touches the edge itself: contact and deviation along the line from edge to centre."""
    found = project(touches([[20.0, -3.0, 14.0]]), ELL, stylus=4.5)
    assert found["deviation"][0] == pytest.approx(0.5)  # the centre is 5 mm from the edge: 3-4-5
    np.testing.assert_allclose(found[["cx", "cy", "cz"]].to_numpy()[0], [20, -0.3, 10.4], atol=1e-12)
    np.testing.assert_allclose(found[["nx", "ny", "nz"]].to_numpy()[0], [0, -0.6, 0.8], atol=1e-12)
    assert found["flag"][0] == "edge ambiguous"


def test_stylus_object_is_its_effective_radius():
    points = around(ELL, np.random.default_rng(3), 50) + np.array([0, 0, 20])
    stylus = Stylus(6.0, effective_radius=2.987)
    np.testing.assert_array_equal(
        project(points, ELL, stylus=stylus)["deviation"], project(points, ELL, stylus=2.987)["deviation"]
    )


# --- invariances ----------------------------------------------------------------------------------------------------

small = st.floats(-1.0, 1.0)
motions = st.tuples(st.tuples(small, small, small), st.tuples(small, small, small))


@settings(max_examples=count(10, 25))
@given(motions, st.integers(0, 2**32 - 1))
def test_moving_part_and_touches_together_changes_nothing(motion, seed):
    turn = Rotation.from_rotvec(np.multiply(motion[0], np.pi)).as_matrix()
    matrix = np.block([[turn, np.multiply(motion[1], 1000.0)[:, None]], [np.zeros((1, 3)), np.ones((1, 1))]])
    points = around(ELL, np.random.default_rng(seed), 60)
    other = from_arrays(moved(ELL.vertices, matrix), ELL.facets, facet_face=ELL.facet_face, face_names=ELL.face_names)
    one = project(points, ELL, stylus=BALL, ambiguity=0.01)
    two = project(moved(points, matrix), other, stylus=BALL, ambiguity=0.01)
    np.testing.assert_allclose(two["deviation"], one["deviation"], rtol=0, atol=1e-9)
    clear = ~one["flag"].astype(str).str.contains("ambiguous").to_numpy()
    foot = ["foot_x", "foot_y", "foot_z"]
    np.testing.assert_allclose(two[foot][clear], moved(one[foot].to_numpy(), matrix)[clear], rtol=0, atol=1e-8)
    np.testing.assert_allclose(
        two[["nx", "ny", "nz"]][clear], one[["nx", "ny", "nz"]].to_numpy()[clear] @ turn.T, rtol=0, atol=1e-6
    )
    assert (two["face"].astype(str)[clear] == one["face"].astype(str)[clear]).all()


@settings(max_examples=count(10, 25))
@given(st.floats(0.05, 20.0), st.integers(0, 2**32 - 1))
def test_scaling_scales(factor, seed):
    points = around(ELL, np.random.default_rng(seed), 60)
    other = from_arrays(ELL.vertices * factor, ELL.facets, facet_face=ELL.facet_face, face_names=ELL.face_names)
    one = project(points, ELL, stylus=BALL)
    two = project(points * factor, other, stylus=BALL * factor, ambiguity=0.001 * factor)
    np.testing.assert_allclose(two["deviation"], one["deviation"] * factor, rtol=1e-9, atol=1e-11 * factor)


@settings(max_examples=count(10, 25))
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_permuting_rows_permutes(seed, bound):
    rng = np.random.default_rng(seed)
    points = around(ELL, rng, 80)
    points[rng.random(80) < 0.1] = np.nan
    table = touches(points, target=around(ELL, rng, 80, 0.0) if bound else None)
    order = rng.permutation(80)
    one, two = project(table, ELL, stylus=BALL), project(table.iloc[order], ELL, stylus=BALL)
    pd.testing.assert_frame_equal(two, one.iloc[order], rtol=0, atol=1e-13)


@settings(max_examples=count(10, 25))
@given(st.integers(0, 2**32 - 1), st.sampled_from(["foot", "target", "approach"]), st.sampled_from(["foot", "target"]))
def test_projecting_again_changes_nothing(seed, compensate, along):
    rng = np.random.default_rng(seed)
    target = around(ELL, rng, 40, 0.0)
    normal = ELL.engine.feet(target).normal
    points = target + BALL * normal + rng.normal(scale=0.1, size=(40, 3))
    points[5] = np.nan
    table = touches(points, target=target, normal=normal)
    options = {"stylus": BALL, "compensate": compensate, "along": along, "max_distance": 0.1}
    once = project(table, ELL, **options)
    twice = project(once, ELL, **options)
    pd.testing.assert_frame_equal(once, twice)


def test_order_of_names_of_faces_does_not_matter():
    points = around(ELL, np.random.default_rng(4), 200)
    other = ELL.rename_faces({name: f"n{k}" for k, name in enumerate(ELL.face_names)})
    np.testing.assert_array_equal(project(points, ELL)["deviation"], project(points, other)["deviation"])


# --- one face only --------------------------------------------------------------------------------------------------

SLOT = from_arrays(*slot(8.0), faces={"left": [-4, 25, 14], "right": [4, 25, 14], "floor": [0, 25.5, 8]})


@pytest.mark.parametrize("by", ["face", "feature", "target"])
def test_bound_to_a_face(by):
    """Past the middle of the slot the other wall is nearer; a touch that names its wall stays on it."""
    points = np.array([[1.0, 25, 16], [-1.0, 25, 16], [3.9, 10, 16]])
    names = ["left", "right", "left"]
    table = touches(points)
    if by == "target":
        table = touches(points, target=[[-4, 25, 16], [4, 25, 16], [-4, 10, 16]])
    else:
        table[by] = names
    assert project(table, SLOT, named=False)["face"].tolist() == ["right", "left", "right"]
    np.testing.assert_allclose(project(table, SLOT, named=False)["deviation"], [3, 3, 0.1], atol=1e-12)
    found = project(table, SLOT)
    assert found["face"].tolist() == names
    np.testing.assert_allclose(found["deviation"], [5, 5, 7.9], atol=1e-12)
    assert (found["flag"] == "").all(), "a bound touch is not ambiguous"
    assert found["bound"].tolist() == names


def test_face_column_goes_before_feature_and_target():
    table = touches([[1.0, 25, 16]] * 3, target=[[4.0, 25, 16]] * 3, face=["left", "", None])
    table["feature"] = ["right", "right", "floor"]
    found = project(table, SLOT)
    assert found["face"].tolist() == ["left", "right", "right"]  # no face: its target's; features are not asked


def test_features_that_are_no_faces_bind_by_target_or_not_at_all():
    table = touches([[1.0, 25, 16], [1.0, 25, 16]], target=[[-4.0, 25, 16], [np.nan] * 3], feature=["wall A", "wall A"])
    found = project(table, SLOT)
    assert found["face"].tolist() == ["left", "right"]
    assert found["bound"].tolist() == ["left", ""]


def test_target_on_an_edge_binds_to_neither_face():
    table = touches([[-3.9, 25, 10], [0.0, 25, 8.1]], target=[[-4.0, 25, 8], [-4.0, 25, 8]])
    assert project(table, SLOT)["face"].tolist() == ["left", "floor"]


def test_unknown_face_is_refused():
    table = touches([[1.0, 25, 16]], face=["lid"])
    with pytest.raises(InputError, match=r"no face with that name; found 'lid'; expected one of"):
        project(table, SLOT)


def test_beyond_the_end_of_its_face():
    """The nearest point of the face is on its border: flagged as an edge, the distance is the true one."""
    table = touches([[-4.0 + 3, 25, 24.0]], face=["left"])
    found = project(table, SLOT)
    assert found["deviation"][0] == pytest.approx(5.0)
    assert found["flag"][0] == "edge"
    np.testing.assert_allclose(found[["foot_x", "foot_y", "foot_z"]].to_numpy()[0], [-4, 25, 20], atol=1e-12)


# --- along the target ------------------------------------------------------------------------------------------------


def test_along_the_target():
    """Deviation is (contact - target) . n, whatever the surface does; the foot is the target."""
    rng = np.random.default_rng(5)
    outward = unit_vectors(rng, 200)
    centre = (RADIUS + BALL + 0.1) * outward + rng.normal(scale=0.2, size=(200, 3))
    table = touches(centre, target=RADIUS * outward, normal=outward)
    found = project(table, SPHERE, stylus=BALL, compensate="target", along="target")
    expected = np.einsum("ij,ij->i", centre - (RADIUS + BALL) * outward, outward)
    np.testing.assert_allclose(found["deviation"], expected, atol=1e-12)
    np.testing.assert_array_equal(found[["foot_x", "foot_y", "foot_z"]], RADIUS * outward)
    np.testing.assert_array_equal(found[["nx", "ny", "nz"]], outward)
    nearest = project(table, SPHERE, stylus=BALL, compensate="target")["deviation"]
    # sideways by s the sphere falls away by s^2 / 2R: the nearest distance is larger by that, never smaller
    sideways = np.linalg.norm(np.cross(centre - RADIUS * outward, outward), axis=1)
    fall = np.sqrt((RADIUS + expected) ** 2 + sideways**2) - RADIUS - expected
    np.testing.assert_allclose(nearest - found["deviation"], fall, atol=1.1 * CHORD)


def test_along_the_target_keeps_a_missed_touch():
    table = touches([[np.nan] * 3, [10.0, 7, 10.5]], target=[[9.0, 7, 10], [10.0, 7, 10]], normal=[[0, 0, 1]] * 2)
    found = project(table, ELL, along="target")
    assert np.isnan(found["deviation"][0])
    assert found["flag"].tolist() == ["missed", ""]
    assert found["deviation"][1] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (touches([[1.0, 2, 3]]), r'along="target" needs targets; expected columns x0, y0, z0, i, j, k'),
        (
            touches([[1.0, 2, 3]] * 2, target=[[1.0, 2, 3]] * 2, normal=[[0, 0, 1], [np.nan] * 3]),
            r"a target in every row; 1 have none; found 'touch 2 without target'",
        ),
        (
            touches([[1.0, 2, 3]] * 2, target=[[1.0, 2, 3]] * 2, normal=[[0, 0, 1], [0, 0, 2]]),
            r"normals of unit length; 1 are not; found 'touch 2 with a normal of length 2'",
        ),
    ],
)
def test_along_the_target_refuses(table, message):
    with pytest.raises(InputError, match=message):
        project(table, ELL, along="target")


# --- what is kept ----------------------------------------------------------------------------------------------------


def test_columns_index_and_metadata_are_kept():
    table = touches([[5.0, 5, 11], [np.nan] * 3, [5.0, 5, 12]], u=[0.1, 0.2, 0.3], feature=["a", "b", "a"])
    table["touch"] = ["T9", "T2", "T5"]
    table["deviation"] = 99.0  # of an earlier run: replaced
    table.index = [30, 10, 30]
    table.attrs = {"part": "bracket", "recorded": "contact"}
    before = table.copy(deep=True)
    found = project(table, ELL)
    pd.testing.assert_frame_equal(table, before)
    assert table.attrs == {"part": "bracket", "recorded": "contact"}
    assert found.index.tolist() == [30, 10, 30]
    assert found["touch"].tolist() == ["T9", "T2", "T5"]
    assert found["u"].tolist() == [0.1, 0.2, 0.3]
    assert found.attrs["part"] == "bracket"
    assert found.columns.tolist().count("deviation") == 1
    added = "cx cy cz foot_x foot_y foot_z nx ny nz face deviation flag radius allowance bound compensate along".split()
    assert found.columns.tolist() == ["touch", "feature", "x", "y", "z", "u", *added]
    np.testing.assert_allclose(found["deviation"], [1, np.nan, 2])


def test_missed_row():
    table = touches([[np.nan] * 3, [5.0, 5, 11]], target=[[5.0, 5, 10]] * 2)
    found = project(table, ELL, stylus=1.0)
    assert found["flag"].tolist() == ["missed", ""]
    assert found.loc[0, ["cx", "cy", "cz", "foot_x", "foot_y", "foot_z", "nx", "ny", "nz", "deviation"]].isna().all()
    assert found["face"][0] == found["face"][1], "which face was missed is known from the target"
    assert project(touches([[np.nan] * 3]), ELL)["face"].isna().all()
    named = project(touches([[np.nan] * 3], face=["right"]), SLOT)
    assert named["face"].tolist() == ["right"]


@pytest.mark.parametrize("number", [0, 1])
@pytest.mark.parametrize("bound", [False, True])
def test_few_rows(number, bound):
    at = np.array([[5.0, 5, 11]])[:number]
    table = touches(at, target=at - [0, 0, 1], normal=at * 0 + [0, 0, 1]) if bound else touches(at)
    for options in ({}, {"compensate": "target"} if bound else {}, {"along": "target"} if bound else {}):
        found = project(table, ELL, stylus=1.0, max_distance=0.5, **options)
        assert len(found) == number
        assert found["deviation"].tolist() == [0.0] * number
        assert found["deviation"].dtype == float


def test_bare_array():
    found = project(np.array([[5.0, 5, 11], [5, 5, 9]]), ELL)
    assert found["touch"].tolist() == [1, 2]
    np.testing.assert_allclose(found["deviation"], [1, -1])
    assert project([[5.0, 5, 11]], ELL)["deviation"].tolist() == [1.0]


# --- flags -----------------------------------------------------------------------------------------------------------


def test_flag_words():
    with pytest.warns(ProbekitWarning, match=r"open"):
        sheet = from_arrays(*grid(height=0.0))
    found = project(np.array([[-1.0, 25, 3], [25, 25, 3], [25, 25, 0.1], [np.nan, 0, 0]]), sheet, max_distance=2.0)
    assert found["flag"].tolist() == ["boundary far", "far", "", "missed"]
    found = project(np.array([[20.0, 0, 10.0005], [7, 7, 14]]), ELL, max_distance=5.0)
    assert found["flag"].tolist() == ["edge ambiguous", ""]
    assert project(np.array([[0.0, 25, 16]]), SLOT, max_distance=1.0)["flag"].tolist() == ["ambiguous far"]


def test_far_counts_from_the_contact_not_from_the_centre():
    for radius, flag in ((2.0, ""), (0.0, "far")):
        assert project(np.array([[5.0, 5, 12.5]]), ELL, stylus=radius, max_distance=1.0)["flag"].tolist() == [flag]


# --- errors ----------------------------------------------------------------------------------------------------------


def test_recorded_contact_needs_no_stylus():
    table = touches([[5.0, 5, 11]])
    table.attrs = {"recorded": "contact", "source": "run.csv"}
    assert project(table, ELL)["deviation"].tolist() == [1.0]
    with pytest.raises(
        InputError, match=r"run\.csv: the touches are contact points: there is no ball radius to compensate for"
    ):
        project(table, ELL, stylus=1.0)


def test_recorded_centre_needs_a_stylus():
    table = touches([[5.0, 5, 11]]).drop(columns="radius")
    table.attrs = {"recorded": "centre", "source": "run.csv"}
    assert project(table, ELL, stylus=1.0)["deviation"].tolist() == [0.0]
    with pytest.raises(InputError, match=r"run\.csv: the touches are ball centres, and no stylus was given; expected"):
        project(table, ELL)


def test_what_else_was_recorded_is_refused():
    table = touches([[5.0, 5, 11]])
    table.attrs = {"recorded": "contacts"}
    with pytest.raises(InputError, match="found 'contacts'; expected centre or contact"):
        project(table, ELL, stylus=1.0)


def test_a_column_that_stands_twice_is_named():
    table = touches([[5.0, 5, 11]])
    with pytest.raises(InputError, match="column 'x': the table has a column twice"):
        project(pd.concat([table, table[["x"]]], axis=1), ELL, stylus=1.0)


@pytest.mark.parametrize("radius", [-1.0, np.nan, np.inf])
def test_radius_must_be_usable(radius):
    with pytest.raises(InputError, match=r"effective radius of the stylus is not usable"):
        project(touches([[5.0, 5, 11]]), ELL, stylus=radius)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"compensate": "ball"}, "compensate= is not known; found 'ball'; expected one of foot, target, approach"),
        ({"along": "normal"}, "along= is not known; found 'normal'; expected one of foot, target"),
        ({"normal": "mean"}, "normal= is not known; found 'mean'; expected one of facet, smooth"),
    ],
)
def test_unknown_options(options, message):
    with pytest.raises(InputError, match=message):
        project(touches([[5.0, 5, 11]]), ELL, stylus=1.0, **options)


def test_tables_that_are_none():
    with pytest.raises(InputError, match=r"column 'y': the touches table lacks measured positions"):
        project(pd.DataFrame({"x": [1.0], "z": [1.0]}), ELL)
    with pytest.raises(InputError, match=r"must be an array of three columns; found 'shape \(3,\)'; expected \(n, 3\)"):
        project(np.zeros(3), ELL)


def test_compensating_along_a_target_that_is_not_there():
    with pytest.raises(InputError, match=r"without a target normal: 1, the first is touch 1"):
        project(touches([[5.0, 5, 11]], normal=[[np.nan] * 3]), ELL, stylus=1.0, compensate="target")


# --- for fits --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("compensate", ["foot", "target"])
@pytest.mark.parametrize("along", ["foot", "target"])
def test_distance_function_repeats_the_projection(compensate, along):
    rng = np.random.default_rng(6)
    target = around(ELL, rng, 100, 0.0)
    normal = ELL.engine.feet(target).normal
    table = touches(target + BALL * normal + rng.normal(scale=0.1, size=(100, 3)), target=target, normal=normal)
    found = project(table, ELL, stylus=BALL, compensate=compensate, along=along)
    measure = distance_function(found, ELL)
    deviation, gradient = measure(table[["x", "y", "z"]].to_numpy())
    np.testing.assert_array_equal(deviation, found["deviation"])
    np.testing.assert_array_equal(gradient, found[["nx", "ny", "nz"]])
    step = np.array([1e-6, -2e-6, 1.5e-6])
    ahead, _ = measure(table[["x", "y", "z"]].to_numpy() + step)
    inside = ~found["flag"].astype(str).str.contains("edge").to_numpy()
    np.testing.assert_allclose((ahead - deviation)[inside], (gradient @ step)[inside], atol=1e-11)


def test_distance_function_needs_a_projection():
    with pytest.raises(InputError, match=r"how its touches are measured; .* Project the touches first"):
        distance_function(touches([[5.0, 5, 11]]), ELL)


def test_smooth_normal_changes_no_deviation():
    points = 30 * unit_vectors(np.random.default_rng(7), 300)
    one, two = (project(points, SPHERE, stylus=BALL, normal=kind) for kind in ("facet", "smooth"))
    np.testing.assert_array_equal(one["deviation"], two["deviation"])
    np.testing.assert_allclose(one[["cx", "cy", "cz"]], two[["cx", "cy", "cz"]], atol=1e-9)
