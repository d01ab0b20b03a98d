"""What goes into a rigid fit and comes out: weights, features, missed rows, errors, moving touches by the result."""

import numpy as np
import pytest
import shapes

from probekit import FitError, InputError
from probekit.deviation import project
from probekit.fit import make_motion, rigid
from probekit.fit.alignment import Alignment
from probekit.fit.rigid import METHODS
from probekit.geometry import apply_motion

BOX = shapes.box()


@pytest.fixture
def points() -> np.ndarray:
    on, normals = shapes.sample_box(BOX, 40, np.random.default_rng(0))
    on = on + normals * np.random.default_rng(1).normal(scale=0.02, size=(40, 1))
    return apply_motion(make_motion([0.1, -0.2, 0.15], [0.2, 0.1, -0.15]), on)


@pytest.fixture
def table(points):
    found = project(points, BOX)
    found["feature"] = np.where(np.arange(40) < 30, "first", "second")
    return found


def same(one: Alignment, other: Alignment, close: float = 1e-9) -> bool:
    return bool(np.abs(one.motion - other.motion).max() < close)


@pytest.mark.parametrize("method", METHODS)
def test_weight_zero_leaves_a_row_out(points, method):
    weights = np.ones(40)
    weights[[3, 17, 18]] = 0
    found = rigid(points, BOX, weights=weights, method=method)
    left = rigid(points[weights > 0], BOX, method=method)
    assert same(found, left)
    assert found.covariance == pytest.approx(left.covariance, abs=1e-15, nan_ok=True)
    assert found.used.tolist() == np.flatnonzero(weights).tolist()
    assert len(found.residuals) == len(found.weights) == 37


def test_whole_weights_are_repeated_rows(points):
    times = np.random.default_rng(2).integers(1, 4, 40)
    found = rigid(points, BOX, weights=times.astype(float))
    again = rigid(np.repeat(points, times, axis=0), BOX)
    assert same(found, again)
    assert found.objective == pytest.approx(again.objective, rel=1e-9)
    assert not same(found, rigid(points, BOX), close=1e-6)
    # a weight says how sure a touch is, not how many there were: the covariance counts 40 of them, not the sum
    assert found.covariance * (40 - 6) == pytest.approx(again.covariance * (times.sum() - 6), abs=1e-12)


def test_weights_have_no_unit(points):
    weights = np.random.default_rng(3).uniform(0.1, 2, 40)
    one, other = (rigid(points, BOX, weights=w) for w in (weights, 1e6 * weights))
    assert same(one, other)
    assert one.covariance == pytest.approx(other.covariance, rel=1e-6, abs=1e-15)
    assert one.weights == pytest.approx(weights / weights.max())


def test_uncertainties_are_weights(points):
    u = np.random.default_rng(4).uniform(0.01, 0.05, 40)
    assert same(rigid(points, BOX, u=u), rigid(points, BOX, weights=1 / u**2))


def test_weights_with_uncertainty(points):
    """Given both, the weights weigh, and u is the floor of the scatter."""
    weights = np.random.default_rng(5).uniform(0.5, 2, 40)
    wide = rigid(points, BOX, weights=weights, u=1.0)
    assert same(wide, rigid(points, BOX, weights=weights))
    twice = rigid(points, BOX, weights=weights, u=2.0)
    assert twice.uncertainty == pytest.approx(2 * wide.uncertainty, rel=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_missed_rows_are_not_used(points, method):
    spoilt = np.vstack([[[np.nan] * 3], points, [[0.0, np.nan, 0.0]]])
    found = rigid(spoilt, BOX, method=method)
    assert same(found, rigid(points, BOX, method=method), close=1e-12)
    assert found.used.tolist() == list(range(1, 41))
    assert len(found.residuals) == 40


def test_features(table, points):
    found = rigid(table, BOX, features=["first"])
    assert same(found, rigid(points[:30], BOX))
    assert found.used.tolist() == list(range(30))
    assert same(found, rigid(table, BOX, features="first"), close=1e-15)
    assert same(rigid(table, BOX, features=["second", "first"]), rigid(table, BOX), close=1e-15)


def test_ball_centres_are_compensated():
    """Touches as ball centres: same motion as from the contact points."""
    on, normals = shapes.sample_box(BOX, 40, np.random.default_rng(6))
    motion = make_motion([0.1, -0.2, 0.15], [0.2, 0.1, -0.15])
    centres = project(apply_motion(motion, on + 2.5 * normals), BOX, stylus=2.5)
    contacts = rigid(apply_motion(motion, on), BOX)
    assert same(rigid(centres, BOX), contacts, close=1e-8)


@pytest.mark.parametrize("method", METHODS)
def test_one_step_is_not_enough(points, method):
    with pytest.raises(FitError, match=r"did not converge in 1 steps .*raise max_iterations"):
        rigid(points, BOX, method=method, max_iterations=1)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"method": "best"}, "unknown method of fit; found 'best'; expected one of least_squares, huber"),
        ({"undetermined": "guess"}, 'undetermined= is not known; found \'guess\'; expected "error" or "hold"'),
        ({"free": ("tx", "rotx")}, "unknown degree of freedom; found 'rotx'"),
        ({"free": ()}, "no degree of freedom is free"),
        ({"features": ["third"]}, "no touch is on that feature; found 'third'; expected one of back, bottom, first"),
        ({"weights": np.ones(39)}, r"weights must have one entry per row; found 'shape \(39,\)'; expected \(40,\)"),
        ({"u": np.ones(41)}, "u must have one entry per row"),
        ({"weights": np.full(40, np.nan)}, "weights must be finite; found '40 entries that are not'"),
        ({"weights": np.r_[-1.0, np.ones(39)]}, "weights must be zero or more, and not all zero; found -1.0"),
        ({"weights": np.zeros(40)}, "weights must be zero or more, and not all zero"),
        ({"u": 0.0}, "u must be more than zero"),
        ({"u": np.r_[0.0, np.ones(39)]}, "u must be more than zero"),
        ({"max_iterations": 0}, "max_iterations must be at least one; found 0"),
    ],
)
def test_input_that_cannot_be_used(table, options, match):
    with pytest.raises(InputError, match=match):
        rigid(table, BOX, **options)


