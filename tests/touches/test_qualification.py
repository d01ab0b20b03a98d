"""Qualification: radius, offset, map and form error of probes whose errors are known, and what compensation gains."""

import json

import numpy as np
import pandas as pd
import pytest
import shapes
from machine.probing_text import probing_text, targets_at
from scipy.optimize import least_squares
from scipy.special import sph_harm_y
from thorough import count

from probekit import deviation, fit, touches
from probekit.errors import InputError, ProbekitWarning
from probekit.machine import AsMade, Hill, ReferenceRing, ReferenceSphere, run
from probekit.machine.errors import BallOffset, Contact, Lobing, Repeatability
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.touches import RadiusMap, Stylus
from probekit.touches.lobing import map_basis, map_size

LOBED = Lobing(0.010, 0.004, 3, 25.0, axial=0.003)
SPHERE = ReferenceSphere(25.0)
DENSE = (
    (0.0, 1, 0.0),
    (15.0, 6, 0.0),
    (30.0, 8, 10.0),
    (45.0, 12, 0.0),
    (60.0, 12, 15.0),
    (75.0, 12, 0.0),
    (90.0, 16, 7.0),
)


def pretravel(lobing, directions):
    return lobing.travel(Contact(directions, np.ones(len(directions)), np.ones(len(directions))))


def on_sphere(*errors, sphere=SPHERE, targets=None, **more):
    text = probing_text(sphere.targets() if targets is None else targets)
    result = run(text, sphere, probe=6.0, errors=errors, decimals=9, **more)
    assert result.stopped == ""
    return result.table


