"""The field between the touches against closed forms, brute force and what cannot be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks import bench_field
from scipy import stats
from scipy.spatial.transform import Rotation

from probekit.errors import InputError
from probekit.field.belief import Belief, learn, restricted
from probekit.field.defects import Defects, blind_spot, hills, seen
from probekit.field.further import touch_next
from probekit.field.kernel import correlation, distances, matern, six
from probekit.field.nodes import Nodes, nodes
from probekit.field.surface import surface
from probekit.uncertainty import Scatter

AREA = float(np.prod(bench_field.SIZE))


def plate(n: int, seed: int = 1) -> Nodes:
    places, normals = bench_field.saddle(bench_field.even(n, np.random.default_rng(seed)))
    return Nodes(places, normals, np.zeros(n, dtype=int), AREA)


def scatter(n: int, own: float = 0.002, shared: float = 0.0015) -> Scatter:
    return Scatter(np.full(n, own), np.full((n, 1), shared), ("ball",))


def one_set(at: Nodes, y: np.ndarray, noise: Scatter, numbers: tuple[float, ...]) -> Belief:
    """A belief in one set of the grid alone."""
    points = six(at.places, at.normals)
    apart = float(np.sqrt(at.area / len(y)))
    group = np.zeros(len(y), dtype=int)
    return Belief(points, y, noise.covariance(), group, np.array([numbers]), np.ones(1), apart, 0.1)


@pytest.mark.parametrize("roughness", [0.5, 1.5, 2.5])
@pytest.mark.parametrize("length", [5.0, 40.0, 300.0])
def test_correlations_are_positive_definite_on_a_thin_closed_part(roughness, length, demo):
    rng = np.random.default_rng(4)
    at = nodes(demo.part, 200, rng)
    points = six(at.places, at.normals)
    assert np.linalg.eigvalsh(matern(distances(points, points), length, roughness)).min() > -1e-12


def test_matern_against_its_bessel_form():
    """Rasmussen and Williams 2006, equation 4.14, with scipy's modified Bessel function."""
    from scipy.special import gamma, kv

    d = np.linspace(0.1, 80.0, 50)
    for nu in (0.5, 1.5, 2.5):
        x = np.sqrt(2 * nu) * d / 17.0
        np.testing.assert_allclose(matern(d, 17.0, nu), 2 ** (1 - nu) / gamma(nu) * x**nu * kv(nu, x), rtol=1e-12)


def test_restricted_likelihood_is_that_of_contrasts():
    """REML is the likelihood of any full set of contrasts: their normal density, up to a constant (Harville 1974)."""
    rng = np.random.default_rng(2)
    at, y = plate(9), rng.standard_normal((9, 2)) * 0.01
    offsets = np.ones((9, 1))
    contrasts = np.linalg.svd(offsets)[0][:, 1:].T
    values = []
    for length in (10.0, 50.0):
        v = 1e-4 * matern(
            distances(six(at.places, at.normals), six(at.places, at.normals)), length, 1.5
        ) + 1e-6 * np.eye(9)
        density = stats.multivariate_normal(np.zeros(8), contrasts @ v @ contrasts.T).logpdf((contrasts @ y).T)
        values.append(restricted(v, offsets, y) - density)
    np.testing.assert_allclose(values[0], values[1], atol=1e-9)


def test_estimate_is_universal_kriging():
    """Mean and variance by the textbook formulas (Cressie 1993, 3.4, from memory), formed densely."""
    rng = np.random.default_rng(5)
    touched, at = plate(25, 2), plate(60, 3)
    y, noise = 0.01 * rng.standard_normal(25), scatter(25)
    belief = one_set(touched, y, noise, (1.5, 30.0, 0.01, 0.0))
    said = surface(belief, at, (-1.0, 1.0), rng, fields=40_000)
    a, b = belief.points, six(at.places, at.normals)
    c = 1e-4 * correlation(a, a, 30.0, 1.5) + noise.covariance()
    k = 1e-4 * correlation(b, a, 30.0, 1.5)
    one, inverse = np.ones((25, 1)), np.linalg.inv(c)
    q = one.T @ inverse @ one
    offset = np.linalg.solve(q, one.T @ inverse @ y)
    mean = offset + k @ inverse @ (y - offset)
    rest = 1.0 - (k @ inverse @ one)[:, 0]
    variance = 1e-4 - np.einsum("ij,jk,ik->i", k, inverse, k) + rest**2 / q[0, 0]
    np.testing.assert_allclose(said.u, np.sqrt(variance), rtol=0.03)
    assert np.abs(said.mean - mean).max() < 5 * np.sqrt(variance.max() / 40_000)


