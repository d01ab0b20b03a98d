"""Size and runout: closed forms.

A circle with three lobes has the same two-point size everywhere and is larger to what it must fit in: textbook lore of
"constant diameter", here in closed form. Runout of an eccentric cylinder is twice the eccentricity (handbooks).
"""

import numpy as np
import pytest
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.fit import make_motion
from probekit.tolerance import runout, size


def lobed(a, **options):
    angle = np.arange(12) * np.pi / 6
    return around(10 + a * np.cos(3 * angle), **options)


@pytest.mark.parametrize("bore", [True, False])
def test_three_lobes(bore):
    """r = 10 + a cos 3t: two-point 20 everywhere; inscribed 2 (10 - a), circumscribed 2 (10 + a), mean 20."""
    found, limits = lobed(0.01, bore=bore), (19.9, 20.1)
    values = {
        method: size(found, limits, method=method).details["largest size"]
        for method in ("two_point", "least_squares", "maximum_inscribed", "minimum_circumscribed")
    }
    assert values["two_point"] == pytest.approx(20.0, abs=1e-9)
    assert values["least_squares"] == pytest.approx(20.0, abs=1e-6)
    assert values["maximum_inscribed"] == pytest.approx(19.98, abs=5e-6)
    assert values["minimum_circumscribed"] == pytest.approx(20.02, abs=5e-6)


def test_actual_value_grows_about_the_middle_of_the_limits():
    """Local sizes 19.98 and 20.03 in 19.95 to 20.05: 0.03 from the middle 20.00, so 0.06 of 0.10."""
    import pandas as pd

    found = pd.concat([around(9.99, heights=(0.0,)), around(10.015, heights=(10.0,))], ignore_index=True)
    one = size(found, (19.95, 20.05))
    assert one.actual == pytest.approx(0.06, abs=1e-9)
    assert (one.low, one.high, one.lower, one.upper) == pytest.approx((-0.02, 0.03, -0.05, 0.05))
    assert one.actual <= one.width
    assert size(found, (19.95, 20.02)).actual > 0.07
    apart = size(found, (19.95, 20.05), independency=True)
    assert apart.details == pytest.approx({"smallest size": 19.98, "largest size": 20.03, "middle of limits": 20.0})
    assert apart.actual == one.actual  # of this boss the envelope is as large as its largest local size
    assert one.details == pytest.approx({**apart.details, "mating envelope": 20.03})
    assert not one.judges_touches


@pytest.mark.parametrize("bore", [True, False])
@pytest.mark.parametrize("method", ["default", "least_squares"])
def test_perfect_form_at_maximum_material_is_required(bore, method):
    """Rule one: a bore bowed by 0.3 has the size 10 everywhere, and a pin of 9.7 is the largest that goes through."""
    import pandas as pd

    bow = {-10.0: 0.0, 0.0: 0.3, 10.0: 0.0}
    parts = [around(5.0, heights=(z,), n=64, bore=bore) for z in bow]
    for part, off in zip(parts, bow.values(), strict=True):
        part[["x", "cx"]] = part[["x", "cx"]].to_numpy() + off
    found = pd.concat(parts, ignore_index=True)
    found["touch"] = range(1, len(found) + 1)
    one = size(found, (9.9, 10.1), method=method)
    assert one.details["mating envelope"] == pytest.approx(9.7 if bore else 10.3, abs=2e-3)
    assert one.actual == pytest.approx(0.6, abs=4e-3)
    assert one.actual > one.width
    assert any("rule one" in note for note in one.notes)
    step = 1e-4  # sign and size of the gradient of the envelope, which rests on several touches that tie here
    moved = found.copy()
    k = int(np.abs(one.gradient).argmax())
    normal = moved[["nx", "ny", "nz"]].to_numpy()[k]
    for names in (["x", "y", "z"], ["cx", "cy", "cz"]):
        moved.loc[k, names] = moved.loc[k, names].to_numpy(float) + step * normal
    slope = (size(moved, (9.9, 10.1), method=method).actual - one.actual) / step
    assert slope == pytest.approx(one.gradient[k], abs=0.4)
    alone = size(found, (9.9, 10.1), method=method, independency=True)
    assert alone.actual < (0.01 if method == "default" else 0.25)


