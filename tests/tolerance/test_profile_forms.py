"""Profile in its further forms: against closed forms, linear programs, brute force and what must be monotonic.

Rules from memory of ASME Y14.5-2018 clauses 7.19 and 11 and Y14.5.1-2019.
"""

import numpy as np
import pandas as pd
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from probekit import InputError
from probekit.deviation import project
from probekit.errors import TouchesError
from probekit.fit import FREEDOMS, make_motion
from probekit.geometry import apply_motion
from probekit.tolerance import Profile, composite, line_profile, profile, separate, simultaneous
from probekit.tolerance.boundaries import boundary_limits
from probekit.tolerance.profile import per_unit

quick = settings(max_examples=10)
FLAT = ("tz", "rx", "ry")
PLANE, BOX = shapes.plane_patch(), shapes.box()


def on_plane(xy, z, feature="a") -> pd.DataFrame:
    xy = np.asarray(xy, dtype=float)
    touches = pd.DataFrame({"touch": np.arange(1, len(xy) + 1), "feature": feature})
    touches[["x", "y"]], touches["z"] = xy, z
    return project(touches, PLANE, stylus=0.0)


def on_box(seed: int = 0, n: int = 48) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    points, normals = shapes.sample_box(BOX, n, rng)
    points = points + normals * rng.uniform(-0.02, 0.02, size=(n, 1))
    return project(apply_motion(make_motion([0.05, -0.1, 0.08], [0.05, 0.06, -0.08]), points), BOX)


class TestDynamic:
    """The offset of the zone is free."""

    @quick
    @given(st.lists(st.floats(-0.2, 0.2), min_size=2, max_size=9), st.floats(0, 0.1))
    def test_held_it_is_the_range(self, z, outside):
        found = on_plane(np.column_stack([np.arange(len(z)), np.zeros(len(z))]), np.array(z) + 0.05)
        one = profile(found, 0.1, outside=outside, dynamic=True)
        assert one.actual == pytest.approx(np.ptp(z), abs=3e-6)
        assert one.details["offset"] == pytest.approx(
            0.05 + (max(z) + min(z)) / 2 - (one.lower + one.upper) / 2, abs=3e-6
        )

    def test_a_ball_of_another_size_is_a_good_ball(self):
        """Twice 0.05 for radius 20.05 about 20, and nothing for its form; facets of the ball are seen, 0.006 mm."""
        nominal = shapes.ball()
        points, _ = shapes.sample(nominal, 60, np.random.default_rng(0))
        found = project(1.0025 * 20 * points / np.linalg.norm(points, axis=1)[:, None], nominal)
        assert profile(found, 0.2, free=("tx", "ty", "tz"), nominal=nominal).actual == pytest.approx(0.1, abs=0.014)
        grown = profile(found, 0.2, free=("tx", "ty", "tz"), dynamic=True, nominal=nominal)
        assert grown.actual < 0.012
        assert grown.details["offset"] == pytest.approx(0.05, abs=0.007)
        assert "only the form is judged" in grown.notes[0]

    def test_more_freedom_never_makes_it_larger(self):
        found = on_box()
        assert profile(found, 0.1, free=FREEDOMS, dynamic=True, nominal=BOX).actual <= (
            profile(found, 0.1, free=FREEDOMS, nominal=BOX).actual + 4e-6
        )


