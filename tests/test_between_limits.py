"""Between the touches where a tolerance covers a part of its faces, and before any touch is made."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes

from probekit import deviation, tolerance, verdict
from probekit.errors import InputError
from probekit.field import nodes
from probekit.study import between
from probekit.study.blind import blind_spots

SPAN = {"x": (0.0, 14.0)}


def targets(count: int, *, inside: bool = False) -> pd.DataFrame:
    """Even over the top of a box, or over the part of it that SPAN leaves."""
    at = nodes(shapes.box(), count, np.random.default_rng(1), faces="top", between=SPAN if inside else None)
    table = pd.DataFrame(np.hstack([at.places, at.normals]), columns=["x0", "y0", "z0", "i", "j", "k"])
    return table.assign(feature="top", face="top", touch=range(len(table)))


def test_nodes_stand_where_the_tolerance_is():
    part, rng = shapes.box(), np.random.default_rng(3)
    whole = nodes(part, 300, rng, faces="top", edges=True)
    size = np.ptp(whole.places, axis=0)
    cut = nodes(part, 300, rng, faces="top", edges=True, between=SPAN)
    low = max(0.0, whole.places[:, 0].min())
    share = (min(14.0, whole.places[:, 0].max()) - low) / size[0]
    assert cut.area == pytest.approx(share * size[0] * size[1], rel=0.08)
    assert len(cut.places) == pytest.approx(300, rel=0.2)
    for one in (cut, cut.even):
        assert one.places[:, 0].min() >= 0.0
        assert one.places[:, 0].max() <= 14.0
    assert 0 < cut.edges < len(cut.places)
    with pytest.raises(InputError, match="no part of the faces"):
        nodes(part, 300, rng, faces="top", between={"x": (500.0, 600.0)})


def test_the_surface_ends_where_the_tolerance_does():
    """40 touches on a third of a face, which the tolerance is limited to: here all of the face was judged."""
    part, rng = shapes.box(), np.random.default_rng(1)
    on = targets(40, inside=True)
    at = on[["x0", "y0", "z0"]].to_numpy() + on[["i", "j", "k"]].to_numpy() * 0.002 * rng.standard_normal((len(on), 1))
    table = on.assign(x=at[:, 0], y=at[:, 1], z=at[:, 2], u=0.002)
    found = deviation.project(table, part, stylus=0.0)
    zone = tolerance.profile(found, 0.1, features=("top",), between=SPAN)
    judged = verdict.classify(found, zone, rule=verdict.simple())
    (said,) = between.between({"nodes": 300}, part, judged, None)
    assert said.at.places[:, 0].max() <= 14.0
    assert "probability of" in said.sentence
    assert "gaps of" not in said.sentence


def test_the_plan_counts_the_targets_of_the_tolerance_alone():
    part, one = shapes.box(), {"name": "strip", "width": 0.1, "features": ["top"], "between": SPAN}
    on = targets(40, inside=True)
    far = targets(60)
    far = far[far["x0"] > 20.0]
    (alone,) = blind_spots(part, [one], on, 0.003)
    (both,) = blind_spots(part, [one], pd.concat([on, far]), 0.003)
    assert alone == both, "touches beside the tolerance feel nothing of it"


def test_the_plan_asks_for_the_hill_that_should_not_be_missed():
    """`hill` and `white` of [surface] had no say before the touches."""
    part, one = shapes.box(), {"name": "top", "width": 0.1, "features": ["top"]}
    on = targets(30)
    (told,) = blind_spots(part, [one], on, 0.003, {"hill": {"radius": 5.0, "height": 0.06}})
    assert "hill or dent of 5 mm radius and 0.06 mm is felt at" in told
    (rough,) = blind_spots(part, [one], on, 0.003, {"white": 0.012})
    (fine,) = blind_spots(part, [one], on, 0.003)
    assert rough != fine
    with pytest.raises(InputError, match="those of an axis"):
        blind_spots(part, [one | {"between": {"w": (0.0, 1.0)}}], on, 0.003)