def test_touches_that_fix_no_envelope_say_that_rule_one_is_not_checked():
    angle = np.radians([0, 180])
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(2)])
    one = size(table(10 * unit, unit), (19.9, 20.1))
    assert any("rule one is not checked" in note for note in one.notes)


def test_touches_not_quite_opposite():
    """Chords through 178 degrees still give the diameter, not the chord."""
    angle = np.radians([0, 178, 90, 272])
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(4)])
    one = size(table(10 * unit, unit), (19.9, 20.1))
    assert (one.low, one.high) == pytest.approx((0, 0), abs=1e-12)


def test_web_and_slot():
    rows = np.array([[x, y] for x in (-10.0, 0, 10) for y in (0.0, 8)])
    for sign in (1, -1):
        points = np.vstack([np.column_stack([rows, np.full(6, s * 2.505)]) for s in (-1, 1)])
        found = table(points, np.repeat([[0, 0, -1.0 * sign], [0, 0, 1.0 * sign]], 6, axis=0))
        for method in ("two_point", "least_squares"):
            one = size(moved(found, make_motion((1, 2, 3), (20, 30, 40))), (5.0, 5.02), of="width", method=method)
            assert one.actual == pytest.approx(0, abs=1e-8)
            assert one.details["largest size"] == pytest.approx(5.01)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: size(around(5.0), (10.1, 10.0)), "two rising lengths"),
        (lambda: size(around(5.0, n=7), (9.0, 11.0), method="two_point"), "no two touches are opposed within 5 deg"),
        (lambda: size(around(5.0), (9.0, 11.0), method="mean"), "'method'.* unknown value"),
        (lambda: runout(around(5.0), 0.1, reading="up"), "'reading'.* unknown value"),
        (lambda: runout(around(5.0, n=1), 0.1), "too few touches for a circle, so circular runout"),
        (lambda: runout(around(5.0), 0.1, axis=(0, 0, 0)), "of the datum axis must be three numbers"),
    ],
)
def test_what_cannot_be(call, match):
    with pytest.raises(InputError, match=match):
        call()


def test_eccentric_cylinder():
    e = 0.03
    found = around(10.0, centre=(e, 0))
    one = runout(found, 0.1)
    assert one.actual == pytest.approx(2 * e, abs=1e-9)  # touches at 0 and 180 degrees: exact
    assert set(one.ruling) == {1, 7, 13, 19, 25, 31}
    assert list(one.details.values()) == pytest.approx([2 * e] * 3, abs=1e-9)
    assert runout(found, 0.1, at=(e, 0, 5)).actual == pytest.approx(0, abs=1e-12)


def test_leaning_cylinder_total():
    """Axis off by 0, 0.01, 0.02 at three heights: circular 0.04 at the worst; total the same, as r is within +-0.02."""
    found = around(10.0, slant=(0.001, 0), n=36)
    assert runout(found, 0.1).actual == pytest.approx(0.04, abs=1e-6)
    assert runout(found, 0.1, total=True).actual == pytest.approx(0.04, abs=1e-6)


def test_taper_is_seen_by_total_runout_only():
    import pandas as pd

    found = pd.concat([around(10 + z / 1000, heights=(z,)) for z in (0.0, 10, 20)], ignore_index=True)
    assert runout(found, 0.1).actual == pytest.approx(0, abs=1e-12)
    assert runout(found, 0.1, total=True).actual == pytest.approx(0.02, abs=1e-12)
    assert runout(found, 0.1, total=True).actual >= runout(found, 0.1).actual


def test_wobbling_face():
    """A face that leans by 0.001 per mm: at the radius r it moves by 2 r x 0.001; total over all: that of the rim."""
    ring = np.radians(np.arange(0, 360, 30))
    unit = np.column_stack([np.cos(ring), np.sin(ring)])
    xy = np.vstack([10 * unit, 20 * unit])
    found = table(np.column_stack([xy, 0.001 * xy[:, 0]]), (0, 0, 1.0))
    one = runout(found, 0.1, reading="axial")
    assert list(one.details.values()) == pytest.approx([0.02, 0.04], abs=1e-12)
    assert runout(found, 0.1, reading="axial", total=True).actual == pytest.approx(0.04, abs=1e-12)