class TestBoundaries:
    """Zones that are not uniform."""

    @staticmethod
    def sheet(z=(0.01, 0.02, -0.03, 0.05)):
        return on_plane([[0, 0], [10, 0], [20, 0], [30, 0]], np.array(z))

    def test_every_way_to_say_the_same(self):
        found = self.sheet()
        x = found["foot_x"].to_numpy()
        found = found.assign(low=-0.02 - x / 1000, top=0.02 + x / 1000)
        expected = np.column_stack([-0.02 - x / 1000, 0.02 + x / 1000])
        along = {"along": "x", "at": [0, 30], "lower": [-0.02, -0.05], "upper": [0.02, 0.05]}
        for said in (along, ("low", "top"), (lambda f: -0.02 - f[:, 0] / 1000, found["top"].to_numpy())):
            assert boundary_limits(found, said) == pytest.approx(expected, abs=1e-15)

    def test_by_hand(self):
        """Half widths 0.02, 0.03, 0.04, 0.05: shares 0.5, 0.67, 0.75, 1.0; so the largest width, 0.1, is used up."""
        along = {"along": "x", "at": [0, 30], "lower": [-0.02, -0.05], "upper": [0.02, 0.05]}
        one = profile(self.sheet(), boundaries=along)
        assert (one.width, one.actual, one.ruling) == (pytest.approx(0.1), pytest.approx(0.1), (4,))
        assert (one.lower, one.upper) == (-0.05, 0.05)
        tighter = profile(self.sheet((0.01, 0.035, 0.0, 0.0)), boundaries=along)
        assert tighter.actual == pytest.approx(0.1 * 0.035 / 0.03)
        assert tighter.actual > tighter.width
        assert tighter.value_of(tighter.deviations - tighter.middles) == pytest.approx(tighter.actual)

    @quick
    @given(st.integers(0, 10**6))
    def test_conforms_exactly_when_all_lie_between(self, seed):
        rng = np.random.default_rng(seed)
        low, top = rng.uniform(-0.1, 0, 4), rng.uniform(0.001, 0.1, 4)
        z = rng.uniform(-0.06, 0.06, 4)
        one = profile(self.sheet(z), boundaries=(low, top))
        assert (one.actual <= one.width) == bool(((low <= z) & (z <= top)).all())

    def test_free_placement_is_a_minimax_of_shares(self):
        rng = np.random.default_rng(3)
        xy, z = rng.uniform(-25, 25, (20, 2)), 0.1 + rng.normal(scale=0.02, size=20)
        half = rng.uniform(0.02, 0.08, 20)
        design = np.column_stack([np.ones(20), xy])
        best = linprog(
            [0, 0, 0, 1],
            A_ub=np.vstack([np.column_stack([design, -half]), np.column_stack([-design, -half])]),
            b_ub=np.concatenate([z, -z]),
            bounds=[(None, None)] * 3 + [(0, None)],
        )
        one = profile(on_plane(xy, z), boundaries=(-half, half), free=FLAT, nominal=PLANE)
        assert one.actual / one.width == pytest.approx(best.fun, abs=1e-4)

    @pytest.mark.parametrize(
        ("said", "match"),
        [
            ((0.1, -0.1), "meet or cross at touch 1; found 'lower 0.1, upper -0.1'"),
            ((0.1,), "two boundaries"),
            (("low", 0.1), "no column for a boundary"),
            (([0.1, 0.2], 0.3), "one distance per touch"),
            ({"along": "x", "at": [0, 30]}, "need four keys"),
            ({"along": "x", "at": [30, 0], "lower": [0, 0], "upper": [1, 1]}, "over rising places"),
            ({"along": "x", "at": [0, 30], "lower": [0], "upper": [1, 1]}, "as many distances as places"),
        ],
    )
    def test_what_cannot_be(self, said, match):
        with pytest.raises(InputError, match=match):
            profile(self.sheet(), boundaries=said)
        with pytest.raises(InputError, match="takes no width="):
            profile(self.sheet(), 0.1, boundaries=said)


