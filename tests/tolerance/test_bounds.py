"""Bounds of the largest of many deviations: against closed forms, the full covariance and simulation.

The bounds must hold for every form and any number of touches: 95 % each, and 3 standard errors of the counting.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from thorough import count
from tolerance.touched import around, table

from probekit import InputError
from probekit.errors import FitError
from probekit.tolerance import cylindricity, flatness, position, profile, size
from probekit.tolerance.blocks import Block
from probekit.tolerance.bounds import bounds
from probekit.tolerance.propagation import Carried, judged_scatter
from probekit.uncertainty import Scatter
from probekit.verdict import classify, judge, proved, simple

LIMIT = 20.0  # half of the width; u is 1


def shared(n: int, rho: float) -> Scatter:
    """n touches of u = 1 that share the part rho of their variance."""
    return Scatter(np.full(n, np.sqrt(1 - rho)), np.full((n, 1), np.sqrt(rho)), ("common",))


def form(kind: str, n: int, largest: float = LIMIT) -> np.ndarray:
    wave = np.sin(2 * np.pi * (np.arange(n) + 0.25) / n) if n > 1 else np.ones(1)
    peak = np.where(np.arange(n) == n // 2, largest, 0.0)
    return {"peak": peak, "wave": largest * wave / np.abs(wave).max(), "offset": np.full(n, largest)}[kind]


class TestRisk:
    @pytest.mark.parametrize(("n", "rho"), [(1, 0.0), (20, 0.0), (20, 0.9), (100, 0.0)])
    @pytest.mark.parametrize("kind", ["peak", "wave", "offset"])
    def test_at_the_limit_either_word_is_rare(self, kind, n, rho):
        """A guard band of 2 u rejected 88 % of the even offsets of 100 touches; 5 % is the most, either way."""
        rng, scatter, true, runs = np.random.default_rng(n), shared(n, rho), form(kind, n), count(40, 400)
        words = [judge(profile(true + one, 2 * LIMIT), proved(), scatter) for one in scatter.draw(runs, rng)]
        most = runs * 0.05 + 3 * np.sqrt(runs * 0.05 * 0.95)
        assert words.count("conforms") <= most
        assert words.count("does not conform") <= most

    @pytest.mark.parametrize(("kind", "gap", "least"), [("peak", -3, 0.8), ("offset", -5.5, 0.9), ("peak", 3, 0.75)])
    def test_it_decides_where_it_can(self, kind, gap, least):
        """Accept or reject 91, 98 and 89 % (prototype: 500 runs of 100 touches, u = 1)."""
        rng, scatter, runs = np.random.default_rng(5), shared(100, 0.0), 40
        true = form(kind, 100, LIMIT + gap)
        words = [judge(profile(true + one, 2 * LIMIT), proved(), scatter) for one in scatter.draw(runs, rng)]
        assert words.count("conforms" if gap < 0 else "does not conform") >= least * runs

    def test_the_interval_holds_the_truth(self):
        for kind, largest in (("offset", 0.0), ("wave", 5.0), ("peak", 3.0)):
            rng, scatter, runs = np.random.default_rng(6), shared(30, 0.3), 60
            true = form(kind, 30, largest)
            found = [bounds(profile(true + one, 40.0), scatter) for one in scatter.draw(runs, rng)]
            assert sum(not one.low <= 2 * largest <= one.high for one in found) <= 0.1 * runs + 3 * np.sqrt(0.09 * runs)


class TestFacts:
    def test_one_touch_by_the_normal(self):
        one = bounds(profile(np.array([18.0]), 40.0), Scatter.independent(np.ones(1)))
        assert one.high == pytest.approx(36 + 2 * norm.ppf(0.95))
        assert one.low == pytest.approx(36 - 2 * norm.ppf(0.955), abs=2e-3)  # a tenth of the risk is for the selection
        assert one.u == pytest.approx(2.0)

    def test_an_even_offset_by_independence(self):
        """low = f - q with Phi(q)^n = 0.955."""
        one = bounds(profile(np.full(50, 18.0), 40.0), Scatter.independent(np.ones(50)))
        assert one.low == pytest.approx(36 - 2 * norm.ppf(0.955 ** (1 / 50)), abs=2e-3)

    @pytest.mark.parametrize(("n", "mean"), [(5, 1.57), (20, 2.15), (100, 2.75), (500, 3.22)])
    def test_noise_alone(self, n, mean):
        """Mean of the largest of n |e_i|: the integral of 1 - (2 Phi(x) - 1)^n."""
        exact = quad(lambda x: 1 - (2 * norm.cdf(x) - 1) ** n, 0, 9)[0]
        assert exact == pytest.approx(mean, abs=0.03)  # the prototype counted
        one = bounds(profile(np.zeros(n), 40.0), Scatter.independent(np.ones(n)))
        assert one.noise_alone == pytest.approx(2 * exact, rel=0.01)

    def test_an_error_common_to_all_does_not_grow_with_the_number(self):
        widths = [
            bounds(profile(np.full(n, 18.0), 40.0), Scatter(np.zeros(n), np.ones((n, 1)), ("radius",)))
            for n in (1, 200)
        ]
        assert widths[0].low == pytest.approx(widths[1].low, abs=5e-3)
        assert widths[1].shares == {"radius": 1.0}

    def test_without_uncertainty_it_is_simple_acceptance(self):
        for largest, u in ((LIMIT, 0.0), (np.nextafter(LIMIT, 21), 0.0), (LIMIT - 1e-9, 1e-11), (LIMIT + 1e-9, 1e-11)):
            one = profile(np.array([0.0, largest]), 2 * LIMIT)
            assert judge(one, proved(), np.full(2, u)) == judge(one, simple())
        one = bounds(profile(np.array([0.0, 3.0]), 40.0), Scatter.independent(np.zeros(2)))
        assert (one.low, one.high, one.u, one.noise_alone) == (6.0, 6.0, 0.0, 0.0)

    @pytest.mark.parametrize("gap", [-2.0, 1.0, 2.5])
    def test_the_order_of_touches_and_touches_far_inside_do_not_matter(self, gap):
        rng, n = np.random.default_rng(7), 40
        scatter, d = shared(n, 0.4), form("peak", n, LIMIT + gap) + rng.normal(size=n)
        before = bounds(profile(d, 40.0), scatter)
        order = rng.permutation(n)
        after = bounds(profile(d[order], 40.0), scatter.of(order))
        more = bounds(profile(np.append(d, 0.5), 40.0), shared(n + 1, 0.4))
        for one in (after, more):
            assert (one.low, one.high) == pytest.approx((before.low, before.high), abs=0.02)

    def test_the_same_bits_again(self):
        one, scatter = profile(np.linspace(-18, 19, 30), 40.0), shared(30, 0.5)
        assert repr(bounds(one, scatter)) == repr(bounds(one, scatter))
        assert bounds(one, scatter).low == bounds(one, scatter).low

    def test_a_level_is_a_probability(self):
        with pytest.raises(InputError, match=r"between 0\.5 and 1"):
            bounds(profile(np.zeros(2), 1.0), Scatter.independent(np.ones(2)), 95)
        with pytest.raises(InputError, match=r"between 0\.5 and 1"):
            proved(0.4)

    def test_each_touch_that_is_proved_outside_is_named(self):
        d = np.zeros(30)
        d[[3, 9, 20]] = 26.0, 21.5, -27.0
        one = profile(d, 40.0)
        assert np.flatnonzero(bounds(one, Scatter.independent(np.ones(30))).outside).tolist() == [3, 20]


class TestFrame:
    def frame(self, spread: float = 0.0):
        """Deviations judged in a frame that touches 0, 1, 2 and 8 made; touches 2 to 6 are judged."""
        rng = np.random.default_rng(11)
        one = replace(profile(rng.normal(size=9), 40.0), rows=np.arange(2, 7), deviations=rng.normal(size=5))
        gain, rows, used = rng.normal(size=(6, 4)), rng.normal(size=(5, 6)), np.array([0, 1, 2, 8])
        scatter = Scatter(rng.uniform(0.5, 1, 9), rng.normal(size=(9, 3)), ("a", "b", "b"))
        lift = rng.normal(size=(6, 1))
        carried = Carried(rows, gain @ gain.T, gain, used, np.full(4, spread), lift)
        full = np.zeros((5, 9))
        full[np.arange(5), np.arange(2, 7)] = 1.0
        full[:, used] += rows @ gain
        return replace(one, carried=carried), scatter, full, rows @ lift

    def test_correlated_with_the_touches_that_made_it(self):
        """(I + J G) V (I + J G)', with the bias of the frame as one more column."""
        one, scatter, full, lift = self.frame()
        expected = full @ scatter.covariance() @ full.T + lift @ lift.T
        assert judged_scatter(one, scatter).covariance() == pytest.approx(expected, rel=1e-10)
        change = np.random.default_rng(1).normal(size=(2, 5))
        rows = change @ one.carried.rows
        whole = replace(one, carried=replace(one.carried, rows=rows))
        expected = change @ expected @ change.T
        assert judged_scatter(whole, scatter, change).covariance() == pytest.approx(expected, rel=1e-10)

    def test_residuals_that_scatter_more_than_stated_count(self):
        """A datum touch counts with no less than its residuals show; what is judged of it keeps its own."""
        one, scatter, full, lift = self.frame(spread=3.0)
        expected = full @ scatter.covariance() @ full.T + lift @ lift.T
        moved = one.carried.rows @ one.carried.gain
        expected += (moved * (9.0 - scatter.own[one.carried.used] ** 2)) @ moved.T
        assert judged_scatter(one, scatter).covariance() == pytest.approx(expected, rel=1e-10)

    def test_a_frame_of_which_only_the_covariance_is_known(self):
        one, scatter, _, _ = self.frame()
        one = replace(one, carried=Carried(one.carried.rows, one.carried.covariance))
        expected = scatter.of(one.rows).covariance() + one.carried.rows @ one.carried.covariance @ one.carried.rows.T
        assert judged_scatter(one, scatter).covariance() == pytest.approx(expected, rel=1e-10)


