"""Fits and tolerances to try: what the explorers show is what the library's own calls give."""

from __future__ import annotations

import re
import sys
from html import unescape
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

import shapes
from scene import synthetic

from probekit import deviation, fit, geometry, tolerance, verdict, widgets
from probekit.columns import FOOT
from probekit.errors import InputError, UndeterminedError
from probekit.uncertainty import Scatter
from probekit.widgets import fitting, judging

MOTION = fit.make_motion((0.03, -0.02, 0.01), (0.02, 0.01, -0.03))


@pytest.fixture(scope="module")
def ball():
    return shapes.bumpy_ball(finer=4)


@pytest.fixture(scope="module")
def moved(ball):
    """Touches of a part that lies elsewhere by a known motion, one of them missed, two features."""
    rng = np.random.default_rng(4)
    points, normals = shapes.sample(ball, 80, rng)
    points = geometry.apply_motion(MOTION, points + rng.normal(0, 0.001, (80, 1)) * normals)
    table = deviation.project(points, ball)
    table["feature"] = np.where(points[:, 2] > 0, "upper", "lower")
    table.loc[7, ["x", "y", "z", "deviation", *FOOT]] = np.nan
    return table


def plain(html):
    return unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", html)))


def test_a_fit_is_that_of_the_library_and_finds_the_motion(ball, moved):
    for choice in (fitting.Choice(), fitting.Choice(("tx", "ty", "tz"), "huber", ("upper",))):
        found = fitting.tried(moved, ball, choice)
        alone = fit.rigid(moved, ball, free=choice.free, method=choice.method, features=choice.features)
        np.testing.assert_array_equal(found.alignment.motion, alone.motion)
        again = deviation.project(alone.apply(moved.drop(index=7)), ball)["deviation"]
        np.testing.assert_allclose(np.delete(found.deviation, 7), again, atol=1e-9)
        assert np.isnan(found.deviation[7])
        assert np.count_nonzero(found.weight) == np.count_nonzero(alone.weights)
    whole = fitting.tried(moved, ball, fitting.Choice())
    # the injected motion is independent of the code that fits; noise of 0.001 mm is what must be left
    np.testing.assert_allclose(whole.alignment.motion @ MOTION, np.eye(4), atol=1e-3)
    assert 0.0007 < whole.rms < 0.0013
    flat = shapes.plane_patch()
    table = deviation.project(shapes.sample(flat, 20, np.random.default_rng(1))[0], flat)
    with pytest.raises(UndeterminedError):
        fitting.tried(table, flat, fitting.Choice())


def test_cones_point_as_the_deviations_do(ball, moved):
    found = fitting.tried(moved, ball, fitting.Choice(features=("upper",)))
    mesh = fitting.signs(fitting.cones(moved, 0.5), found, 0.01)
    assert set(mesh.vertex_touch.tolist()) == set(range(80)) - {7}
    foot, normal = moved[list(FOOT)].to_numpy(), moved[["nx", "ny", "nz"]].to_numpy()
    for row in (0, 3, 11):
        own = mesh.vertices[mesh.vertex_touch == row] - foot[row]
        wide = np.linalg.norm(np.cross(own, normal[row]), axis=1)
        high = own[wide < 1e-4] @ normal[row]  # the apex: it is far out of the part, or on its surface
        size = 0.5 if found.weight[row] > 0 else 0.25
        assert high.max() == pytest.approx(2.6 * size if found.deviation[row] >= 0 else 0.0, abs=1e-4)
        assert wide.max() == pytest.approx(size, rel=1e-3)


def test_a_tolerance_is_judged_as_the_library_does(moved):
    for asked in (judging.Asked(0.1, 0.02, "proved", 0.002), judging.Asked(0.2, 0.1, "simple", 0.0, ("upper",))):
        found = judging.judged(moved, asked)
        zone = tolerance.profile(moved, asked.width, outside=asked.outside, features=asked.features)
        scatter = Scatter.independent(np.full(len(moved), asked.u))
        rule = {"proved": verdict.proved, "simple": verdict.simple}[asked.rule]()
        alone = verdict.classify(moved, zone, rule=rule, scatter=scatter, u=asked.u or None)
        assert found.part == alone.part
        assert found.tolerances["actual"].iloc[0] == alone.tolerances["actual"].iloc[0]
        assert found.table["verdict"].tolist() == alone.table["verdict"].tolist()
    # closed form: a zone of equal disposition has an actual value of twice the largest deviation (ASME Y14.5.1-2019)
    worst = np.nanmax(np.abs(moved.loc[moved["feature"] == "upper", "deviation"]))
    assert found.tolerances["actual"].iloc[0] == pytest.approx(2 * worst)
    with pytest.raises(InputError):
        judging.judged(moved, judging.Asked(0.1, 0.05, "proved", 0.0))


def test_the_fit_explorer_follows_its_controls(ball, moved):
    pytest.importorskip("pythreejs")
    shown = widgets.fits(moved, ball)
    assert shown.alignment.sentence in plain(shown._said.value)
    assert f"{shown.alignment.rms:.4f} mm (79)" in plain(shown._said.value)
    assert "no work offset" in plain(shown._said.value)
    shown._free["rz"].value = False
    shown._method.value = "tukey"
    assert shown.alignment.method == "tukey"
    assert shown.alignment.free == ("tx", "ty", "tz", "rx", "ry")
    assert shown.alignment.sentence in shown._repr_mimebundle_()["text/plain"]
    shown._features.value = ()
    assert shown.alignment is None
    assert "No fit:" in plain(shown._said.value)
    shown._features.value = ("lower",)
    assert len(shown.alignment.used) == (moved["feature"] == "lower").sum() - (moved["feature"][7] == "lower")


def test_the_tolerance_explorer_follows_its_controls(ball, moved):
    pytest.importorskip("pythreejs")
    shown = widgets.zone(moved, ball, 0.1, u=0.002)
    assert shown.verdict.sentence in plain(shown._said.value)
    assert shown.verdict.part == "undecided" or shown.verdict.part == "conforms"
    shown._outside.value = 0.02
    shown._width.value = 0.05
    assert shown._outside.value == pytest.approx(0.01), "the disposition is kept"
    assert "-0.0400 to +0.0100 mm" in plain(shown._said.value)
    assert shown.verdict.part == "does not conform"
    shown._u.value = 0.0
    assert "No verdict:" in plain(shown._said.value)
    assert shown.verdict is None
    shown._rule.value = "simple"
    assert shown.verdict.part == "does not conform"
    assert "proved" not in shown.verdict.sentence


def test_hostile_names_stay_text():
    table = synthetic.deviations(synthetic.part())
    asked = judging.Asked(0.1, 0.05, "simple", 0.0, (synthetic.HOSTILE,))
    assert "<img" not in judging.judged_html(judging.judged(table, asked), asked, "")
    assert "<img" not in judging.judged_html(None, asked, synthetic.HOSTILE)
    assert "<img" not in fitting.tried_html(None, synthetic.HOSTILE, 1.0)
