"""A fit that cannot go downhill although a step promises to has not settled: gross errors must not end in identity."""

import contextlib

import numpy as np
import pandas as pd
import pytest
import shapes
from plausibility import pad
from plausibility.jobs import on_foil

from probekit import FitError
from probekit.deviation import Projection, project
from probekit.errors import UndeterminedError
from probekit.fit import FREEDOMS, make_motion, move_touches, rigid
from probekit.geometry import apply_motion

SET_UP = make_motion([0.0, 0.0, 0.06], [0.03, -0.02, 0.0])


def touches(points, targets, normals, recorded):
    table = pd.DataFrame({"touch": np.arange(1, len(points) + 1), "feature": "face"})
    table[["x0", "y0", "z0"]], table[["i", "j", "k"]], table[["x", "y", "z"]] = targets, normals, points
    table.attrs = {"unit": "mm", "recorded": recorded}
    return table


def on_patch(nominal, n=24, ball=3.0, seed=0):
    rng = np.random.default_rng(seed)
    targets, normals = shapes.sample(nominal, n, rng, inner=0.9)
    return apply_motion(SET_UP, targets + normals * (ball + rng.normal(scale=0.003, size=(n, 1)))), targets, normals


@pytest.mark.parametrize("shape", ["plane_patch", "saddle"])
@pytest.mark.parametrize("height", [0.0, 1e-6])
def test_a_few_touches_recorded_in_the_plane_beside_the_part_do_not_end_in_identity(shape, height):
    """Beyond the border the side of the face, and so the sign, changes with the least motion: it jumps by the ball."""
    nominal = getattr(shapes, shape)()
    free = ("tz", "rx", "ry") if shape == "plane_patch" else FREEDOMS
    points, targets, normals = on_patch(nominal)
    points[:4] = [[45, 0, height], [45, 0, height], [-45, 10, height], [-45, 10, height]]
    found = project(touches(points, targets, normals, "centre"), nominal, stylus=3.0)
    with pytest.raises(FitError, match=r"stuck.*touches recorded as 0"):
        rigid(found, nominal, free=free)


@pytest.mark.parametrize("method", ["least_squares", "tukey", "minimax"])
@pytest.mark.parametrize("factor", [25.4, 1 / 25.4])
def test_a_wrong_unit_is_refused_or_shows(method, factor):
    nominal = shapes.saddle()
    points, targets, normals = on_patch(nominal, ball=0.0)
    found = project(touches(factor * points, targets, normals, "contact"), nominal)
    with contextlib.suppress(FitError, UndeterminedError):  # in words; or else the numbers show it
        fitted = rigid(found, nominal, method=method)
        assert fitted.rms > 0.3 or np.abs(fitted.translation).max() > 1.0


@pytest.mark.parametrize("method", ["least_squares", "huber", "minimax"])
@pytest.mark.parametrize("seed", range(3))
def test_kinks_of_coarse_facets_still_settle(method, seed):
    """Touches on the facets of a coarse ball, some on their edges and corners."""
    nominal = shapes.bumpy_ball(finer=2)
    rng = np.random.default_rng(seed)
    points, _ = shapes.sample(nominal, 40, rng)
    points[:10] = nominal.vertices[rng.choice(len(nominal.vertices), 10, replace=False)]
    back = make_motion([0.02, -0.01, 0.015], [0.02, 0.01, -0.03])
    fitted = rigid(project(apply_motion(back, points), nominal), nominal, method=method)
    assert fitted.rms < 1e-5


def test_noise_that_leads_into_a_kink_between_facets_settles():
    """A bore of facets: the least sum of squares lies where touches pass from one facet to the next."""
    job, rng = on_foil(), np.random.default_rng(3)
    how = Projection(job.part, 2.991)
    for seed in (22, 42, 275):
        raw = pad.run(job.touches, seed=seed, noise=0.003)
        raw = raw[raw["feature"].isin(["base_top", "bore", "slot"])]
        fitted = rigid(how.project(raw), how)

        def squares(motion, raw=raw):
            return float((how.project(move_touches(raw, motion))["deviation"] ** 2).sum())

        best = squares(fitted.motion)
        beside = [make_motion(*rng.normal(0, 2e-5, (2, 3))) @ fitted.motion for _ in range(20)]
        assert min(map(squares, beside)) > best * (1 - 1e-4)