def test_without_form_the_offset_is_the_mean_of_the_touches():
    rng = np.random.default_rng(6)
    touched, at = plate(16), plate(20, 9)
    y = 0.03 + 0.002 * rng.standard_normal(16)
    said = surface(one_set(touched, y, scatter(16), (1.5, 50.0, 1e-9, 0.0)), at, (0.0, 1.0), rng, fields=40_000)
    u = np.sqrt(0.002**2 / 16 + 0.0015**2)
    np.testing.assert_allclose(said.u, u, rtol=0.03)
    np.testing.assert_allclose(said.mean, y.mean(), atol=5 * u / 200)


def test_two_far_places_are_independent_and_two_near_ones_bivariate_normal():
    """P of two nodes against scipy's bivariate normal distribution, given what the touches say."""
    rng = np.random.default_rng(7)
    touched = plate(12)
    places, normals = bench_field.saddle(np.array([[20.0, 20.0], [24.0, 22.0]]))
    at = Nodes(places, normals, np.zeros(2, dtype=int), AREA)
    noise, y = scatter(12), 0.005 * rng.standard_normal(12)
    belief = one_set(touched, y, noise, (2.5, 25.0, 0.01, 0.0))
    said = surface(belief, at, (-np.inf, np.inf), rng, fields=40_000)
    law = stats.multivariate_normal(said.fields.mean(axis=0), np.cov(said.fields.T))
    for limit in (0.002, 0.006, 0.012):
        inside = (np.abs(said.fields) < limit).all(axis=1).mean()
        assert inside == pytest.approx(law.cdf([limit] * 2, lower_limit=[-limit] * 2), abs=0.01)


def test_probability_is_monotone_and_below_that_of_each_node():
    rng = np.random.default_rng(8)
    touched, at = plate(36), plate(300, 2)
    y = 0.01 * np.sin(touched.places[:, 0] / 18.0)
    belief = learn(touched.places, touched.normals, y, scatter(36), area=AREA, zone=0.02)
    last = 0.0
    for zone in (0.008, 0.012, 0.016, 0.03):
        said = surface(belief, at, (-zone, zone), np.random.default_rng(1))
        share = said.inside.mean()
        assert share >= last
        assert share <= 1.0 - said.out.max() + 1e-12
        assert 0.0 < said.probability < 1.0
        last = share
    assert surface(belief, at, (-np.inf, np.inf), rng).inside.all()


def test_moving_part_and_touches_changes_nothing():
    touched = plate(32)
    y = 0.01 * np.cos(touched.places[:, 1] / 15.0)
    turn = Rotation.from_rotvec([0.3, -0.7, 1.1]).as_matrix()

    def weights(motion: np.ndarray, shift: float) -> np.ndarray:
        places, normals = touched.places @ motion.T + shift, touched.normals @ motion.T
        return learn(places, normals, y, scatter(32), area=AREA, zone=0.012).weight

    def diagonal(motion: np.ndarray) -> float:
        return float(np.linalg.norm(np.ptp(touched.places @ motion.T, axis=0)))

    np.testing.assert_allclose(weights(np.eye(3), 0.0), weights(np.eye(3), 1000.0), atol=1e-9)
    assert diagonal(turn) != pytest.approx(diagonal(np.eye(3)), rel=1e-3)
    np.testing.assert_allclose(weights(np.eye(3), 0.0), weights(turn, 5.0), atol=1e-9)


def test_touches_too_far_apart_get_no_number():
    """Fields of 0.4 of the distance of the touches: about 0.8 of the weight says so, and no number is given."""
    rng, unresolved, told = np.random.default_rng(9), [], 0
    touched, at = plate(40), plate(100, 2)
    for _ in range(15):
        field = bench_field.cosines(rng, 0.4 * 15.5, 1.5)
        y = 0.013 * field(touched.places[:, :2]) + 0.002 * rng.standard_normal(40)
        said = surface(
            learn(touched.places, touched.normals, y, scatter(40), area=AREA, zone=0.04),
            at,
            (-0.04, 0.04),
            rng,
            fields=100,
        )
        unresolved.append(said.belief.unresolved)
        told += bool(np.isfinite(said.probability))
    assert np.mean(unresolved) == pytest.approx(0.8, abs=0.12)
    assert told <= 2
    few = learn(touched.places[:12], touched.normals[:12], np.full(12, 0.001), scatter(12), area=AREA / 4, zone=0.04)
    said = surface(few, at, (-0.04, 0.04), rng, fields=100)
    assert np.isnan(said.probability)
    assert "too few" in said.sentence or "too far apart" in said.sentence