class TestLineProfile:
    def test_sections_by_themselves(self):
        """Two lines at y = 0 and 10; freed of shift and slope, each is half-range about its own best line."""
        x = np.tile([-10.0, 0, 10], 2)
        z = np.array([0.0, 0.03, 0.0, 0.1, 0.1, 0.1])
        found = on_plane(np.column_stack([x, np.repeat([0.0, 10], 3)]), z)
        held = line_profile(found, 0.3, section="y")
        assert held.details == pytest.approx({"y 0.000": 0.06, "y 10.000": 0.2})
        assert held.actual == profile(found, 0.3).actual, "held, lines are the surface"
        free = line_profile(found, 0.3, section="y", free=("tz", "ry"), nominal=PLANE)
        assert free.details == pytest.approx({"y 0.000": 0.03, "y 10.000": 0.0}, abs=3e-6)
        assert free.kind == "profile of a line"
        whole = profile(found, 0.3, free=("tz", "ry"), nominal=PLANE)
        assert free.actual <= whole.actual
        both = line_profile(found, 0.3, section="y", free=("tz", "rx", "ry"), nominal=PLANE)
        assert both.actual == pytest.approx(free.actual, abs=3e-6), "on a line rx does what tz does"
        assert not any("so few touches" in note for note in both.notes)
        thin = line_profile(found.iloc[:5], 0.3, section="y", free=("tz", "ry"), nominal=PLANE)
        assert thin.notes[-1].endswith("fits them whatever they are: y 10.000 (2)")
        with pytest.raises(TouchesError, match="found '2 touches at 2 different places in the fullest section'"):
            line_profile(found.iloc[[0, 1, 3, 4]], 0.3, section="y", free=("tz", "ry"), nominal=PLANE)
        assert line_profile(found, 0.3, section=(0, 2, 0)).details == pytest.approx(
            {"height 0.000": 0.06, "height 10.000": 0.2}
        )

    def test_unknown_section(self):
        with pytest.raises(InputError, match="no column that names sections"):
            line_profile(on_plane([[0, 0]], [0.0]), 0.1, section="curve")


class TestSimultaneous:
    def tolerances(self, **options):
        return (
            Profile(width=0.1, name="top", features=("top",), **options),
            Profile(width=0.05, name="sides", features=("left", "front"), **options),
        )

    @pytest.mark.parametrize("seed", range(4))
    def test_never_easier_than_apart(self, seed):
        """One placement is one of those open to each; the share used can only grow."""
        found, free = on_box(seed), ("tx", "ty", "tz")
        together = simultaneous(found, self.tolerances(free=free), nominal=BOX)
        apart = separate(found, self.tolerances(free=free), nominal=BOX)
        share = max(one.actual / one.width for one in together)
        assert share >= max(one.actual / one.width for one in apart) - 1e-4
        assert share == pytest.approx(together[0].details["share of the tolerance used by the worst of all"])
        assert together[0].motion == pytest.approx(together[1].motion)

    def test_by_a_linear_program(self):
        """Two parts of a plane at heights 0 and h, widths 0.1 and 0.2, free along z: |t|/0.05 = |h - t|/0.1."""
        found = on_plane([[0, 0], [1, 0], [20, 0], [21, 0]], [0.0, 0.0, 0.06, 0.06], ["a", "a", "b", "b"])
        two = (Profile(width=0.1, name="a", features="a"), Profile(width=0.2, name="b", features="b"))
        one, other = simultaneous(found, two, free=("tz",), nominal=PLANE)
        assert (one.actual, other.actual) == pytest.approx((0.04, 0.08), abs=4e-6)
        assert one.motion[2, 3] == pytest.approx(-0.02, abs=2e-6)
        assert "one placement for a and b" in one.notes[0]

    def test_without_freedom_they_are_what_they_are(self):
        found = on_box()
        for one, other in zip(simultaneous(found, self.tolerances()), separate(found, self.tolerances()), strict=True):
            assert one.actual == other.actual

    def test_what_cannot_be(self):
        found = on_box()
        mixed = (Profile(width=0.1, free=("tx",)), Profile(width=0.1))
        with pytest.raises(InputError, match="do not share a datum frame; found 'none; tx'"):
            simultaneous(found, mixed, nominal=BOX)
        with pytest.raises(InputError, match="no tolerance to evaluate"):
            simultaneous(found, ())
        with pytest.raises(InputError, match="an offset of its own"):
            simultaneous(found, (Profile(width=0.1, dynamic=True),))