class TestSphere:
    def test_a_perfect_probe(self):
        found = fit.qualify(on_sphere(sphere=ReferenceSphere(25.0, (0.02, -0.01, 0.03))), diameter=25.0)
        assert found.effective_radius == pytest.approx(3.0, abs=1e-6)
        assert found.form < 1e-6
        assert found.form_test
        np.testing.assert_allclose(found.centre, (0.02, -0.01, 0.03), atol=1e-6)
        np.testing.assert_allclose(found.map.coefficients[1:], 0.0, atol=1e-6)

    def test_pretravel_alone_makes_the_radius_small(self):
        found = fit.qualify(on_sphere(Lobing(0.010)), diameter=25.0)
        assert found.effective_radius == pytest.approx(2.990, abs=1e-6)

    def test_lobes_are_found_for_every_direction(self):
        found = fit.qualify(on_sphere(LOBED), diameter=25.0)
        directions = np.random.default_rng(1).normal(size=(500, 3))
        directions[:, 2] = np.abs(directions[:, 2])
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        assert found.map.degree == 3
        np.testing.assert_allclose(found.map.radius(directions), 3.0 - pretravel(LOBED, directions), atol=1e-6)
        assert found.scatter < 1e-6

    def test_form_error_of_the_25_touches(self):
        """Against a sphere fitted by scipy to the 25 centres as the lobes put them: range of its radii."""
        normals = SPHERE.targets()[["i", "j", "k"]].to_numpy()
        centres = (12.5 + 3.0 - pretravel(LOBED, normals))[:, None] * normals
        best = least_squares(lambda p: np.linalg.norm(centres - p[:3], axis=1) - p[3], [0, 0, 0, 15.5], xtol=1e-15)
        assert np.ptp(best.fun) > 0.005
        found = fit.qualify(on_sphere(LOBED), diameter=25.0)
        assert found.form == pytest.approx(np.ptp(best.fun), abs=1e-6)
        assert found.effective_radius == pytest.approx(best.x[3] - 12.5, abs=1e-6)

    def test_covariance_from_scatter(self):
        """200 qualifications scatter as each says of itself; a standard deviation of 200 values is known to 5 %."""
        targets = SPHERE.targets()
        normals = targets[["i", "j", "k"]].to_numpy()
        rng, sets = np.random.default_rng(7), []
        for _ in range(count(80, 200)):
            table = targets.copy()
            table[["x", "y", "z"]] = (15.5 + rng.normal(0, 0.002, 25))[:, None] * normals
            sets.append(fit.qualify(table, diameter=25.0))
        sideways = np.array([[1.0, 0, 0], [0, 0.6, 0.8]])
        spread = np.std([found.map.radius(sideways) for found in sets], axis=0)
        told = np.sqrt(np.mean([found.map.uncertainty(sideways) ** 2 for found in sets], axis=0))
        np.testing.assert_allclose(told, spread, rtol=count(25, 15) / 100)
        assert np.mean([f.scatter**2 for f in sets]) == pytest.approx(0.002**2, rel=0.1)
        radii = np.std([f.effective_radius for f in sets])
        assert np.sqrt(np.mean([f.u_radius**2 for f in sets])) == pytest.approx(radii, rel=count(25, 15) / 100)

    def test_two_orientations_tell_the_offset_from_the_centre(self):
        sphere, errors = ReferenceSphere(25.0, (0.03, 0.01, 0.0)), (BallOffset(0.012, -0.005), LOBED)
        both = pd.concat([on_sphere(*errors, sphere=sphere, spindle_angle=angle) for angle in (0.0, 180.0)])
        found = fit.qualify(both, diameter=25.0)
        np.testing.assert_allclose(found.ball_offset, (0.012, -0.005), atol=2e-5)
        np.testing.assert_allclose(found.centre[:2], (0.03, 0.01), atol=2e-5)
        one = fit.qualify(on_sphere(*errors, sphere=sphere), diameter=25.0)
        assert one.ball_offset is None
        np.testing.assert_allclose(one.centre[:2], (0.03 - 0.012, 0.01 + 0.005), atol=5e-5)
        assert any("one orientation" in note for note in one.notes)

    def test_more_touches_bear_a_finer_map(self):
        five = Lobing(0.010, 0.003, 5)
        coarse = fit.qualify(on_sphere(five), diameter=25.0)
        fine = fit.qualify(on_sphere(five, targets=SPHERE.targets(DENSE)), diameter=25.0)
        assert (coarse.map.degree, fine.map.degree) == (3, 6)
        assert fine.scatter < 1e-5 < 5e-4 < coarse.scatter
        assert not fine.form_test
        assert any("not the 25" in note for note in fine.notes)

    def test_too_few_for_a_map(self):
        with pytest.warns(ProbekitWarning, match="6 touches do not support a map"):
            found = fit.qualify(on_sphere(LOBED).iloc[[0, 1, 3, 17, 19, 22]], diameter=25.0)
        assert found.map.degree == 0

    def test_missed_touches_are_counted(self):
        table = on_sphere(LOBED)
        table.loc[3, ["x", "y", "z"]] = np.nan
        found = fit.qualify(table, diameter=25.0)
        assert found.touches == 24
        assert found.notes[0] == "1 touches were missed and are excluded"

    def test_words(self):
        found = fit.qualify(on_sphere(LOBED), diameter=25.0)
        assert found.sentence.startswith("Qualified on a sphere of 25 mm with 25 touches: effective radius 2.9896")
        assert "form error of the 25-point sphere test" in found.sentence
        assert found.sentence.replace("<", "") in found._repr_html_()


class TestRing:
    def test_lobes_round_a_ring(self):
        ring, lobing = ReferenceRing(50.0, (0.02, 0.03, 0.0)), Lobing(0.010, 0.004, 3, 25.0)
        result = run(
            probing_text(ReferenceRing(50.0).targets(12), height=40.0), ring, probe=6.0, errors=(lobing,), decimals=9
        )
        found = fit.qualify(result.table, diameter=50.0, artefact="ring")
        turn = np.linspace(0, 2 * np.pi, 73)
        sideways = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
        assert found.map.degree == 3
        np.testing.assert_allclose(found.map.radius(sideways), 3.0 - pretravel(lobing, sideways), atol=2e-5)
        np.testing.assert_allclose(found.centre[:2], (0.02, 0.03), atol=2e-5)
        assert found.effective_radius == pytest.approx(2.990, abs=2e-5)
        assert found.form == pytest.approx(
            0.004 * np.ptp(np.cos(3 * np.radians(np.arange(0, 360, 30) - 25 + 180))), abs=5e-5
        )

    def test_it_says_nothing_about_the_pole(self):
        flat = RadiusMap("ring", 2, (3.0, 0.0, 0.0))
        with pytest.raises(InputError, match="says nothing about this direction"):
            flat.radius(np.array([[0, 0, 1.0]]))


