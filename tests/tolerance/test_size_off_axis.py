"""Local sizes of features that lie off the nominal that the touches were aimed at.

A ball of radius r that runs towards the nominal axis stops with its centre on the offset of the true surface, R - r
from the true axis in a bore, R + r on a boss: plane geometry. Every diameter of a circle is 2 R, whatever its place.
"""

import numpy as np
import pytest
from thorough import some
from tolerance.touched import table

from probekit.tolerance import position, runout, size

BALL = 3.0
_HEIGHTS = (4, 10, 16)


def stopped(radius, off, aim, start, bore):
    """Distance from `start` (2,) along -`aim` (2,) at which the ball centre stops, by the circle of ball centres."""
    reach, way = radius + (-BALL if bore else BALL), aim
    q = np.asarray(start) - off
    b = q @ way
    return -b + np.sqrt(b * b - q @ q + reach**2)


def touched(
    radius=5.0, off=(0.0, 0.0), n=8, *, bore=True, probed=(0.0, 0.0), noise=0.0, form=None, heights=(4, 10, 16)
):
    """Touches towards the axis at `probed`, nominal about the origin of the same radius; the feature `off` it."""
    rng, rows = np.random.default_rng(1), []
    for z in heights:
        for a in np.arange(n) * 2 * np.pi / n:
            way = np.array([np.cos(a), np.sin(a)])
            own = radius
            for _ in range(20):  # lobes: the surface seen where the ball meets it
                s = stopped(own, np.asarray(off), way, probed, bore)
                arm = np.asarray(probed) + s * way - off
                own = radius + (0.0 if form is None else form(np.arctan2(arm[1], arm[0])))
            rows.append([*(np.asarray(probed) + (s + rng.normal(0, noise or 1e-15)) * way), z, *way])
    rows = np.array(rows)
    out = np.column_stack([rows[:, :2] / np.linalg.norm(rows[:, :2], axis=1)[:, None], np.zeros(len(rows))])
    normal = -out if bore else out
    foot = radius * out + rows[:, 2:3] * [0, 0, 1]
    found = table(rows[:, :3] - BALL * normal, normal, foot=foot)
    found[["x", "y", "z"]] = rows[:, :3]
    aim = np.column_stack([rows[:, 3:], np.zeros(len(rows))])
    found[["x0", "y0", "z0"]] = radius * aim + rows[:, 2:3] * [0, 0, 1]
    found[["i", "j", "k"]] = -aim if bore else aim
    return found.assign(radius=BALL)


@pytest.mark.parametrize("bore", [True, False])
@pytest.mark.parametrize("n", [4, 6, 8, 12])
@pytest.mark.parametrize(("radius", "e"), some([(5.0, 0.05), (5.0, 0.35), (8.0, 0.35), (40.0, 0.5)]))
def test_every_local_size_of_a_circle_is_its_diameter(radius, e, n, bore):
    for turn in (0.0, np.pi / 4, 1.1):
        off = e * np.array([np.cos(turn), np.sin(turn)])
        one = size(touched(radius, off, n, bore=bore), (2 * radius - 0.02, 2 * radius + 0.02), method="two_point")
        assert one.details["smallest size"] == pytest.approx(2 * radius, abs=1e-6)
        assert one.details["largest size"] == pytest.approx(2 * radius, abs=1e-6)
        assert int(one.notes[0].split()[0]) >= 3 * n // 2


def test_the_part_lies_off_the_program():
    """After alignment the bore is where it should be; the touches ran beside its axis: their targets are opposed."""
    one = size(touched(probed=(0.18, -0.12)), (9.98, 10.05))
    assert one.kind == "size, two point"
    assert one.details["smallest size"] == pytest.approx(10.0, abs=1e-6)
    assert "12 local sizes" in one.notes[0]


def test_an_oversize_bore_off_its_axis_is_not_accepted():
    """10.08 over the limit 10.06, four touches to a ring, 0.354 off: on chords it came to 10.050."""
    one = size(touched(5.04, (0.25, 0.25), 4, noise=0.001), (9.98, 10.06))
    assert one.actual > one.width
    assert one.details["largest size"] == pytest.approx(10.08, abs=0.006)


