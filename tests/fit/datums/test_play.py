"""Play of round datums at MMB with few touches, against brute force of round bores (a pin in a hole)."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog, minimize
from tolerance.touched import table

from probekit.fit import Datum, datum_frame
from probekit.tolerance import position

PLAY, OFF = 0.05, 0.20
B, C, HOLE = np.array([0.0, 0.0]), np.array([60.0, 0.0]), np.array([30.0, 20.0])


def bore(centre, n, staggered, feature, radius=6.0, shift=(0.0, 0.0)):
    """Bore about `centre` in the nominal, made off by `shift`, touched at two depths."""
    at, normals, feet = [], [], []
    for k, z in enumerate((2.0, 12.0)):
        angle = 2 * np.pi * np.arange(n) / n + (np.pi / n if staggered and k % 2 else 0.0) + 0.1
        unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
        feet.append(radius * unit + [*centre, z])
        at.append(feet[-1] + [*shift, 0.0])
        normals.append(-unit)
    at, normals, feet = np.vstack(at), np.vstack(normals), np.vstack(feet)
    return table(at, normals, deviation=((at - feet) * normals).sum(axis=1), foot=feet, feature=feature)


def touches(n, staggered, direction):
    bottom = table([[-30, -20, -5.0], [90, -20, -5], [30, 40, -5], [10, 10, -5]], (0, 0, -1.0), feature="bottom")
    shift = OFF * np.array([np.cos(direction), np.sin(direction)])
    parts = [bore(B, n, staggered, "b"), bore(C, n, staggered, "c"), bore(HOLE, 8, True, "hole", shift=shift)]
    found = pd.concat([bottom, *parts], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    size = ("MMB", 12.0 - 2 * PLAY)
    datums = [
        Datum("A", "plane", "bottom"),
        Datum("B", "cylinder", "b", boundary=size),
        Datum("C", "cylinder", "c", boundary=size),
    ]
    return found, datum_frame(found, datums)


def by_brute_force(direction):
    """Least distance of the hole from its true position: both pins may be off by the play, in any way."""
    shift = OFF * np.array([np.cos(direction), np.sin(direction)])

    def moved(p, at):
        return p[:2] + p[2] * np.array([-at[1], at[0]]) / 60.0

    best = np.inf
    for seed in range(5):
        start = np.random.default_rng(seed).uniform(-0.03, 0.03, 3)
        solved = minimize(
            lambda p: np.linalg.norm(shift + moved(p, HOLE)),
            start,
            constraints=[
                {"type": "ineq", "fun": lambda p, at=at: PLAY**2 - moved(p, at) @ moved(p, at)} for at in (B, C)
            ],
            method="SLSQP",
            options={"ftol": 1e-12, "maxiter": 500},
        )
        best = min(best, solved.fun)
    return best


@pytest.mark.parametrize(("n", "staggered"), [(3, False), (3, True), (4, False), (4, True), (5, True), (8, False)])
@pytest.mark.parametrize("degrees", [17.0, 45.0, 60.0])
def test_position_with_two_bores_at_mmb(n, staggered, degrees):
    found, frame = touches(n, staggered, np.radians(degrees))
    judged = position(found, 0.5, features="hole", at=[*HOLE, 0.0], direction=[0, 0, 1], free=frame)
    assert judged.actual / 2 == pytest.approx(by_brute_force(np.radians(degrees)), abs=2e-4)


@pytest.mark.parametrize("n", [3, 4, 7])
def test_play_is_a_disc(n):
    _, frame = touches(n, False, 0.0)
    one = frame.mobility[0]
    for angle in np.linspace(0, np.pi, 11):
        along = np.cos(angle) * one.basis[0] + np.sin(angle) * one.basis[1]
        far = -linprog(-along, A_ub=one.matrix, b_ub=one.limits, bounds=(None, None)).fun
        assert far == pytest.approx(PLAY, rel=2e-3)
    assert any("gaps of up to" in note for note in frame.notes) == (n < 8)
    _, dense = touches(9, True, 0.0)
    assert not any("gaps of up to" in note for note in dense.notes)


def test_play_of_a_ball_is_a_ball():
    rng = np.random.default_rng(0)
    unit = np.vstack([np.eye(3), -np.eye(3)])
    found = table(10.0 * unit, unit, feature="ball")
    one = datum_frame(found, [Datum("A", "sphere", "ball", boundary=("MMB", 20.1))]).mobility[0]
    for direction in rng.normal(size=(5, 3)):
        direction /= np.linalg.norm(direction)
        along = direction @ one.basis[:3]
        far = -linprog(-along, A_ub=one.matrix, b_ub=one.limits, bounds=(None, None)).fun
        assert 0.05 - 1e-9 <= far <= 0.0515