class TestCompensation:
    def test_the_map_takes_the_lobes_out_of_a_part(self):
        """Qualify on a sphere, measure a curved part: with the map its deviations are those it was made with."""
        nominal = shapes.saddle(size=60.0, n=120)
        made = AsMade(nominal, 0.02, (Hill((5.0, 5.0, 0.5), 12.0, 0.05),))
        rng = np.random.default_rng(2)
        points = np.column_stack([rng.uniform(-22, 22, (80, 2)), np.zeros(80)])
        feet = nominal.engine.feet(points, smooth=True)
        text = probing_text(targets_at(feet.foot, feet.normal), standoff=3.0)
        lobing = Lobing(0.012, 0.006, 3, 10.0, axial=0.002)
        stylus = fit.qualify(on_sphere(lobing), diameter=25.0).stylus(6.0)
        table = run(text, made, probe=6.0, errors=(lobing,), decimals=9).table
        with_map = deviation.project(table, nominal, stylus=stylus)
        without = deviation.project(table, nominal, stylus=stylus.effective_radius)
        at = with_map[["foot_x", "foot_y", "foot_z"]].to_numpy()
        truth = made.left(at, with_map[["nx", "ny", "nz"]].to_numpy(), np.zeros(80, int))
        errors = [np.abs(found["deviation"] - truth) for found in (with_map, without)]
        # the hill's steepest slope is s = 1.717 * 0.05 / 12; the ball then touches r s beside the foot of its centre,
        # where the hill is r s^2 lower or higher, and the foot's normal is wrong by s: 3 r s^2 / 2 in all
        assert errors[0].max() < 1.5 * 3.0 * (1.717 * 0.05 / 12) ** 2 + 2e-5
        assert errors[1].max() > 3e-3
        again, _ = deviation.projection.distance_function(with_map, nominal)(table[["x", "y", "z"]].to_numpy())
        np.testing.assert_allclose(again, with_map["deviation"], atol=1e-12)

    @pytest.mark.parametrize("by", ["foot", "target", "approach"])
    def test_a_turned_table_turns_the_map(self, by):
        """One wall, touched at C 0 and C 40: a table turns the part by -C, so that the probe sees it at azimuth -40."""
        kinematics = Kinematics((RotaryAxis("C", "table"),))
        targets = targets_at([[30.0, 0, 0]] * 2, [[1.0, 0, 0]] * 2)
        text = probing_text(targets, kinematics=kinematics, poses=[(0.0,), (40.0,)])
        lobing = Lobing(0.010, 0.004, 3, 20.0)
        stylus = fit.qualify(on_sphere(lobing), diameter=25.0).stylus(6.0)
        table = run(text, shapes.box(), probe=6.0, errors=(lobing,), kinematics=kinematics, decimals=9).table
        np.testing.assert_allclose(table["x"], [33.0 - 0.012, 33.0 - 0.006], atol=1e-6)
        found = deviation.project(table, shapes.box(), stylus=stylus, compensate=by)
        np.testing.assert_allclose(found["deviation"], 0.0, atol=2e-6)
        np.testing.assert_allclose(found["cx"], 30.0, atol=2e-6)

    def test_missed_touches_stay_missed(self):
        table = targets_at([[0.0, 0, 10.0]] * 2, [[0, 0, 1.0]] * 2)
        table[["x", "y", "z"]] = [[0, 0, 12.99], [np.nan] * 3]
        table["reason"] = ["", "no trigger"]
        stylus = Stylus(6.0, map=RadiusMap("sphere", 0, (2.98,)))
        found = deviation.project(table, shapes.box(), stylus=stylus, compensate="target")
        assert found["deviation"].iloc[0] == pytest.approx(0.01)
        assert np.isnan(found["deviation"].iloc[1])