def test_a_hill_is_seen_where_a_touch_would_move():
    """Brute force: the hill is put at every node, and the touches read it."""
    touched, at = plate(40), plate(400, 2)
    for radius, height in ((6.0, 0.13), (10.0, 0.06), (15.0, 0.02)):
        sets = [[(p, radius, height)] for p in six(at.places, at.normals)]
        reads = hills(sets, six(touched.places, touched.normals))
        found = (reads > 3 * 0.005).any(axis=1).mean()
        assert seen(at, touched.places, touched.normals, radius, height, 0.005) == pytest.approx(found, abs=1e-12)
    assert seen(at, touched.places, touched.normals, 10.0, 0.014, 0.005) == 0.0
    table = blind_spot(at, touched.places, touched.normals, 0.005, radii=(4, 8, 20), heights=(0.06, 0.13))
    assert (np.diff(table.to_numpy(), axis=1) >= 0).all()
    assert table.loc[0.13, 20] == 1.0


def test_the_other_side_of_a_thin_wall_feels_no_hill():
    flat = np.column_stack([np.repeat(np.arange(10.0), 10), np.tile(np.arange(10.0), 10), np.zeros(100)])
    at = Nodes(flat, np.tile([0.0, 0.0, 1.0], (100, 1)), np.zeros(100, dtype=int), 100.0)
    below = flat - [0.0, 0.0, 0.5]
    assert seen(at, below, np.tile([0.0, 0.0, -1.0], (100, 1)), 3.0, 0.1, 0.003) == 0.0
    assert seen(at, below, np.tile([0.0, 0.0, 1.0], (100, 1)), 3.0, 0.1, 0.003) == 1.0


def test_dents_are_not_seen_by_the_field_and_declaring_them_says_so():
    """The conscience of the room: smooth touches of a part with a dent between them."""
    rng = np.random.default_rng(10)
    touched, at = plate(40), plate(600, 2)
    y = 0.004 * np.sin(touched.places[:, 0] / 25.0) + 0.002 * rng.standard_normal(40)
    belief = learn(touched.places, touched.normals, y, scatter(40), area=AREA, zone=0.03)
    alone = surface(belief, at, (-0.03, 0.03), rng)
    assert alone.word == "very likely in its zone"
    assert "if its form is smooth between the touches" in alone.sentence
    assert "1.00" not in alone.sentence
    declared = surface(belief, at, (-0.03, 0.03), rng, defects=Defects(1.5, (6.0, 14.0), (0.03, 0.045)))
    assert declared.word == "not decided"
    assert not declared.probability >= 0.85
    assert declared.unsettled == (declared.high - declared.low > 0.3)
    assert "declared local defects" in declared.sentence


def test_a_probability_that_rests_on_few_sets_says_so():
    """A touch that only a narrow choice of defects can explain: the sentence says that P is rough."""
    touched, at = plate(40), plate(300, 2)
    y = np.zeros(40)
    y[[5, 20]] = 0.036
    belief = one_set(touched, y, scatter(40, 0.0004, 0.0), (1.5, 80.0, 0.001, 0.0))
    said = surface(
        belief, at, (-0.05, 0.05), np.random.default_rng(1), defects=Defects(0.5, (12.0, 14.0), (0.036, 0.0365))
    )
    assert said.effective < 50
    assert said.unsettled
    assert np.isnan(said.probability)
    assert said.word == "not decided"
    assert "does not agree on a number" in said.sentence
    settled = replace(said, low=0.2, high=0.45, probability=0.3)
    assert "rough: of those drawn only about" in settled.sentence
    assert "if its form is smooth between the touches but for the declared local defects" in settled.sentence
    assert said.low < said.inside.mean() < said.high or said.inside.mean() in (0.0, 1.0)


def test_touch_next_goes_where_the_doubt_is():
    rng = np.random.default_rng(11)
    touched, at = plate(60), plate(400, 2)
    kept = ~((touched.places[:, 0] > 70) & (touched.places[:, 1] > 30))
    places, normals = touched.places[kept], touched.normals[kept]
    y = 0.004 * bench_field.cosines(rng, 20.0, 1.5)(places[:, :2])
    belief = learn(places, normals, y, scatter(kept.sum(), 0.0005, 0.0), area=0.7 * AREA, zone=0.012, white=0.001)
    said = surface(belief, at, (-0.01, 0.01), rng, fields=4000)
    assert 0.2 < said.inside.mean() < 0.9
    chosen = touch_next(said, at, rng, count=4, u=0.0005)
    assert len(chosen)
    away = distances(chosen[["x0", "y0", "z0"]].to_numpy(), places).min(axis=1)
    beside = away < np.median(distances(at.places, places).min(axis=1))
    assert beside.sum() <= 1, "in the hole, not beside a touch"
    assert not beside[:2].any()
    assert chosen.duplicated(["x0", "y0"]).sum() == 0
    nowhere = np.zeros(400, dtype=bool)
    with pytest.raises(InputError, match="no node is allowed"):
        touch_next(said, at, rng, allowed=nowhere)


