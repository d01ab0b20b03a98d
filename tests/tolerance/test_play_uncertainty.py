"""How sure the play of a datum at MMB is: closed forms of few touches, and errors drawn for these by brute force.

Datum bore B with four touches at 0, 90, 180, 270 deg in each of two depths, errors e_j (the larger of both depths). Its
envelope, held square by A, has its axis at ((e_1 - e_3)/2, (e_2 - e_4)/2) and its radius less by
m = max((e_1 + e_3)/2, (e_2 + e_4)/2). A hole off by o along x, further than the clearance c, has a position of
2 (o - c + (e_1 - e_3)/2 + m) to first order.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tolerance.touched import table

from probekit.fit import Datum, datum_frame
from probekit.tolerance import Position, evaluate_all
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

U, OFF, CLEAR = 0.003, 0.1, 0.02


def bore(name: str, centre, radius: float, n: int, deviation) -> pd.DataFrame:
    """Touches of a bore about z at two depths; `deviation`: of normals (m, 3)."""
    angle = 2 * np.pi * np.arange(n) / n
    unit = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    foot = np.vstack([radius * unit + [*centre, z] for z in (-15.0, -5.0)])
    normal = -np.vstack([unit, unit])
    off = deviation(normal)
    return table(foot + off[:, None] * normal, normal, deviation=off, foot=foot, feature=name)


def touched(at: str = "MMB") -> pd.DataFrame:
    bottom = np.array([[x, y, -20.0] for x in (-50, 0, 50) for y in (-30, 0, 30)])
    side = -1.0 if at == "MMB" else 1.0
    found = pd.concat(
        [
            table(bottom, (0.0, 0.0, -1.0), feature="A"),
            bore("B", (0, 0), 6.0, 4, lambda normal: np.full(len(normal), side * CLEAR)),
            bore("C", (0, 2000), 5.0, 8, lambda normal: np.zeros(len(normal))),
            bore("hole", (30, 0), 4.0, 8, lambda normal: normal[:, 0] * OFF),
        ],
        ignore_index=True,
    )
    return found.assign(touch=np.arange(1, len(found) + 1))


def hole(letter: str, **more) -> Position:
    where = {"at": (30.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0), "features": ("hole",)}
    return Position(width=0.16, of="axis", datums=("A", letter, "C"), name=letter, **where, **more)


def evaluated(letter: str, found: pd.DataFrame, u: float = U, **more):
    at = "LMB" if "L" in letter else "MMB"
    datums = [
        Datum("A", "plane", "A"),
        Datum("B", "cylinder", "B", boundary=(at, 12.0), simulator="default"),
        Datum("C", "cylinder", "C"),
    ]
    return evaluate_all([hole(letter, **more)], found, datums=datums, u=u)[0]


def of_datum(found: pd.DataFrame, u: float) -> Scatter:
    """Only the touches of B are uncertain."""
    return Scatter.independent(np.where(found["feature"] == "B", u, 0.0))


@pytest.mark.parametrize(("letter", "more"), [("B(M)", {}), ("B(M)", {"method": "least_squares"}), ("B(L)", {})])
def test_a_smaller_clearance_counts_in_the_bounds(letter, more):
    found = touched("LMB" if "L" in letter else "MMB")
    one = evaluated(letter, found, **more)
    assert one.actual == pytest.approx(2 * (OFF - CLEAR), abs=2e-5)
    e = U * np.random.default_rng(3).standard_normal((200_000, 2, 4)).max(axis=1)
    half = (e[:, :2] + e[:, 2:]) / 2
    away = (e[:, 0] - e[:, 2]) / 2 + half.max(axis=1)
    less = one.actual - bounds(one, of_datum(found, U)).low
    assert np.quantile(2 * away, 0.95) * 0.97 < less < np.quantile(2 * away, 0.95) * 1.5
    (play,) = one.carried.play
    assert play.change == pytest.approx([2.0], abs=0.02)
    assert play.weight.sum() == pytest.approx(1.0)
    there = replace(one, carried=replace(one.carried, play=()))  # the clearance adds that of two touches at least
    with_, without = (bounds(each, of_datum(found, U)).u for each in (one, there))
    assert with_**2 - without**2 >= 4 * U**2 / 4 - 1e-9


def test_without_noise_the_bounds_are_the_value_and_with_more_noise_they_widen():
    found, widths = touched(), []
    for u in (0.0, 1e-6, 1e-3, 3e-3):
        one = evaluated("B(M)", found, u)
        made = bounds(one, Scatter.independent(np.full(len(found), u)))
        assert made.low <= one.actual <= made.high
        widths.append(made.high - made.low)
    assert widths == sorted(widths)
    assert widths[0] == pytest.approx(0.0, abs=1e-12)
    assert widths[1] < 2e-5


def test_a_datum_at_rmb_has_no_play_to_count():
    found = touched()
    assert evaluated("B", found).carried.play == ()


def test_a_frame_at_lmb_is_as_sure_as_its_mirror_image_at_mmb():
    """What is outside the one envelope is inside the other: the same touches, errors reversed."""
    sure = {}
    for at in ("MMB", "LMB"):
        datums = [Datum("A", "plane", "A"), Datum("B", "cylinder", "B", boundary=(at, 12.0), simulator="default")]
        sure[at] = datum_frame(touched(at), datums, u=U).uncertainty[:2]
    assert sure["LMB"] == pytest.approx(sure["MMB"], rel=0.1)