def test_classify_takes_the_scatter_of_the_table():
    found = pytest.importorskip("pandas").DataFrame(
        {"touch": [1, 2, 3], "feature": "a", "deviation": [17.0, 0.0, 19.9], "x": 0.0, "y": 0.0, "z": 0.0}
    )
    one = profile(found, 40.0)
    verdict = classify(found, one, scatter=Scatter.independent(np.full(3, 1.0)))
    assert verdict.rule == proved()
    assert verdict.table["verdict"].tolist() == ["within", "within", "undecided"]
    assert verdict.tolerances["high"].iloc[0] == pytest.approx(39.8 + 2 * 1.6449, abs=1e-3)
    with pytest.raises(InputError, match="scatter is of another table"):
        classify(found, one, scatter=Scatter.independent(np.ones(2)))


def plate(n: int, largest: float, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Touches of a wavy plane and its true flatness at them."""
    at = rng.uniform(-50, 50, (n, 2))
    points = np.column_stack([at, largest / 2 * np.sin(at[:, 0] / 12)])
    return points, flatness(table(points, [0, 0, 1.0]), 1.0).actual


class TestPlaced:
    """Zones that are placed by what they judge, and envelopes."""

    @pytest.mark.parametrize("largest", [0.0, 0.03, 0.12])
    def test_flatness_at_its_limit(self, largest):
        """Accepted 0 to 4.7 %, rejected 0 to 4.8 % (prototype); at most 5 either way."""
        rng, runs, words = np.random.default_rng(2), count(14, 40), []
        points, true = plate(12, largest, rng)
        for _ in range(runs):
            noise = np.column_stack([np.zeros((12, 2)), rng.normal(scale=0.003, size=12)])
            words.append(judge(flatness(table(points + noise, [0, 0, 1.0]), max(true, 1e-9)), proved(), 0.003))
        for word in ("conforms", "does not conform"):
            assert words.count(word) <= runs * 0.05 + 3 * np.sqrt(runs * 0.05 * 0.95)

    def test_the_weights_are_those_of_the_touches_that_rule(self):
        """Four touches over a square, one diagonal up: each rules with a quarter; f = 2 h, sigma = 2 u sqrt(4/16)."""
        square = np.array([[-1, -1, 1.0], [1, 1, 1.0], [-1, 1, -1.0], [1, -1, -1.0]]) * [10, 10, 0.01]
        one = flatness(table(square, [0, 0, 1.0]), 0.05)
        found = bounds(one, Scatter(np.full(4, 0.002), np.zeros((4, 1)), ("none",)))
        assert one.actual == pytest.approx(0.02, abs=1e-6)
        assert found.u == pytest.approx(2 * 0.002 / 2, rel=1e-6)
        assert found.high == pytest.approx(0.02 + norm.ppf(0.95) * 0.002, abs=1e-6)

    def test_a_common_error_is_no_form(self):
        points, _ = plate(20, 0.02, np.random.default_rng(1))
        found = bounds(
            flatness(table(points, [0, 0, 1.0]), 0.05), Scatter(np.zeros(20), np.full((20, 1), 0.01), ("r",))
        )
        assert found.u == pytest.approx(0.0, abs=1e-9)
        assert (found.low, found.high) == pytest.approx((found.measured, found.measured), abs=1e-9)

    def test_even_rings_of_a_cylinder(self):
        """Touches that balance in pairs: the first vertex had too few rows to start from."""
        angle, noise = np.tile(np.arange(6) * 2 * np.pi / 6, 3), np.random.default_rng(0).normal(scale=0.003, size=18)
        out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(18)])
        height = np.repeat([0.0, 5.0, 10.0], 6)[:, None] * [0, 0, 1]
        bore = table(height + (10.0 - noise)[:, None] * out, -out, foot=height + 10.0 * out)
        found = bounds(cylindricity(bore, 1.0), Scatter.independent(np.full(18, 0.003)))
        assert found.low < found.measured < found.high

    @pytest.mark.parametrize(("limits", "word"), [((20.0, 20.1), "does not conform"), ((19.9, 20.0), "conforms")])
    def test_noise_makes_an_inscribed_size_too_small(self, limits, word):
        """Of a bore of 20.000 with 12 touches it reads 2 u less: neither a good one rejected nor a bad one accepted."""
        rng, runs, words = np.random.default_rng(9), count(14, 40), []
        for _ in range(runs):
            bore = around(10.0 - rng.normal(scale=0.003, size=12), n=12, heights=(0.0,), bore=True)
            words.append(judge(size(bore, limits, method="maximum_inscribed"), proved(), 0.003))
        assert words.count(word) <= runs * 0.05 + 3 * np.sqrt(runs * 0.05 * 0.95)


class TestLoose:
    """Programs that find no bound: the inspection goes on with wider ones, and says so."""

    def test_an_envelope_that_its_touches_do_not_hold(self):
        """Closed form: an envelope that stays is pushed by the largest of n errors, Phi(q)^n = 0.95."""
        n, scatter = 36, Scatter(np.ones(36), np.zeros((36, 0)), (), {"own": np.ones(36)})
        one = size(around(10.0, n=12, phase=0.1), (10.0, 30.0), method="minimum_circumscribed")
        held, loose = bounds(one, scatter), replace(one, blocks=(Block(np.arange(n), np.ones((n, 1)), 4.0),))
        found = bounds(loose, scatter)
        assert found.low == pytest.approx(max(one.actual - 4 * norm.ppf(0.95 ** (1 / n)), 0.0), abs=0.1)
        assert found.low <= held.low
        assert found.high == held.high
        assert "do not hold the mating envelope" in found.notes[0]

    def test_a_zone_whose_program_does_not_end(self, monkeypatch):
        rng = np.random.default_rng(4)
        found = table(np.column_stack([rng.uniform(0, 50, (30, 2)), rng.normal(size=30)]), (0, 0, 1))
        one, scatter = flatness(found, 40.0), shared(30, 0.3)
        tight = bounds(one, scatter)

        def lost(*_: object) -> None:
            raise FitError("no optimum")

        monkeypatch.setattr("probekit.uncertainty.programs._STEPS", 0)
        monkeypatch.setattr("probekit.uncertainty.programs._by_itself", lost)  # what is tried then
        wide = bounds(one, scatter)
        assert wide.low <= tight.low < tight.high <= wide.high < np.inf
        assert tight.notes == ()
        assert "do not hold the zone" in wide.notes[0]
        verdict = classify(found.assign(u=1.0), one)
        assert any("do not hold the zone" in note for note in verdict.tolerances["notes"].iloc[0])


class TestPlaces:
    """What is judged at several places: the one that rules may be the best known."""

    def test_the_end_that_is_carried_on_counts_though_the_other_rules(self):
        """Closed form of least squares: sd of the axis at z is u sqrt(2/n) sqrt(1 + (z - mean)^2 / var) either way."""
        u, level, length = 0.002, np.array([0.0, 2.0, 4.0, 6.0]), 25.0
        for bottom, top in ((0.05, -0.048), (0.05, -0.05), (0.05, -0.052)):
            leaning = around(
                10.0, n=9, heights=tuple(level), bore=True, centre=(bottom, 0), slant=((top - bottom) / length, 0)
            )
            one = position(
                leaning, 0.2, at=(0, 0, 0), direction=(0, 0, 1), length=(0.0, length), method="least_squares"
            )
            sd = u * np.sqrt(2 / 36 * (1 + (length - level.mean()) ** 2 / level.var()))
            found = bounds(one, Scatter.independent(np.full(36, u)))
            assert found.high == pytest.approx(2 * abs(top) + norm.ppf(0.95) * 2 * sd, rel=0.002)
            assert found.u == pytest.approx(2 * sd, rel=0.02)

    def test_an_axis_where_it_should_be_may_lie_off_in_any_direction(self):
        """A perfect bore: twice the sd of the axis at either end, whichever way."""
        one = position(around(10.0, n=9, bore=True), 0.2, at=(0, 0, 0), direction=(0, 0, 1), method="least_squares")
        u = np.full(27, 0.002)
        u[:9] = 0.02  # the lowest ring
        found, sd = bounds(one, Scatter.independent(u)), 0.02 * np.sqrt(2 / 9) * 5 / 6
        assert found.high == pytest.approx(norm.ppf(0.95) * 2 * sd, rel=0.03)

    def test_a_pair_of_touches_that_is_known_badly_counts(self):
        four = around(np.array([10.01, 9.995, 10.01, 9.995]), n=4, heights=(0.0,))
        one = size(four, (19.9, 20.1), method="two_point", independency=True)
        found = bounds(one, Scatter(np.array([1e-4, 0.02, 1e-4, 0.02]), np.zeros((4, 0)), (), {"own": np.zeros(4)}))
        assert one.actual == pytest.approx(0.04)
        assert found.high == pytest.approx(0.02 + norm.ppf(0.95) * 2 * 0.02 * np.sqrt(2), rel=1e-3)