def test_few_touches_are_told():
    assert "4 touches are few for runout" in runout(around(10.0, n=4), 0.1).notes[0]
    assert not runout(around(10.0, n=8), 0.1).notes


def test_rings_of_an_odd_number_have_a_size():
    """What the planner makes by default has no opposed touches: the least-squares size stands in, and says so."""
    rng = np.random.default_rng(3)
    radius = 10.0 + rng.normal(scale=0.003, size=5)
    found = size(around(radius, n=5, bore=True), (19.9, 20.1))
    assert found.kind == "size, least squares"
    assert "stands in for local sizes" in found.notes[0]
    assert found.details["smallest size"] == pytest.approx(20.0, abs=0.006)
    assert size(around(10.0, n=6, bore=True), (19.9, 20.1)).kind == "size, two point"


@pytest.mark.parametrize("slot", [True, False])
@pytest.mark.parametrize("count", [4, 9])
def test_a_width_far_from_the_origin_with_uneven_sides(slot: bool, count: int) -> None:
    """Planes 5 mm apart at x = 45 and 50, touched with a ball of radius 0.5: 5 mm, on however many places each."""
    y = np.linspace(0.0, 20.0, count)
    planes = [np.column_stack([np.full(count, 45.0), y, y % 3]), np.array([[50.0, 4.0, 1.0], [50.0, 16.0, 2.0]])]
    at, way = np.vstack(planes), np.repeat([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0]], [count, 2], axis=0)
    normal = -way if slot else way
    found = table(at + 0.5 * normal, normal, foot=at).assign(radius=0.5)
    found[["cx", "cy", "cz"]] = at
    one = size(found, (4.9, 5.1), of="width", method="least_squares")
    assert one.actual == pytest.approx(0.0, abs=1e-9)  # twice the distance from the middle of the limits


def test_an_envelope_of_two_planes_that_rocks_is_refused() -> None:
    """Five touches of one side, two of the other close together: it would turn by 4 mm to rest on 2 um of scatter."""
    left = [[55, 11.5, 36.3], [55, 2.3, 36.8], [55, 9.4, 36.7], [55, 5.0, 37.0], [55, 13.3, 35.6]]
    right = [[40, 20.4, 36.6], [40, 17.5, 35.6]]
    foot = np.array(left + right, dtype=float)
    normal = np.repeat([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0]], [5, 2], axis=0)
    h = np.random.default_rng(1).normal(0.0, 0.002, 7)
    found = table(foot + h[:, None] * normal, normal, foot=foot, deviation=h)
    with pytest.raises(InputError, match="do not hold an envelope of two planes"):
        size(found, (14.8, 15.2), of="width", method="maximum_inscribed")
    spread = np.array([[x, y, z] for x in (40.0, 55.0) for y in (2.0, 12.0, 22.0) for z in (35.0, 37.0)])
    normal = np.where(spread[:, :1] < 50, 1.0, -1.0) * [1.0, 0.0, 0.0]
    h = np.random.default_rng(1).normal(0.0, 0.002, len(spread))
    held = table(spread + h[:, None] * normal, normal, foot=spread, deviation=h)
    one = size(held, (14.8, 15.2), of="width", method="maximum_inscribed")
    assert one.actual < 2 * 0.02


@pytest.mark.parametrize("bore", [True, False])
def test_touches_on_half_of_it_hold_no_envelope(bore):
    """The smallest circle about an arc of 120 degrees has sin 60 of its diameter: 17.32 was said of a boss of 20.00."""
    angle = np.tile(np.radians(np.linspace(-60, 60, 8)), 2)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(16)])
    feet = 10.0 * unit + np.repeat([[0, 0, -5.0], [0, 0, 5.0]], 8, axis=0)
    found = table(feet, -unit if bore else unit, foot=feet)
    one = size(found, (19.95, 20.05))
    assert one.details["largest size"] == pytest.approx(20.0, abs=1e-6)
    assert "mating envelope" not in one.details
    assert any("rule one is not checked" in note for note in one.notes)
    assert [words[:13] for words in one.alternatives()] == ["least squares"]
    with pytest.raises(InputError, match="hold no envelope of it"):
        size(found, (19.95, 20.05), method="maximum_inscribed" if bore else "minimum_circumscribed")