def test_faces_are_named_as_features_are(table):
    """A table whose touches name no feature, as a log often has it: their faces do."""
    faces = ["top", "left", "front", "back"]
    by_face = rigid(table, BOX, features=faces, free=("tx", "ty", "tz", "ry", "rz"))
    assert sorted(by_face.used.tolist()) == sorted(np.flatnonzero(table["face"].isin(faces)).tolist())
    bare = table.assign(feature="")
    bare.attrs = table.attrs
    assert same(rigid(bare, BOX, features=faces, free=("tx", "ty", "tz", "ry", "rz")), by_face)
    with pytest.raises(InputError, match=r"found 'skin'; expected one of back, bottom, front, left, right, top$"):
        rigid(bare, BOX, features=["skin"])
    nameless = bare.drop(columns="face")
    nameless.attrs = table.attrs
    with pytest.raises(InputError, match="a touch that names its feature or face: none does"):
        rigid(nameless, BOX, features=["skin"])


def test_nothing_to_fit():
    with pytest.raises(InputError, match="no touch to fit"):
        rigid(np.full((3, 3), np.nan), BOX)


def test_plain_lists_will_do(points):
    assert same(rigid(points.tolist(), BOX), rigid(points, BOX), close=1e-15)
    with pytest.raises(InputError, match=r"array of three columns; found 'shape \(2,\)'"):
        rigid([1.0, 2.0], BOX)


def test_not_projected(table):
    table = table.drop(columns="radius")
    with pytest.raises(InputError, match="not say how its touches are measured"):
        rigid(table, BOX)


def test_given_table_is_left_alone(table):
    before, attrs = table.copy(), dict(table.attrs)
    rigid(table, BOX)
    assert table.equals(before)
    assert table.attrs == attrs


class TestApply:
    motion = make_motion([1.0, 2.0, 3.0], [0.0, 0.0, 90.0])
    alignment = Alignment(
        motion=motion,
        free=("tx",),
        pivot=np.zeros(3),
        covariance=np.zeros((6, 6)),
        residuals=np.zeros(1),
        weights=np.ones(1),
        used=np.zeros(1, dtype=int),
        method="least_squares",
        condition=1.0,
        iterations=1,
    )

    def test_array(self):
        assert self.alignment.apply(np.array([[1.0, 0, 0]])) == pytest.approx(np.array([[1.0, 3, 3]]))

    def test_table(self, table):
        """Positions move, approach directions turn, targets and all else stay; the projection holds no more."""
        table = table.assign(x0=1.0, y0=2.0, z0=3.0, i=1.0, j=0.0, k=0.0, ai=1.0, aj=0.0, ak=0.0, note="kept")
        table.loc[4, ["x", "y", "z"]] = np.nan
        table.attrs["part"] = "A"
        before = table.copy()
        out = self.alignment.apply(table)
        rows = table["x"].notna()
        expected = apply_motion(self.motion, table[["x", "y", "z"]].to_numpy())
        assert out.loc[rows, ["x", "y", "z"]].to_numpy() == pytest.approx(expected[rows])
        assert out.loc[4, ["x", "y", "z"]].isna().all()
        assert out[["ai", "aj", "ak"]].to_numpy() == pytest.approx(np.tile([0.0, 1, 0], (40, 1)), abs=1e-15)
        kept = ["touch", "feature", "x0", "y0", "z0", "i", "j", "k", "note"]
        assert out[kept].equals(table[kept])
        gone = {"cx", "foot_x", "nx", "deviation", "flag", "face"}
        assert not gone & set(out)
        assert out.attrs == {"part": "A"}
        assert table.equals(before)
        assert {"radius", "bound"} <= set(out), "they are the touch's own"

    def test_face_that_was_asked_for_stays(self, table):
        named = table[["touch", "feature", "x", "y", "z", "radius", "face"]].astype({"face": str})
        out = self.alignment.apply(project(named, BOX))
        assert out["bound"].astype(str).tolist() == named["face"].tolist()

    def test_unprojected_touches(self):
        touches = project(np.zeros((2, 3)), BOX)[["touch", "x", "y", "z"]]
        touches.attrs = {"part": "A"}
        out = self.alignment.apply(touches)
        assert out["x"].tolist() == [1.0, 1.0]
        assert out.attrs == {"part": "A"}

    def test_brings_the_touches_home(self, table):
        found = rigid(table, BOX)
        again = project(found.apply(table), BOX)
        assert again["deviation"].to_numpy() == pytest.approx(found.residuals, abs=1e-12)
        still = rigid(again, BOX)
        assert still.motion == pytest.approx(np.eye(4), abs=1e-8)


def test_words(table):
    found = rigid(table, BOX, free=("tx", "ty", "tz", "rx", "ry"))
    tx, u = found.translation[0], found.uncertainty[0]
    assert found.sentence.startswith(f"least squares on 40 touches: tx {tx:+.4f} mm (u {u:.4f}), ty ")
    assert found.sentence.endswith(" deg (u " + f"{found.uncertainty[4]:.4f}); held at zero: rz")
    assert repr(found) == f"<Alignment {found.sentence}>"
    html = found._repr_html_()
    assert f"<td>tx</td><td>{tx:+.5f}</td>" in html
    assert html.count("<td>held</td>") == 1
    assert html.count("<td>free</td>") == 5
