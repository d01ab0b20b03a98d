"""How sure a datum frame says it is, against the scatter of frames from fresh touches of 3 um; bias included."""

import numpy as np
import pytest
import shapes
from thorough import some
from tolerance.touched import table

from probekit import FitError
from probekit.deviation import project
from probekit.fit import Datum, datum_frame

U, DRAWS = 0.003, 60
PLANE = Datum("A", "plane", "bottom")
BORE = Datum("B", "cylinder", "bore")


def grid(n):
    along = np.linspace(-20.0, 20.0, n)
    return np.array([[x, y, -10.0] for x in along for y in along]), np.tile([0.0, 0.0, -1.0], (n * n, 1))


def ring(n):
    angle = np.arange(2 * n) * 2 * np.pi / n + np.repeat([0.0, np.pi / n], n)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(2 * n)])
    return 6.0 * unit + np.array([10.0, 5.0, 0.0]) + np.repeat([-5.0, 5.0], n)[:, None] * [0, 0, 1], -unit


def drawn(datums, u=U, **features):
    """Errors of the parameters and stated uncertainties, (draws, 6) each; the truth is zero."""
    import pandas as pd

    errors, stated = [], []
    for seed in range(DRAWS):
        rng, parts = np.random.default_rng(seed), []
        for name, (at, normals) in features.items():
            off = rng.normal(scale=U, size=len(at))
            part = table(at + off[:, None] * normals, normals, deviation=off, foot=at, feature=name)
            parts.append(part)
        frame = datum_frame(pd.concat(parts, ignore_index=True), datums, u=u)
        errors.append([*frame.translation, *frame.rotation_deg])
        stated.append(frame.uncertainty)
    return np.array(errors), np.array(stated)


@pytest.mark.parametrize("n", some([3, 5]))
@pytest.mark.parametrize("u", [U, None])
def test_a_tangent_plane_counts_its_bias(n, u):
    """Scatter lifts it by 3.1 um (3 x 3) and 4.6 um (5 x 5) (own simulation, 400 runs); +-2 u held 82 % and 38 %."""
    errors, stated = drawn([PLANE], u, bottom=grid(n))
    assert errors[:, 2].mean() == pytest.approx({3: 0.0031, 5: 0.0046}[n], abs=6e-4)
    covers = (np.abs(errors) <= 2 * stated)[:, [2, 3, 4]].mean(axis=0)
    assert (covers >= 0.9).all()
    ratio = stated.mean(axis=0)[2:5] / np.sqrt(np.mean(errors**2, axis=0))[2:5]
    assert (ratio > 0.85).all()
    assert (ratio < 1.4).all()  # with the touches that rule held fixed it was 1.6 to 2.7 in the turns


@pytest.mark.parametrize("n", some([4, 5, 8], every=3))
def test_mating_bores_where_two_touches_rule_are_not_too_sure(n):
    errors, stated = drawn([PLANE, BORE], bottom=grid(3), bore=ring(n))
    free = stated.mean(axis=0) > 1e-9
    assert free[[0, 1, 2, 3, 4]].all()
    assert (np.abs(errors) <= 2 * stated)[:, free].mean(axis=0).min() >= 0.88
    assert (stated[:, :2] > 0.2 * U).all()  # never sure of a place that two opposed touches leave open
    ratio = stated.mean(axis=0)[free] / np.sqrt(np.mean(errors**2, axis=0))[free]
    assert (ratio < 1.5).all()


def test_the_order_of_the_touches_changes_nothing():
    """The errors that are drawn belong to the touches, wherever they stand in the table."""
    rng, (at, normals) = np.random.default_rng(3), grid(4)
    part = table(at + rng.normal(scale=U, size=(len(at), 1)) * normals, normals, foot=at, feature="bottom")
    mixed = part.iloc[rng.permutation(len(at))].reset_index(drop=True)
    one, other = (datum_frame(rows, [PLANE], u=U).covariance for rows in (part, mixed))
    assert other == pytest.approx(one, rel=1e-6, abs=1e-14)
    assert one[2, 2] > 0


def test_where_form_decides_what_rules_the_gain_is_that_of_those_touches():
    """Three feet 0.1 mm proud: the plane stands on them whatever the scatter; height at the origin in closed form."""
    at, normals = grid(3)
    high, feet = np.zeros(9), [0, 2, 7]
    high[feet] = 0.1
    proud = table(at + high[:, None] * normals, normals, deviation=high, foot=at, feature="bottom")
    gain = datum_frame(proud, [PLANE], u=U).alignment.gain[2]
    exact = np.zeros(9)
    exact[feet] = np.linalg.inv(np.column_stack([np.ones(3), at[feet, :2]]))[0]
    assert np.abs(gain) == pytest.approx(np.abs(exact), abs=1e-3)


def test_touches_that_just_fix_a_datum_say_so():
    at, normals = grid(3)
    few = table(at[[0, 2, 7]], normals[[0, 2, 7]], feature="bottom")
    note = datum_frame(few, [PLANE], u=U).notes[0]
    assert note == (
        "datum A: 3 touches fix what it takes of this plane exactly; their residuals are zero by construction and "
        "say nothing. How sure it is comes from what is stated of the touches, and holds only if the feature is as "
        "true to form as that allows for"
    )
    assert not datum_frame(table(at, normals, feature="bottom"), [PLANE], u=U).notes


def test_a_tangent_face_that_closes_is_refused_by_name():
    nominal = shapes.cylinder(n=24)
    places, outward = shapes.sample(nominal, 16, np.random.default_rng(0))
    places = places + outward * np.random.default_rng(1).normal(scale=U, size=(16, 1))
    found = project(table(places, outward, feature="face"), nominal, stylus=0.0)
    with pytest.raises(FitError, match="datum A: no place of the simulator keeps all touches on"):
        datum_frame(
            found, [Datum("A", "face", "face", simulator="tangent")], nominal=nominal, free=("tx", "ty", "rx", "ry")
        )
    frame = datum_frame(found, [Datum("A", "face", "face")], nominal=nominal, free=("tx", "ty", "rx", "ry"))
    assert np.isfinite(frame.covariance).all()


def test_a_minimax_datum_has_a_covariance():
    errors, stated = drawn([Datum("A", "plane", "bottom", simulator="minimax")], bottom=grid(3))
    ratio = stated.mean(axis=0)[2:5] / np.sqrt(np.mean(errors**2, axis=0))[2:5]
    assert (ratio > 0.75).all()
    assert (ratio < 1.6).all()
