"""Datums at LMB, and patterns as one datum at MMB or LMB, with few touches: against brute force of round features."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog, minimize
from thorough import count, some
from tolerance.inspected import inspected
from tolerance.touched import table

from probekit import InputError
from probekit.fit import Datum, datum_frame
from probekit.geometry import apply_motion
from probekit.tolerance import Position, evaluate_all, position

HOLE = np.array([30.0, 20.0])
AT = {"b": (0.0, 0.0), "c": (60.0, 0.0), "d": (30.0, 50.0)}
OFF = {"b": (0.02, -0.01), "c": (-0.015, 0.02), "d": (0.0, -0.03)}
DIAMETER = {"b": 12.10, "c": 12.16, "d": 12.12}


def round_feature(name, centre, n, *, diameter=12.0, off=(0.0, 0.0), boss=False, scatter=0.0, seed=0, nominal=12.0):
    """Touches at two depths of a bore (or boss) about `centre` in the nominal, made off by `off`."""
    parts = []
    rng = np.random.default_rng(seed)
    for k, z in enumerate((2.0, 12.0)):
        angle = 2 * np.pi * (np.arange(n) + 0.5 * (k % 2)) / n + 0.1
        unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
        feet = nominal / 2 * unit + [*centre, z]
        noise = rng.normal(scale=scatter, size=(n, 1)) if scatter else 0.0
        at = (diameter / 2 + noise) * unit + [*np.add(centre, off), z]
        normal = unit if boss else -unit
        parts.append(table(at, normal, deviation=((at - feet) * normal).sum(axis=1), foot=feet, feature=name))
    return pd.concat(parts, ignore_index=True)


def joined(*parts):
    bottom = table([[-30, -20, -5.0], [90, -20, -5], [30, 70, -5], [10, 10, -5]], (0, 0, -1.0), feature="bottom")
    found = pd.concat([bottom, *parts], ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    return found


def placed(found, frame):
    """The table where the frame puts it."""
    out = found.copy()
    for lead in ("", "c"):
        names = [f"{lead}{axis}" for axis in "xyz"]
        out[names] = apply_motion(frame.motion, out[names].to_numpy())
    return out


def least_off(shift, rooms):
    """Least distance of the hole from its true position; `rooms`: (place, off, room) of each datum feature."""

    def moved(p, at):
        return p[:2] + p[2] * np.array([-at[1], at[0]]) / 60.0

    ends = []
    for seed in range(6):
        limits = [
            {"type": "ineq", "fun": lambda p, a=a, o=o, r=r: r**2 - np.sum((np.array(o) + moved(p, a)) ** 2)}
            for a, o, r in rooms
        ]
        solved = minimize(
            lambda p: np.sum((shift + moved(p, HOLE)) ** 2),
            np.random.default_rng(seed).uniform(-0.03, 0.03, 3),
            constraints=limits,
            method="SLSQP",
            options={"ftol": 1e-14, "maxiter": 500},
        )
        if solved.success:
            ends.append(solved.fun)
    return np.sqrt(min(ends))


@pytest.mark.parametrize("n", some([3, 4, 5, 8]))
@pytest.mark.parametrize("degrees", [17.0, 60.0, 200.0])
@pytest.mark.parametrize("at", ["MMB", "LMB"])
def test_a_pattern_is_one_datum(n, degrees, at):
    """Three bores of their own sizes and places; a pin (or sleeve) about each true position lets the part so far."""
    shift = 0.25 * np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
    bores = [round_feature(k, AT[k], n, diameter=DIAMETER[k], off=OFF[k]) for k in AT]
    found = joined(*bores, round_feature("hole", HOLE, 8, off=shift))
    size = 12.0 if at == "MMB" else 12.3
    datum = Datum("B", "cylinder", tuple(AT), boundary=(at, size))
    frame = datum_frame(found, [Datum("A", "plane", "bottom"), datum])
    assert frame.mobility[0].features == 3
    judged = position(placed(found, frame), 0.5, features="hole", at=[*HOLE, 0], direction=[0, 0, 1], free=frame)
    rooms = [(AT[k], OFF[k], abs(DIAMETER[k] - size) / 2) for k in AT]
    assert judged.actual / 2 == pytest.approx(least_off(shift, rooms), abs=5e-4)
    assert "a pattern of 3 features" in frame.mobility[0].sentence


def test_few_noisy_touches_of_a_pattern_allow_no_more_than_is_certain():
    """With scatter of 3 um the shift used is never more than 4 u beyond the true one, with three touches a depth."""
    shift = np.array([0.25, 0.0])
    true = least_off(shift, [(AT[k], OFF[k], (DIAMETER[k] - 12.0) / 2) for k in AT])
    off = []
    for seed in range(count(10, 25)):
        bores = [
            round_feature(k, AT[k], 3, diameter=DIAMETER[k], off=OFF[k], scatter=0.003, seed=7 * seed + j)
            for j, k in enumerate(AT)
        ]
        found = joined(*bores, round_feature("hole", HOLE, 8, off=shift))
        datum = Datum("B", "cylinder", tuple(AT), boundary=("MMB", 12.0))
        frame = datum_frame(found, [Datum("A", "plane", "bottom"), datum])
        one = position(placed(found, frame), 0.5, features="hole", at=[*HOLE, 0], direction=[0, 0, 1], free=frame)
        off.append(one.actual / 2 - true)
    assert min(off) > -0.012
    assert abs(np.mean(off)) < 0.005


def test_sizes_of_their_own_and_a_pattern_that_does_not_pass():
    bores = [round_feature(k, AT[k], 6, diameter=DIAMETER[k], off=OFF[k]) for k in AT]
    found = joined(*bores)
    plane = Datum("A", "plane", "bottom")
    own = datum_frame(found, [plane, Datum("B", "cylinder", tuple(AT), boundary=("MMB", 11.9, 12.0, 12.02))])
    assert own.table["boundary"].iloc[1] == "MMB 11.9 12 12.02"
    assert own.mobility[0].clearance > 0
    tight = datum_frame(found, [plane, Datum("B", "cylinder", tuple(AT), boundary=("MMB", 12.1))])
    assert tight.mobility[0].clearance < 0
    assert "does not pass" in tight.mobility[0].sentence
    assert not tight.freedom.limited


def test_a_pattern_settles_where_it_stands_clear_most_evenly():
    """Two bores 60 apart, 0.04 too near: the clearance of 0.05 of each is less by the 0.02 that each is off."""
    near = [
        round_feature("b", AT["b"], 6, diameter=12.1, off=(0.02, 0)),
        round_feature("c", AT["c"], 6, diameter=12.1, off=(-0.02, 0)),
    ]
    one = datum_frame(
        joined(*near), [Datum("A", "plane", "bottom"), Datum("B", "cylinder", ("b", "c"), boundary=("MMB", 12.0))]
    )
    assert one.mobility[0].clearance == pytest.approx(0.03, abs=1e-3)
    assert one.motion == pytest.approx(np.eye(4), abs=5e-3)


@pytest.mark.parametrize("n", [3, 4, 7])
@pytest.mark.parametrize("boss", [False, True])
def test_play_at_the_least_material_boundary_is_a_disc(n, boss):
    """A bore of 12 in a boundary of 12.1, or a boss of 12 about one of 11.9: 0.05 all round, however few touches."""
    found = joined(round_feature("b", (0, 0), n, boss=boss))
    datum = Datum("B", "cylinder", "b", boundary=("LMB", 11.9 if boss else 12.1))
    frame = datum_frame(found, [Datum("A", "plane", "bottom"), datum])
    one = frame.mobility[0]
    assert (one.clearance, one.size, one.at) == (pytest.approx(0.05), pytest.approx(12.0), "LMB")
    for angle in np.linspace(0, np.pi, 7):
        along = np.cos(angle) * one.basis[0] + np.sin(angle) * one.basis[1]
        far = -linprog(-along, A_ub=one.matrix, b_ub=one.limits, bounds=(None, None)).fun
        assert far == pytest.approx(0.05, rel=2e-3)
    assert frame.table["simulator"].iloc[1] == "least material"
    assert "at LMB" in one.sentence
    assert any("datum B at LMB: its touches leave gaps" in note for note in frame.notes) == (n == 3)


def test_the_least_material_envelope_is_the_other_one():
    """An oval bore, 12.0 by 12.2: the largest in it is 12.0, the smallest about it 12.2; between them lies the play."""
    n = 40
    angle = 2 * np.pi * np.arange(n) / n
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
    parts = []
    for z in (2.0, 12.0):
        at = unit * [6.1, 6.0, 0] + [0, 0, z]
        feet = 6 * unit + [0, 0, z]
        parts.append(table(at, -unit, deviation=-((at - feet) * unit).sum(axis=1), foot=feet, feature="b"))
    found, plane = joined(*parts), Datum("A", "plane", "bottom")
    sizes = {}
    for at, size in (("MMB", 11.8), ("LMB", 12.3)):
        frame = datum_frame(found, [plane, Datum("B", "cylinder", "b", boundary=(at, size))])
        sizes[at] = frame.mobility[0].size
        assert frame.simulators[1].method == {"MMB": "maximum_inscribed", "LMB": "minimum_circumscribed"}[at]
    assert sizes == {"MMB": pytest.approx(12.0, abs=2e-3), "LMB": pytest.approx(12.2, abs=2e-3)}


def test_letters_say_what_a_datum_is_taken_at():
    shift = (0.05, 0.0)
    found = joined(
        round_feature("b", (0, 0), 6), round_feature("c", (60, 0), 6), round_feature("hole", HOLE, 8, off=shift)
    )
    datums = [
        Datum("A", "plane", "bottom"),
        Datum("B", "cylinder", "b", boundary=("LMB", 12.04)),
        Datum("C", "cylinder", "c", boundary=("MMB", 11.96)),
    ]
    where = {"features": "hole", "at": (*HOLE, 0.0), "direction": (0, 0, 1), "width": 0.2}

    def value(*letters):
        return evaluate_all([Position(datums=letters, **where)], found, datums=datums)[0].actual

    rooms = [((0.0, 0.0), (0.0, 0.0), 0.02), ((60.0, 0.0), (0.0, 0.0), 0.02)]
    assert value("A", "B", "C") == pytest.approx(0.1, abs=1e-4)
    assert value("A", "B(L)", "C(M)") == pytest.approx(2 * least_off(shift, rooms), abs=2e-4)
    for wrong, match in (("B(M)", "datum B at its MMB, which it does not have"), ("C(>)", "does not say along what")):
        with pytest.raises(InputError, match=match):
            value("A", wrong)


def test_in_a_study(tmp_path):
    datums = """
[[datum]]
letter = "A"
kind = "plane"
features = "base_top"

[[datum]]
letter = "B"
kind = ["cylinder", "width"]
features = ["bore", "slot"]
boundary = ["MMB", 19.9, 9.9]

[[datum]]
letter = "C"
kind = "cylinder"
features = ["bore"]
boundary = ["LMB", 20.1]

[alignment]
datums = ["A", "B"]
"""
    study = """
[[tolerance]]
name = "skin to the pattern"
features = ["skin"]
width = 0.4
datums = ["A", "B(M)"]

[[tolerance]]
name = "skin to the bore"
features = ["skin"]
width = 0.4
datums = ["A", "C(L)"]
"""
    found = inspected(tmp_path, study, datums)
    notes = {name: " ".join(one["notes"]) for name, one in found.items()}
    assert "datum B, a pattern of 2 features, at MMB" in notes["skin to the pattern"]
    assert "datum C at LMB 20.1 mm" in notes["skin to the bore"]
    assert all(0 < one["actual"] < 0.4 for one in found.values())