class TestComposite:
    def test_refining_lets_the_place_go(self):
        """A top 0.04 too high, and curved by 0.01: located 0.1 holds 0.09 or so, refined sees the form only."""
        xy = np.array([[-20, -20], [20, -20], [20, 20], [-20, 20], [0, 0]], dtype=float)
        found = on_plane(xy, [0.04, 0.04, 0.04, 0.04, 0.05])
        upper, lower = composite(
            found,
            Profile(width=0.1, name="place", datums=("A", "B", "C")),
            Profile(width=0.02, name="form", datums=("A",), free=("tx", "ty", "tz")),
            nominal=PLANE,
        )
        assert upper.actual == pytest.approx(0.1)
        assert lower.actual == pytest.approx(0.01, abs=3e-6)
        assert "refined by 'form'" in upper.notes[-1]
        assert "refines 'place'" in lower.notes[-1]

    @pytest.mark.parametrize(
        ("relating", "match"),
        [
            ({"width": 0.2, "free": FREEDOMS}, "must be finer"),
            ({"width": 0.01, "free": ("tx",)}, "held: ty, tz"),
            ({"width": 0.01, "free": FREEDOMS, "features": ("a",)}, "same features"),
        ],
    )
    def test_what_cannot_be(self, relating, match):
        with pytest.raises(InputError, match=match):
            composite(on_box(), Profile(width=0.1), Profile(**relating), nominal=BOX)


class TestTooFew:
    """Three freedoms of a plane go through three touches, whatever they are: refused, not so with one more."""

    @pytest.mark.parametrize(("free", "dynamic", "ways"), [(FLAT, False, 3), (("rx", "ry"), True, 3), (FREEDOMS, 0, 6)])
    def test_as_many_touches_as_freedoms(self, free, dynamic, ways):
        rng = np.random.default_rng(5)
        found = on_plane(rng.uniform(-20, 20, (4, 2)), rng.normal(0, 0.05, 4))
        held = {"free": free, "dynamic": dynamic, "nominal": PLANE}
        with pytest.raises(TouchesError, match=f"free in {ways} ways, fits so few touches whatever the part is"):
            profile(found.iloc[:3], 0.1, **held)
        assert profile(found, 0.1, **held).actual > 0.01
        two = [Profile(width=0.1, name=name, features=name, free=held["free"]) for name in ("a", "b")]
        if not dynamic:  # each alone has too few touches, both together have enough
            halves = found.assign(feature=["a", "a", "b", "b"])
            assert max(one.actual for one in simultaneous(halves, two, nominal=PLANE)) > 0.01
            with pytest.raises(TouchesError, match="zero by construction"):
                simultaneous(halves.iloc[1:], two, nominal=PLANE)

    def test_perfect_touches_are_no_too_few(self):
        """Four touches are fewer than six freedoms, and a plane has three: what lies on it lies there by merit."""
        assert profile(on_plane([[0, 0], [9, 0], [0, 9], [9, 9]], 0.0), 0.1, free=FREEDOMS, nominal=PLANE).actual < 1e-5

    def test_a_held_zone_says_nothing_of_the_kind(self):
        assert profile(on_plane([[0, 0]], [0.0]), 0.1).notes == ()


