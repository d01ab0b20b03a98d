"""No tolerance conforms by touches that its zone fits whatever the part is, nor by touches that do not fix its feature.

Brute force: the touches are off by 0.05 mm at random and the tolerance is 0.0005 mm, so what conforms does so by
construction. Counts are those of the freedoms of an element: 2 of a line, 3 of a plane and a circle, 5 of a cylinder.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes
from thorough import some
from tolerance.touched import around, moved, table

from probekit.deviation import project
from probekit.errors import TouchesError
from probekit.fit import FREEDOMS, make_motion
from probekit.tolerance import (
    Evaluation,
    Position,
    evaluate_all,
    pattern,
    position,
    read_tolerance,
    simultaneous,
)
from probekit.tolerance.spec import KINDS
from probekit.tolerance.unjudged import Unjudged
from probekit.verdict import classify, simple

WIDTH, OFF, UP = 0.0005, 0.05, (0.0, 0.0, 1.0)
PLANE = shapes.plane_patch()
AT = np.array([[-18.0, -15], [17, -14], [-16, 18], [15, 16], [3, -8], [-6, 5], [9, 7]])


def flat(n: int, off: np.ndarray) -> pd.DataFrame:
    touches = pd.DataFrame({"touch": np.arange(1, n + 1), "feature": "a"})
    touches[["x", "y"]], touches["z"] = AT[:n], off
    return project(touches, PLANE, stylus=0.0)


def row(n: int, off: np.ndarray) -> pd.DataFrame:
    return table(np.column_stack([np.arange(n) * 8.0, np.zeros(n), off]), UP, deviation=off)


def ring(n: int, off: np.ndarray) -> pd.DataFrame:
    return around(10.0 + off, n=n, heights=(5.0,), phase=0.3, bore=True)


def rings(n: int, off: np.ndarray) -> pd.DataFrame:
    """A bore, touched by turns at its top and at its bottom, all round: by 6 touches, 3 each."""
    angle = np.array([0.0, 1.0, 2.1, 3.2, 4.2, 5.4])[:n]
    normal = -np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
    at = -10.0 * normal + (20.0 * (np.arange(n) % 2))[:, None] * UP
    return table(at + off[:, None] * normal, normal, deviation=off, foot=at)


def ball(n: int, off: np.ndarray) -> pd.DataFrame:
    """A ball, touched at its pole and below its equator: three sides and one stand round it."""
    normal = np.array(
        [[0, 0, 1.0], [1, 0, -0.3], [-0.5, 0.8, -0.3], [-0.5, -0.8, -0.4], [0.6, 0.6, 0.6], [0.1, 0.9, 0.5]]
    )
    normal = normal[:n] / np.linalg.norm(normal[:n], axis=1)[:, None]
    return table((10.0 + off)[:, None] * normal, normal, deviation=off, foot=10.0 * normal)


def sections(n: int, off: np.ndarray) -> pd.DataFrame:
    """`n` sections of a boss, each of six touches and its axis off by its own amount."""
    whole = [around(10.0, n=6, heights=(8.0 * k,), centre=(off[k], 0.0)) for k in range(n)]
    return pd.concat(whole, ignore_index=True).assign(touch=np.arange(6 * n))


def pairs(n: int, off: np.ndarray) -> pd.DataFrame:
    """`n` opposed pairs on a web, the middle of each off by its own amount."""
    sides = [np.column_stack([AT[:n], side * 5.0 + off]) for side in (1.0, -1.0)]
    return table(np.vstack(sides), np.repeat([UP, (0.0, 0.0, -1.0)], n, axis=0), deviation=np.r_[off, -off])


def doubled(found: pd.DataFrame) -> pd.DataFrame:
    """Each touch once more, 0.01 mm away."""
    again = moved(
        found, make_motion([0.006, 0.006, 0.0]) if found["nz"].abs().min() > 0.9 else make_motion([0, 0, 0.01])
    )
    for axis in "xyz":
        again[f"c{axis}"] += 1e-5 * again[f"n{axis}"]
    again["deviation"] += 1e-5
    return pd.concat([found, again], ignore_index=True).assign(touch=np.arange(2 * len(found)))


#: kind, its keys, how it is touched, and the fewest places of which it can be judged
CASES = [
    ("flatness", {}, flat, 4),
    ("flatness", {"method": "least_squares"}, flat, 4),
    ("flatness", {"unit": 80.0}, flat, 4),
    ("straightness", {}, row, 3),
    ("straightness", {"unit": 80.0}, row, 3),
    ("circularity", {}, ring, 4),
    ("cylindricity", {}, rings, 6),
    ("parallelism", {}, flat, 3),
    ("parallelism", {"tangent": True}, flat, 3),
    ("perpendicularity", {"direction": UP, "turn": (1.0, 0.0, 0.0)}, flat, 3),
    ("angularity", {"angle": 0.0, "to": UP}, flat, 3),
    ("perpendicularity", {"feature": "axis"}, rings, 6),
    ("perpendicularity", {"feature": "axis", "method": "least_squares"}, rings, 5),
    ("profile", {"free": ("tz", "rx", "ry")}, flat, 4),
    ("profile", {"free": ("rx", "ry"), "dynamic": True}, flat, 4),
    ("profile", {"free": FREEDOMS}, flat, 4),
    ("profile", {"free": ("tz",)}, flat, 2),
    ("profile", {"dynamic": True}, flat, 2),
    ("profile", {"unit": 80.0}, flat, 4),
    ("profile", {"tangent": True}, flat, 3),
    ("profile of a line", {"section": "y", "apart": 80.0, "free": ("tz", "ry")}, flat, 3),
    ("position of a boundary", {"modifier": "M", "within": (-0.001, 0.001), "free": ("rx", "ry")}, flat, 3),
    ("position", {}, rings, 6),
    ("position", {"method": "least_squares"}, rings, 5),
    ("position", {"of": "centre"}, ball, 4),
    ("size", {"of": "cylinder", "limits": (19.0, 19.0005)}, rings, 5),
    ("size", {"of": "sphere", "limits": (19.0, 19.0005)}, ball, 4),
    ("circular runout", {}, ring, 3),
    ("total runout", {}, ring, 3),
    ("straightness of an axis", {}, sections, 3),
    ("flatness of a middle plane", {}, pairs, 4),
]
NAMES = [" ".join(map(str, (kind, *keys.values()))) for kind, keys, *_ in CASES]


def test_every_kind_is_attacked():
    assert {kind for kind, *_ in CASES} == set(KINDS)


def judged(kind: str, keys: dict, found: pd.DataFrame) -> tuple[Evaluation | Unjudged, str]:
    width = {} if kind == "size" else {"width": WIDTH}
    (one,) = evaluate_all(read_tolerance({"kind": kind, "name": "one", **width, **keys}), found, PLANE)
    return one, classify(found, one, rule=simple(), u=1e-6).part


@pytest.mark.parametrize("again", [False, True], ids=["once", "doubled"])
@pytest.mark.parametrize(("kind", "keys", "touched", "least"), some(CASES), ids=NAMES)
def test_as_many_touches_as_the_zone_fits(kind, keys, touched, least, again):
    off = np.random.default_rng(7).uniform(-OFF, OFF, 7)
    for n in range(1, least):
        for deviations in (off[:n], np.zeros(n)):
            found = touched(n, deviations)
            one, part = judged(kind, keys, doubled(found) if again else found)
            assert isinstance(one, Unjudged), (n, one)
            assert part == "undecided"
    if again and kind in ("size", "position", "straightness of an axis", "flatness of a middle plane"):
        return  # pairs and envelopes of doubled touches are a matter of their own
    found = touched(least, off[:least])
    one, part = judged(kind, keys, doubled(found) if again else found)
    assert isinstance(one, Evaluation), one
    assert part == "does not conform"


def test_a_position_in_a_frame_that_leaves_its_shifts_free_is_refused():
    """The zone goes to wherever the one hole is; of two the distance is left, and of a composite the lean."""
    found = around(6.0, centre=(3.0, 1.0), bore=True, n=8)
    with pytest.raises(TouchesError, match="free to move to wherever the one feature may be"):
        position(found, 0.1, free=("tx", "ty", "rz"))
    assert position(found, 0.1, free=("rz",)).actual > 0
    assert position(found, 0.1, free=("tz",)).actual == pytest.approx(2 * np.hypot(3.0, 1.0), abs=1e-6)
    two = pd.concat([around(6.0, centre=(c, 0.0), bore=True, n=8, feature=f) for f, c in (("a", 0.02), ("b", -0.03))])
    two = two.reset_index(drop=True).assign(touch=np.arange(len(two)))
    with pytest.raises(TouchesError, match="free to move to wherever the one feature may be"):
        simultaneous(two, [Position(width=0.1, features=("a",), free=("tx", "ty"))])
    apart = pattern(two, 0.1, features=["a", "b"], at=[(0, 0, 0), (0, 0, 0)], free=("tx", "ty"))
    assert apart.actual == pytest.approx(0.05, abs=1e-6)