class TestMap:
    def test_basis_is_that_of_scipy(self):
        """Real harmonics from scipy's complex ones, times sqrt(4 pi), without the phase (-1)^m."""
        directions = np.random.default_rng(4).normal(size=(50, 3))
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        polar, azimuth = np.arccos(directions[:, 2]), np.arctan2(directions[:, 1], directions[:, 0])
        columns = []
        for n in (0, 2, 3, 4):
            for m in range(n % 2, n + 1, 2):
                value = (-1.0) ** m * np.sqrt(4 * np.pi) * sph_harm_y(n, m, polar, azimuth)
                columns += [value.real] if m == 0 else [np.sqrt(2) * value.real, np.sqrt(2) * value.imag]
        np.testing.assert_allclose(map_basis("sphere", 4, directions), np.column_stack(columns), atol=1e-12)

    def test_sizes(self):
        assert [map_size("sphere", n) for n in (0, 2, 3, 4, 5, 6)] == [1, 4, 8, 13, 19, 26]
        assert [map_size("ring", n) for n in (0, 2, 3)] == [1, 3, 5]

    def test_plain_data_gives_it_back(self):
        one = RadiusMap("sphere", 2, (3.0, 0.001, 0.0, -0.002))
        assert RadiusMap(**json.loads(json.dumps(one.plain()))) == one
        assert np.isnan(one.uncertainty(np.array([[0, 0, 1.0]]))).all()

    def test_the_stylus_takes_the_mean_where_no_radius_is_given(self):
        one = Stylus(6.0, map=RadiusMap("sphere", 0, (2.97,)))
        assert one.effective_radius == 2.97
        np.testing.assert_array_equal(one.radius(np.eye(3)), [2.97] * 3)
        np.testing.assert_array_equal(Stylus(6.0).radius(np.eye(3)), [3.0] * 3)

    @pytest.mark.parametrize(
        ("make", "words"),
        [
            (lambda: RadiusMap("cone", 2, ()), "kind of radius map"),
            (lambda: RadiusMap("sphere", 1, (1.0, 2.0)), "position of the artefact"),
            (lambda: RadiusMap("sphere", 2, (3.0,)), "4 finite numbers"),
            (lambda: RadiusMap("sphere", 0, (np.nan,)), "finite"),
            (lambda: RadiusMap("sphere", 0, (3.0,), ((1.0, 2.0),)), "covariance"),
            (lambda: Stylus(6.0, map=3.0), "map of the stylus"),
            (lambda: Stylus(6.0, map=RadiusMap("sphere", 0, (1.0,))), "does not fit the ball"),
            (lambda: touches.compensate([[0, 0, 0.0]], [1.0, 2.0], [[0, 0, 1.0]]), "do not match"),
            (lambda: touches.compensate([[0, 0, 0.0]], [-1.0], [[0, 0, 1.0]]), "not usable"),
        ],
    )
    def test_refusals(self, make, words):
        with pytest.raises(InputError, match=words):
            make()


class TestHostileTables:
    @pytest.mark.parametrize(
        ("change", "more", "words"),
        [
            (lambda t: t.drop(columns="z"), {}, "column 'z'"),
            (lambda t: t.iloc[:3], {}, "do not determine"),
            (lambda t: t.assign(x=np.nan), {}, "found 0"),
            (lambda t: t.assign(turn_x=0.0), {}, "not complete"),
            (lambda t: t.assign(turn_x=0.0, turn_y=np.nan, turn_z=0.0), {}, "not complete"),
            (lambda t: t, {"diameter": -1.0}, "usable diameter"),
            (lambda t: t, {"diameter": "25"}, "usable diameter"),
            (lambda t: t, {"artefact": "cube"}, "sphere or ring"),
            (lambda t: t, {"degree": 1}, "degree"),
            (lambda t: t, {"degree": 6}, "touches for"),
            (lambda t: t.iloc[17:], {"degree": 3}, "in one plane"),
        ],
    )
    def test_refused(self, change, more, words):
        table = change(on_sphere())
        with pytest.raises(InputError, match=words):
            fit.qualify(table, **{"diameter": 25.0, **more})

    def test_contact_points_are_refused(self):
        table = on_sphere()
        table.attrs["recorded"] = "contact"
        with pytest.raises(InputError, match="contact points"):
            fit.qualify(table, diameter=25.0)

    def test_a_touch_beside_the_sphere_shows_in_the_form_error(self):
        table = on_sphere(Repeatability(0.001))
        table.loc[7, "x"] += 0.5
        found = fit.qualify(table, diameter=25.0)
        assert found.form > 0.1
        assert found.scatter > 0.02
