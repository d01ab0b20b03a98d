"""What few touches can tell, against tables and closed forms."""

import numpy as np
import pytest
from thorough import count

import probekit as pk
from probekit.fit.few import blind_to, student


@pytest.mark.parametrize(("freedoms", "k95"), [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (9, 2.26)])
def test_student(freedoms, k95):
    """t_p(v) for p = 95 %, JCGM 100:2008, table G.2, from memory; 9 from any table of Student's distribution."""
    assert 1.96 * student(freedoms) == pytest.approx(k95, abs=0.005)


def test_many_touches_count_as_they_scatter():
    assert student(10) == student(200) == 1.0
    assert np.isnan(student(0))


@pytest.mark.parametrize("n", range(4, 13))
@pytest.mark.parametrize("lobes", range(2, 14))
def test_touches_are_blind_to_lobes(n, lobes):
    """By least squares of a circle: r = a cos(m t) at n places is a move, a size, or leaves something over."""
    angle = 2 * np.pi * np.arange(n) / n
    circle = np.column_stack([np.cos(angle), np.sin(angle), np.ones(n)])
    (x, y, radius), *_ = np.linalg.lstsq(circle, np.cos(lobes * angle), rcond=None)
    left = np.cos(lobes * angle) - circle @ [x, y, radius]
    if lobes < n - 1:
        assert np.abs(left).max() > 0.3
        return
    if lobes in (n - 1, n + 1):
        assert np.hypot(x, y) == pytest.approx(1.0)
        assert np.abs(left).max() < 1e-12
        assert f"{lobes}" in blind_to(n).split("would move the")[0]
    elif lobes == n:
        assert radius == pytest.approx(1.0)
        assert f"{n} would change the diameter" in blind_to(n)


PLACES = {
    3: [(-20, -20), (20, -20), (0, 20)],
    4: [(-20, -20), (20, -20), (-20, 20), (20, 20)],
    9: [(x, y) for x in (-20, 0, 20) for y in (-20, 0, 20)],
}


RUNS = count(60, 300)


def wavy(rng, form):
    """A face of random waves over 60 mm: its heights at places (m, 2), with a mean range of about 1.2 times `form`."""
    k, phase, size = rng.normal(size=(6, 2)) * 2 * np.pi / 60, rng.uniform(0, 2 * np.pi, 6), rng.normal(size=6)
    return lambda at: 0.3 * form * np.cos(at @ k.T + phase) @ size / np.sqrt(3)


def covered(n, form, u, *, own=0.002, runs=RUNS):
    """Share of runs in which the true height 100 mm beside a datum plane lies within k u of the one found, k = 1.96.

    `u`: of a touch; None: by how the touches scatter.
    """
    places, rng, inside = np.array(PLACES[n], dtype=float), np.random.default_rng(n), 0
    grid = np.stack(np.meshgrid(*[np.linspace(-25, 25, 21)] * 2), axis=-1).reshape(-1, 2)
    flat = np.column_stack([np.ones(len(grid)), grid])
    datum = pk.fit.Datum(
        "A",
        "plane",
        "A",
        simulator="least_squares",
        nominal={"point": (0.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0)},
        material="inside",
    )
    for _ in range(runs):
        face = wavy(rng, form)
        truth = np.linalg.lstsq(flat, face(grid), rcond=None)[0]
        z = face(places) + rng.normal(scale=own, size=n)
        frame = pk.fit.datum_frame({"A": np.column_stack([places, z])}, [datum], u=u)
        at = np.array([100.0, 0.0, float(truth @ [1.0, 100.0, 0.0])])
        found = frame.motion[2] @ [*at, 1.0]
        spread = frame.alignment.spread
        gain = pk.tolerance.propagation.motion_step(frame.alignment) @ frame.alignment.gain
        change = np.array([[0.0, 0.0, 1.0, 0.0, -100.0, 0.0]]) @ gain
        inside += abs(found) <= 1.96 * float(np.sqrt((change**2 @ spread**2)[0]))
    return inside / runs


@pytest.mark.parametrize("n", [3, 4, 9])
def test_form_that_few_touches_do_not_see_is_counted(n):
    """Form of 15 um, touches of 2 um: the touches alone cover a third less than they say, with F / sqrt(12) all of it.

    Prototype of this check, with other waves: 67 and 98 % with 3 touches, 66 and 97 with 4, 81 and 100 with 9.
    """
    assert covered(n, 0.0, 0.002) > 0.92
    if n < 9:  # of nine touches the scatter is seen, and counted by Student's factor
        assert covered(n, 0.015, 0.002) < 0.9
    assert covered(n, 0.015, np.hypot(0.002, 0.015 / np.sqrt(12))) > 0.94


def test_scatter_of_few_touches_counts_with_students_factor():
    """One degree of freedom: k = 2 of the scatter covers some 76 %, Student's 97 % in that prototype."""
    assert covered(4, 0.0, None) > 0.92
    assert covered(4, 0.015, None) > 0.9


def test_stated_and_seen_scatter_of_a_fit():
    """Four touches of a plane, one degree of freedom: the scatter, if more than stated, by Student's factor."""
    rng = np.random.default_rng(1)
    points = np.column_stack([np.array(PLACES[4], dtype=float), rng.normal(scale=0.02, size=4)])
    datum = pk.fit.Datum(
        "A",
        "plane",
        "A",
        simulator="least_squares",
        nominal={"point": (0.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0)},
        material="inside",
    )
    stated = pk.fit.datum_frame({"A": points}, [datum], u=0.05).alignment.spread
    assert stated == pytest.approx(np.full(4, 0.05))
    flat = np.column_stack([np.ones(4), points[:, :2]])
    left = points[:, 2] - flat @ np.linalg.lstsq(flat, points[:, 2], rcond=None)[0]
    scatter = float(np.sqrt(left @ left))
    seen = pk.fit.datum_frame({"A": points}, [datum], u=1e-4 * scatter).alignment
    by_scatter = seen.gain @ seen.gain.T * (12.706 / 1.96 * scatter) ** 2
    np.testing.assert_allclose(seen.covariance, by_scatter, rtol=2e-3, atol=1e-9)
