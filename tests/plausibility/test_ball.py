"""A wrong ball radius is known by sizes that are all off alike, whatever the set-up.

Two bores, a body and a plane of our own, touched with noise in a part that is shifted and turned.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from probekit.geometry import apply_motion, make_motion
from probekit.plausibility.aim import Aimed
from probekit.plausibility.ball import ball_in_sizes

RADIUS = 1.994
FEATURES = ("bore_1", "bore_2", "body", "top")


def touched(seed: int, off: dict[str, float], *, noise: float = 0.001) -> Aimed:
    """Touches of a part with features off by so much [mm], set up at random."""
    rng = np.random.default_rng(seed)
    target, normal, feature = [], [], []
    for name, at, size in (("bore_1", (-31, -17), -4.0), ("bore_2", (31, 17), -4.0), ("body", (0, 0), 12.0)):
        turn = np.linspace(0, 2 * np.pi, 9)[:-1]
        out = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(8)])
        target.append([*at, 0] + abs(size) * out + np.outer(np.arange(8) % 3, [0, 0, -5.0]))
        normal.append(np.sign(size) * out)
        feature += [name] * 8
    target.append(np.column_stack([*rng.uniform(-40, 40, (2, 6)), np.zeros(6)]))
    normal.append(np.tile([0.0, 0, 1], (6, 1)))
    feature += ["top"] * 6
    x, n, names = np.vstack(target), np.vstack(normal), np.array(feature, dtype=object)
    high = RADIUS + np.array([off.get(name, 0.0) for name in names]) + noise * rng.standard_normal(len(names))
    moved = make_motion(rng.normal(0, 0.1, 3), rng.normal(0, 5e-4, 3))
    measured = apply_motion(moved, x + n * high[:, None])
    height = ((measured - x) * n).sum(axis=1)
    return Aimed(np.arange(len(names)), names, x, n, measured, height, np.zeros(len(names)))


def found(touch: Aimed) -> list[str]:
    return [one.cause for one in ball_in_sizes(touch, recorded="centre", radius=RADIUS, u=0.001)]


@pytest.mark.parametrize("off", [0.05, 0.013, -0.013, -0.05])
def test_another_ball_is_named_with_its_radius(off):
    (cause,) = found(touched(3, dict.fromkeys(FEATURES, off)))
    assert float(cause.split("about ")[1].split()[0]) == pytest.approx(RADIUS + off, abs=0.002)


@pytest.mark.parametrize(
    "off",
    [
        {},
        dict.fromkeys(FEATURES, 0.004),  # less than a qualification may be off
        {"bore_1": 0.02, "bore_2": 0.02},  # one reamer
        {"body": 0.05, "top": 0.05},
        {"bore_1": 0.03, "bore_2": 0.03, "body": -0.03},
    ],
)
def test_sizes_of_their_own_are_left_alone(off):
    assert found(touched(4, off)) == []
    assert ball_in_sizes(touched(4, off), recorded="contact", radius=0.0, u=0.001) == []


def test_features_off_at_random_agree_in_few_runs():
    rng, alarms = np.random.default_rng(2), 0
    for seed in range(200):
        alarms += bool(found(touched(seed, dict(zip(FEATURES, rng.normal(0, 0.02, 4), strict=True)))))
    assert alarms <= 6  # 1 here; two agreements of 15 % among sizes that spread by 20 um


def test_touches_that_all_go_round_leave_no_other_face_and_no_warning():
    touch = touched(5, {})
    only = touch.feature != "top"
    one = Aimed(
        *(field[only] for field in (touch.ids, touch.feature, touch.target, touch.normal, touch.measured)),
        touch.height[only],
        np.zeros(int(only.sum())),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert found(one) == []