def test_touch_next_goes_to_no_place_that_is_touched():
    """Touches of much doubt near a limit: here the first of the batch lay at one of them, as nodes do by chance."""
    rng = np.random.default_rng(3)
    touched, even = plate(36), plate(300, 2)
    at = Nodes(*(np.vstack(two) for two in ((touched.places, even.places), (touched.normals, even.normals))),
               np.zeros(336, dtype=int), AREA)  # fmt: skip
    y = 0.012 * bench_field.cosines(rng, 60.0, 2.5)(touched.places[:, :2])
    belief = learn(touched.places, touched.normals, y, scatter(36, 0.006, 0.0), area=AREA, zone=0.03, white=0.0005)
    worst = np.abs(y).max()
    said = surface(belief, at, (-worst - 0.001, worst + 0.001), rng, fields=4000)
    chosen = touch_next(said, at, rng, u=0.001)[["x0", "y0", "z0"]].to_numpy()
    assert len(chosen) > 1
    assert distances(chosen, touched.places).min() > 0.2 * belief.apart
    assert (distances(chosen, chosen) + 1e3 * np.eye(len(chosen))).min() > 0.2 * belief.apart


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"area": 0.0}, "area must be positive"),
        ({"zone": np.nan}, "zone must be positive"),
        ({"deviation": np.full(3, 0.1), "places": np.zeros((3, 3)), "normals": np.zeros((3, 3))}, "too few touches"),
        ({"deviation": np.full(30, np.nan)}, "finite"),
    ],
)
def test_bad_input_is_named(change, words):
    touched = plate(30)
    given = {"places": touched.places, "normals": touched.normals, "deviation": np.zeros(30), "area": AREA, "zone": 0.1}
    given |= change
    with pytest.raises(InputError, match=words):
        learn(given.pop("places"), given.pop("normals"), given.pop("deviation"), scatter(30), **given)


@pytest.mark.slow
def test_what_is_said_is_true():
    """A small run of the benchmark: honest or on the safe side for smooth form, few bad parts among those accepted."""
    for name in ("mix", "step"):
        row = bench_field.run(bench_field.FAMILIES[name], 20, 30, 400)
        assert row["below_q90"] >= 0.80, name
        assert row["bad_of_accepted"] <= 0.15 < row["bad_of_those"], name


@pytest.mark.parametrize("part", [(0.35, 1.0), (1.0, 0.3)])
def test_touches_that_leave_a_large_gap_get_no_number(part):
    """Forty touches in a third of the face, enough of them if they were even: the rest of it is not resolved."""
    rng = np.random.default_rng(7)
    at = bench_field.judged_at(250, rng)
    for where, told in ((bench_field.even(40, rng) * part, False), (bench_field.even(40, rng), True)):
        places, normals = bench_field.saddle(where)
        y = 0.01 * np.sin(where[:, 0] / 14.0) * np.cos(where[:, 1] / 14.0) + 0.001 * rng.standard_normal(40)
        belief = learn(places, normals, y, scatter(40, 0.001), area=at.area, zone=0.05)
        judged = surface(belief, at, (-0.05, 0.05), rng, fields=200)
        assert np.isfinite(judged.probability) == told
        assert ("with gaps of" in judged.sentence) != told
        assert judged.told == told


def test_nodes_too_coarse_for_the_form_are_said_in_the_sentence():
    touched, at = plate(40), plate(60, 2)
    y = 0.01 * bench_field.cosines(np.random.default_rng(1), 40.0, 2.5)(touched.places[:, :2])
    belief = learn(touched.places, touched.normals, y, scatter(40), area=AREA, zone=0.05)
    coarse = surface(belief, at, (-0.05, 0.05), np.random.default_rng(1))
    assert "nodes every 13 mm, coarse for a form of" in coarse.sentence
    assert "with more of them it would be smaller" in coarse.sentence
    assert "coarse" not in surface(belief, plate(700, 2), (-0.05, 0.05), np.random.default_rng(1)).sentence