def test_scatter_of_the_sizes_is_that_of_two_touches():
    """Mean 2 R, standard deviation sqrt(2) u: no scatter of the centre in it, to first order."""
    from probekit.tolerance.cover import cover
    from probekit.tolerance.local_size import two_point_sizes

    found = touched(5.0, (0.2, 0.1), 8, noise=0.002, heights=tuple(range(2, 102, 2)))
    sizes = two_point_sizes(cover(found, None, name="size"))[0]
    assert len(sizes) == 200
    assert sizes.mean() == pytest.approx(10.0, abs=4 * 0.00283 / 200**0.5)
    assert sizes.std() == pytest.approx(2**0.5 * 0.002, rel=0.2)


def test_an_oval_keeps_its_axes():
    """R + a cos 2t about its own centre is 2 (R + a) long and 2 (R - a) wide (brute force: the ball rolled inside)."""
    found = touched(5.0, (0.2, 0.0), 8, form=lambda t: 0.01 * np.cos(2 * t))
    details = size(found, (9.9, 10.1), method="two_point").details
    assert details["largest size"] == pytest.approx(10.02, abs=5e-4)
    assert details["smallest size"] == pytest.approx(9.98, abs=1e-3)


@pytest.mark.parametrize("tilt", [0.0, 0.5, 1.5])
def test_a_slot_that_is_turned_keeps_its_width(tilt):
    """Balls stop r from walls at +-W/2 that are turned: |q . n| = W/2 - r."""
    n = np.array([np.cos(np.radians(tilt)), np.sin(np.radians(tilt)), 0.0])
    rows = []
    for side in (-1.0, 1.0):
        for y in (-20.0, -5.0, 5.0, 20.0):
            for z in (0.0, 8.0):
                rows.append([(side * (6.0 - BALL) - y * n[1]) / n[0] + 0.1, y, z, side])
    rows = np.array(rows)
    normal = np.column_stack([-rows[:, 3], 0 * rows[:, 3], 0 * rows[:, 3]])
    found = table(rows[:, :3] - BALL * normal, normal, foot=rows[:, :3] * [0, 1, 1] - 6 * normal)
    found[["x", "y", "z"]] = rows[:, :3]
    one = size(found.assign(radius=BALL), (11.9, 12.1), of="width", method="two_point")
    assert one.details["smallest size"] == pytest.approx(12.0, abs=1e-6)
    assert one.details["largest size"] == pytest.approx(12.0, abs=1e-6)


def test_each_touch_of_a_runout_is_on_the_bore():
    """r(t) = e cos t + sqrt(R^2 - e^2 sin^2 t) about the datum axis (law of cosines), at the angle of each contact."""
    e, found = 0.35, touched(5.0, (0.35, 0.0), 8, heights=(4,))
    values = runout(found, 0.1).deviations
    centres = found[["x", "y"]].to_numpy() - [e, 0.0]
    contact = [e, 0.0] + 5.0 * centres / np.linalg.norm(centres, axis=1)[:, None]
    true = np.linalg.norm(contact, axis=1)
    assert values == pytest.approx(true - (true.max() + true.min()) / 2, abs=1e-6)


def test_room_to_the_boundary_is_that_of_the_bore():
    """At MMC the virtual condition 9.3 stands about the true axis; the bore comes to 2 (R - e) from it."""
    one = position(touched(5.0, (0.3, 0.0), 8), 0.6, modifier="M", limits=(9.9, 10.1))
    assert one.details["room to the boundary of the virtual condition"] == pytest.approx(9.4 - 9.3, abs=1e-6)


def test_touches_of_a_size_are_judged_as_a_whole():
    """No zone judges them one by one; "24 unjudged" beside a part that conforms was a contradiction."""
    from probekit.verdict import classify, simple

    found = touched()
    judged = classify(found.assign(flag=""), size(found, (9.9, 10.1)), position(found, 0.1), rule=simple())
    assert judged.touch_counts == {"unjudged": "24 judged as a whole by 2 tolerances"}
    part = classify(found.assign(flag=""), size(found, (9.9, 10.1), between={"z": (9, 20)}), rule=simple())
    assert part.touch_counts == {"unjudged": "16 judged as a whole by 1 tolerance, 8 unjudged"}