class TestPerUnit:
    def test_a_step_and_a_slope_by_hand(self):
        """Line of touches 5 mm apart, a peak of 0.03 at one: within 10 mm its neighbours see all of it."""
        x = np.arange(-25.0, 26, 5)
        found = on_plane(np.column_stack([x, 0 * x]), 0.002 * x + np.where(x == 5, 0.03, 0.0))
        one = per_unit(found, 0.05, size=10, along=(1, 0, 0), free=("tz", "ry"), nominal=PLANE)
        assert one.actual == pytest.approx(
            0.03, abs=4e-6
        )  # three points in a row, the middle one up: half range doubled
        assert one.kind.endswith("per unit length")
        assert not one.judges_touches
        assert set(one.ruling) == {6, 7, 8}

    def test_never_more_than_the_whole(self):
        found = on_plane(
            np.random.default_rng(0).uniform(-25, 25, (30, 2)), np.random.default_rng(1).normal(0, 0.01, 30)
        )
        whole = profile(found, 0.1, free=FLAT, nominal=PLANE).actual
        parts = [per_unit(found, 0.1, size=s, free=FLAT, nominal=PLANE).actual for s in (20, 40, 200)]
        assert parts == sorted(parts)
        assert parts[-1] == pytest.approx(whole, abs=4e-6)

    def test_a_window_that_is_about_no_touch(self):
        """Two touches 18 apart lie in a window of 20 whose middle is between them."""
        found = on_plane([[0, 0], [18, 0]], [0.0, 0.05])
        one = per_unit(found, 0.1, size=20, free=("tz",), nominal=PLANE)
        assert one.actual == pytest.approx(0.05, abs=4e-6)
        assert set(one.ruling) == {1, 2}

    @pytest.mark.parametrize("seed", range(3))
    def test_every_window_by_brute_force(self, seed):
        """Windows about a fine grid of places, each by a linear program of its own; and spans along x likewise."""
        rng = np.random.default_rng(seed)
        xy, z = rng.uniform(-20, 20, (25, 2)), rng.normal(0, 0.02, 25)
        found = on_plane(xy, z)
        places = np.stack(np.meshgrid(*[np.arange(-30, 30, 0.2)] * 2), axis=-1).reshape(-1, 2)
        inside = np.linalg.norm(places[:, None] - xy[None], axis=2) <= 9.0
        one = per_unit(found, 0.1, size=18, free=FLAT, nominal=PLANE)
        best = max(self.flat(xy[list(w)], z[list(w)]) for w in self.sets(inside))
        assert one.actual >= best - 4e-6
        assert one.actual == pytest.approx(best, abs=2e-4)  # the grid misses windows that only just hold a set
        starts = np.arange(-40, 25, 0.05)
        spans = (xy[None, :, 0] >= starts[:, None]) & (xy[None, :, 0] <= starts[:, None] + 12.0)
        along = per_unit(found, 0.1, size=12, along=(1, 0, 0), free=FLAT, nominal=PLANE)
        assert along.actual >= max(self.flat(xy[list(w)], z[list(w)]) for w in self.sets(spans)) - 4e-6

    @staticmethod
    def sets(inside):
        return {tuple(np.flatnonzero(row)) for row in inside if row.sum() > 3}

    @staticmethod
    def flat(xy, z) -> float:
        design, one = np.column_stack([np.ones(len(xy)), xy]), np.ones((len(xy), 1))
        return (
            2
            * linprog(
                [0, 0, 0, 1],
                A_ub=np.vstack([np.hstack([design, -one]), np.hstack([-design, -one])]),
                b_ub=np.concatenate([z, -z]),
                bounds=[(None, None)] * 3 + [(0, None)],
            ).fun
        )

    def test_in_a_spec(self):
        """Per unit length is said by `along`; drawn without the diameter sign."""
        x = np.arange(-25.0, 26, 5)
        found = on_plane(np.column_stack([x, 0 * x]), np.where(x == 5, 0.03, 0.0))
        line = Profile(width=0.1, unit=10.0, along=(1, 0, 0))
        assert "within each 10 mm of length" in line.sentence
        assert line.frame == "\u2502 \u2313 \u2502 0.1/10 \u2502"
        assert (
            line.evaluate(found, PLANE).actual == per_unit(found, 0.1, size=10, along=(1, 0, 0), nominal=PLANE).actual
        )
        assert Profile(width=0.1, unit=10.0).frame == "\u2502 \u2313 \u2502 0.1/\u230010 \u2502"

    def test_what_cannot_be(self):
        found = on_plane([[0, 0], [20, 0]], [0.0, 0.0])
        with pytest.raises(InputError, match="no window holds two touches"):
            per_unit(found, 0.1, size=5, nominal=PLANE)
        with pytest.raises(InputError, match="size of a window must be positive"):
            per_unit(found, 0.1, size=0, nominal=PLANE)
