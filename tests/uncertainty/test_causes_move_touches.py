"""Each cause, made for real on the demo part: touches are moved, projected again, and change as the factors say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import probekit as pk
from probekit.geometry import apply_motion
from probekit.uncertainty import read, touches
from probekit.uncertainty.budget import UNCORRECTED

DATA = Path(__file__).parents[2] / "data" / "foil"
NAMES = ["x", "y", "z"]
ABOUT = np.array([5.0, -3.0, 20.0])
BUDGET = read(
    {"budget": {"corrected": False}, "part": {"temperature": 30.0, "expansion_um_per_m_c": 11.5}},
)


@pytest.fixture(scope="module")
def run():
    """The demo's touches on its mesh, in two poses and a time each; how they are projected; their scatter."""
    part = pk.nominal.load(DATA / "foil.3mf")
    stylus = pk.touches.Stylus(ball_diameter=6.0, effective_radius=2.991)
    measured = pk.touches.read(DATA / "touches.csv")
    measured["time"] = np.linspace(0.0, 900.0, len(measured))
    measured["angle_a"] = np.where(measured["feature"] == "skin", 30.0, 0.0)
    how = pk.deviation.Projection(part, stylus)
    deviations = how.project(measured)
    datums = sorted(set(deviations["feature"]) - {"skin"})
    return measured, how, deviations, touches(deviations, BUDGET, datums=datums, about=ABOUT)


def columns(scatter, cause: str) -> np.ndarray:
    return scatter.factors[:, [k for k, name in enumerate(scatter.causes) if name == cause]]


def turned(position: np.ndarray, axis: int, angle: float) -> np.ndarray:
    motion = pk.fit.make_motion([0, 0, 0], np.degrees(angle) * np.eye(3)[axis], pivot=ABOUT)
    return apply_motion(motion, position)


U = {key: BUDGET.u(key) for key in ("scale_um_per_m", "squareness_um_per_m", "pivot_um", "index_arcsec", "drift_um")}
TILTED = "skin"


def moves(position: np.ndarray, normal: np.ndarray, skin: np.ndarray, when: np.ndarray) -> dict[str, list[np.ndarray]]:
    """Positions as each independent part of a cause, by one standard uncertainty, makes them; a ball does not grow."""
    off, part = position - ABOUT, position - 2.991 * normal - ABOUT
    grown = 1e-6 * 11.5 * 10.0
    unit = np.eye(3)
    return {
        "scales": [position + 1e-6 * U["scale_um_per_m"] * off * unit[a] for a in range(3)],
        "squareness": [
            position + 1e-6 * U["squareness_um_per_m"] * off[:, [c]] * unit[a] for a, c in ((0, 1), (0, 2), (1, 2))
        ],
        "pivot": [position + 1e-3 * U["pivot_um"] * skin[:, None] * unit[a] for a in range(3)],
        "index": [
            np.where(skin[:, None], turned(position, a, U["index_arcsec"] * np.pi / 648000.0), position)
            for a in range(3)
        ],
        "drift": [position + 1e-3 * U["drift_um"] * when[:, None] * unit[a] for a in range(3)],
        UNCORRECTED: [position + grown * part],
        "part temperature": [position + 1e-6 * 11.5 * BUDGET.u("temperature_within_c") * part],
        "expansion coefficient": [position + grown * BUDGET.u("expansion_within_percent") / 100.0 * part],
    }


@pytest.mark.parametrize(
    "cause",
    ["scales", "squareness", "pivot", "index", "drift", UNCORRECTED, "part temperature", "expansion coefficient"],
)
def test_deviations_change_as_the_factors_say(run, cause):
    measured, how, deviations, scatter = run
    skin, when = (measured["feature"] == TILTED).to_numpy(), np.linspace(0.0, 1.0, len(measured))
    made = []
    normal = deviations[["nx", "ny", "nz"]].to_numpy()
    for position in moves(measured[NAMES].to_numpy(), normal, skin, when)[cause]:
        moved = measured.copy()
        moved[NAMES] = position
        made.append(how.project(moved)["deviation"].to_numpy() - deviations["deviation"].to_numpy())
    expected = np.column_stack(made)
    flat = np.isfinite(expected).all(axis=1)
    got = columns(scatter, cause)
    assert got.shape == expected.shape
    assert flat.sum() > 0.95 * len(flat)
    got, expected = got[flat], expected[flat]
    worst = np.abs(got - expected)
    assert np.abs(expected).max() > 2e-4
    assert np.median(worst) < 3e-5  # the centre of the ball is a radius off the foot
    assert worst.max() < 0.06 * np.abs(expected).max()  # and feet move from facet to facet


def test_a_larger_effective_radius_lowers_every_deviation(run):
    measured, how, deviations, scatter = run
    u = 1e-3 * BUDGET.u("radius_2s_um")
    larger = replace(how, stylus=pk.touches.Stylus(ball_diameter=6.0, effective_radius=2.991 + u))
    change = larger.project(measured)["deviation"].to_numpy() - deviations["deviation"].to_numpy()
    touched = np.isfinite(change)
    np.testing.assert_allclose(columns(scatter, "effective radius")[touched, 0], change[touched], atol=2e-5)
